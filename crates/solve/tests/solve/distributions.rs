//! Tails and quantiles against tables (Q1 to Q6, Q17).
use hereabout_solve::GateSettings;
use hereabout_solve::math::distribution::{chi2_quantile, chi2_tail, normal_quantile, normal_two_sided_tail};

use crate::common::close;

/// Q1 to Q5: mpmath, 40 digits. The NIST/SEMATECH e-Handbook prints three decimals of the same; its 26.125
/// for 8 degrees of freedom at 0.999 is a misprint of 26.124.
#[test]
fn q1_to_q5_chi_square_quantiles() {
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../data/chi2_quantiles.csv")[..]).records() {
        let row = row.unwrap();
        let (dof, p): (usize, f64) = (row[0].parse().unwrap(), row[1].parse().unwrap());
        let wanted: f64 = row[2].parse().unwrap();
        close(chi2_quantile(1.0 - p, dof), wanted, 1e-9 * wanted);
        close(chi2_tail(wanted, dof), 1.0 - p, 1e-12);
        if let Some(printed) = row.get(3).and_then(|t| t.parse::<f64>().ok()) {
            let misprint = dof == 8 && p == 0.999;
            assert_eq!((chi2_quantile(1.0 - p, dof) - printed).abs() > 5.1e-4, misprint, "dof {dof}, p {p}");
        }
        rows += 1;
    }
    assert!(rows >= 80, "{rows}");
}

/// Q6: any table; digits from mpmath and SciPy.
#[test]
fn q6_normal_quantiles() {
    let wanted = [
        (0.9995, 3.29052673149189),
        (0.975, 1.95996398454005),
        (0.8, 0.841621233572914),
        (0.75, 0.674489750196082),
    ];
    for (p, z) in wanted {
        close(normal_quantile(p), z, 1e-13);
        close(normal_two_sided_tail(z), 2.0 * (1.0 - p), 1e-13);
    }
    // Q10: P(|z| < 1).
    close(1.0 - normal_two_sided_tail(1.0), 0.6826894921, 1e-10);
}

/// Q17 and the threshold column of `raim_noncentrality.csv`: SciPy; Brown & Chin 1998 print the last block to
/// 3e-4.
#[test]
fn q17_thresholds_of_small_false_alarm_rates() {
    for row in csv::Reader::from_reader(&include_bytes!("../data/raim_noncentrality.csv")[..]).records() {
        let row = row.unwrap();
        let (dof, pfa): (usize, f64) = (row[0].parse().unwrap(), row[1].parse().unwrap());
        let wanted: f64 = row[3].parse().unwrap();
        close(chi2_quantile(pfa, dof), wanted, 1e-8);
    }
    // One in three million is written with ten digits in the file.
    close(chi2_quantile(1.0 / 3e6, 6).sqrt(), 6.378837, 1e-6);
}

/// Q16, the λ columns of `raim_noncentrality.csv`: SciPy and a Poisson mixture in mpmath. Baarda's δ0 is √λ for one
/// degree of freedom, but for the tail on the other side, which he leaves out (below 1e-7 of √λ here).
#[test]
fn q16_noncentrality_of_one_degree_of_freedom() {
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../data/raim_noncentrality.csv")[..]).records() {
        let row: Vec<f64> = row.unwrap().iter().map(|v| v.parse().unwrap()).collect();
        let [dof, pfa, pmd, _, threshold, lambda, delta] = row[..] else { panic!("seven columns") };
        if dof != 1.0 {
            continue;
        }
        let gate = GateSettings { alpha_local: pfa, ..GateSettings::default() };
        close(gate.critical(), threshold, 5e-9 * threshold);
        let found = gate.noncentrality(1.0 - pmd);
        close(found, delta, 1e-7 * delta);
        close(found * found, lambda, 1e-7 * lambda);
        rows += 1;
    }
    assert_eq!(rows, 5);
}

/// Q16 for more degrees of freedom, with our own tail: χ² with non-centrality λ is a Poisson(λ/2) mixture of central
/// χ² with 2j more degrees (a textbook identity), and stays under the threshold with probability `pmd`.
#[test]
fn q16_thresholds_are_missed_as_often_as_the_table_says() {
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../data/raim_noncentrality.csv")[..]).records() {
        let row: Vec<f64> = row.unwrap().iter().map(|v| v.parse().unwrap()).collect();
        let (dof, pmd, threshold, lambda) = (row[0] as usize, row[2], row[3], row[5]);
        let (mut missed, mut weight) = (0.0, (-0.5 * lambda).exp());
        for j in 0..400 {
            missed += weight * (1.0 - chi2_tail(threshold, dof + 2 * j));
            weight *= 0.5 * lambda / (j + 1) as f64;
        }
        close(missed, pmd, 1e-7 * pmd.sqrt());
        rows += 1;
    }
    assert_eq!(rows, 30);
}

/// K9: the region that the average of `runs` normalised squares of `unknowns` errors must lie in with 95 %, both ends:
/// χ² quantiles of runs·unknowns degrees over runs (Bar-Shalom, Li & Kirubarajan 2001, eq. 3.7.6-4; the book prints
/// [1.5, 2.6] for 50 runs of two, from memory). This is what the two-sided limits of the study rest on.
#[test]
fn k9_two_sided_region_of_averaged_normalised_squares() {
    let region = |runs: usize, unknowns: usize| {
        [0.975, 0.025].map(|tail| chi2_quantile(tail, runs * unknowns) / runs as f64)
    };
    for (runs, unknowns, low, high) in
        [(50, 1, 0.6471, 1.4284), (50, 2, 1.4844, 2.5912), (50, 4, 3.2546, 4.8212), (1, 2, 0.0506, 7.3778)]
    {
        let [l, h] = region(runs, unknowns);
        close(l, low, 1e-4);
        close(h, high, 1e-4);
        // statrs as a second opinion on the quantile.
        let chi2 = statrs::distribution::ChiSquared::new((runs * unknowns) as f64).unwrap();
        use statrs::distribution::ContinuousCDF as _;
        close(chi2.inverse_cdf(0.025) / runs as f64, l, 1e-7);
        close(chi2.inverse_cdf(0.975) / runs as f64, h, 1e-7);
    }
}

#[test]
fn ends_of_the_scales_are_safe() {
    for dof in [0, 1, 2, 7, 48] {
        assert_eq!(chi2_tail(0.0, dof), 1.0);
        assert_eq!(chi2_tail(-1.0, dof), 1.0);
        assert_eq!(chi2_tail(1e300, dof), if dof == 0 { 1.0 } else { 0.0 });
        assert_eq!(chi2_quantile(1.0, dof), 0.0);
        assert!(!chi2_tail(f64::INFINITY, dof).is_nan());
    }
    assert_eq!(chi2_quantile(0.0, 3), f64::INFINITY);
    assert_eq!(chi2_quantile(f64::NAN, 3), f64::INFINITY);
}
