use super::*;

#[track_caller]
fn close(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found} is not {wanted}");
}

/// E1, E2, E3: ten estimates whose horizontal errors are Pythagorean, worked by hand and with NumPy.
#[test]
fn e1_e2_e3_the_worked_example() {
    let mut errors = Vec::new();
    for row in
        csv::Reader::from_reader(&include_bytes!("../../../tests/data/accuracy_example.csv")[..]).records()
    {
        let v: Vec<f64> = row.unwrap().iter().map(|v| v.parse().unwrap()).collect();
        errors.push([v[3] - v[0], v[4] - v[1], v[5] - v[2]]);
    }
    let a = Accuracy::of(&errors).unwrap();
    assert_eq!(a.count, 10);
    close(a.horizontal.mean_m, 0.139, 1e-9);
    close(a.horizontal.rms_m, 0.1586505594, 1e-9);
    close(a.horizontal.p50_m, 0.13, 1e-12);
    close(a.horizontal.p95_m, 0.272, 1e-12);
    close(a.horizontal.max_m, 0.29, 1e-12);
    close(a.vertical.mean_m, 0.066, 1e-9);
    close(a.vertical.rms_m, 0.08, 1e-9);
    close(a.vertical.p50_m, 0.055, 1e-9);
    close(a.vertical.p95_m, 0.1365, 1e-9);
    close(a.spatial.mean_m, 0.1554534610, 1e-9);
    close(a.spatial.rms_m, 0.1776794867, 1e-9);
    close(a.spatial.p50_m, 0.1492099788, 1e-9);
    close(a.spatial.p95_m, 0.2991410772, 1e-9);
    close(a.bias_m.iter().map(|b| b * b).sum::<f64>().sqrt(), 0.049, 1e-9);
}

/// E4, E5, E6: `quantile_types.csv`, exact rationals, equal to NumPy and SciPy; the first set is in R's
/// manual of `quantile`.
#[test]
fn e4_e5_e6_quantiles_of_type_seven() {
    let sets: [(&str, &[f64]); 3] = [
        ("r_help_6", &[1.0, 12.0, 14.0, 3.0, 96.0, 111.0]),
        ("primes12", &[2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0, 31.0, 37.0]),
        ("primes11", &[2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0, 31.0]),
    ];
    let mut checked = 0;
    for row in
        csv::Reader::from_reader(&include_bytes!("../../../tests/data/quantile_types.csv")[..]).records()
    {
        let row = row.unwrap();
        if let Some((_, values)) = sets.iter().find(|(name, _)| *name == &row[0]) {
            let (p, wanted): (f64, f64) = (row[1].parse().unwrap(), row[8].parse().unwrap());
            close(quantile(values, p).unwrap(), wanted, 1e-9);
            checked += 1;
        }
    }
    assert_eq!(checked, 15);
    assert_eq!(quantile(&[], 0.5), None);
    assert_eq!(quantile(&[1.0], 1.5), None);
    assert_eq!(quantile(&[1.0], f64::NAN), None);
    assert_eq!(quantile(&[7.0], 0.95), Some(7.0));
}

/// E7: order statistics, 1 − 0.95ⁿ ≥ 0.95.
#[test]
fn e7_fifty_nine_samples_bound_the_95_percent_quantile() {
    assert_eq!(fewest_samples(0.95, 0.95), Some(59));
    assert_eq!(fewest_samples(1.0, 0.95), None);
    assert_eq!(fewest_samples(0.95, f64::NAN), None);
}

#[test]
fn coverage_counts_errors_inside_the_ellipse() {
    let flat = Dimension::TwoD { tag_height_m: 1.0 };
    let c = [[4.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.0]];
    // Semi-axes at 95 % are 2.4477 σ (closed form √(−2 ln 0.05)).
    assert!(is_covered([4.89, 0.0, 9.0], &c, flat, 0.95));
    assert!(!is_covered([4.90, 0.0, 0.0], &c, flat, 0.95));
    assert_eq!(normalised_square([2.0, 1.0, 0.0], &c, flat), Some(2.0));
    assert_eq!(normalised_square([2.0, 1.0, 0.0], &c, Dimension::ThreeD), None);
    assert_eq!(normalised_square([f64::NAN, 1.0, 0.0], &c, flat), None);
    assert_eq!(Accuracy::of(&[]), None);
}
