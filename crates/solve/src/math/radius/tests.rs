use super::*;

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.0 };

fn diagonal(a: f64, b: f64, c: f64) -> [[f64; 3]; 3] {
    [[a * a, 0.0, 0.0], [0.0, b * b, 0.0], [0.0, 0.0, c * c]]
}

/// Q13 and `cep_elliptic.csv`: polar and two-dimensional quadrature in SciPy, ten digits.
#[test]
fn circles_hold_what_they_should_of_an_elliptical_gaussian() {
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../../../tests/data/cep_elliptic.csv")[..]).records()
    {
        let row: Vec<f64> = row.unwrap().iter().map(|v| v.parse().unwrap()).collect();
        let c = diagonal(1.0, row[0], 0.0);
        for (p, wanted) in [(0.5, row[1]), (0.9, row[2]), (0.95, row[3])] {
            let found = probability_radius(&c, FLAT, p);
            assert!((found - wanted).abs() < 1e-8, "ratio {}, p {p}: {found}, not {wanted}", row[0]);
        }
        let within = 1.0 - probability_beyond(&c, FLAT, row[6]).unwrap();
        assert!((within - row[7]).abs() < 1e-7, "{within} within twice the drms");
        rows += 1;
    }
    assert_eq!(rows, 11);
    // Q13, more digits.
    assert!((probability_radius(&diagonal(1.0, 0.5, 0.0), FLAT, 0.5) - 0.8704174282).abs() < 1e-8);
}

/// Q8, Q9, Q10, Q11: closed forms (Rayleigh, √χ²), as in the National Academies' table.
#[test]
fn round_errors_have_the_closed_forms() {
    let one = diagonal(1.0, 1.0, 1.0);
    let q8 = [(0.5, 1.17741002252), (0.9, 2.14596602629), (0.95, 2.44774683068), (0.99, 3.03485425877)];
    for (p, wanted) in q8.into_iter().chain([(0.999, 3.71692218885)]) {
        assert!((ellipse_factor(FLAT, p) - wanted).abs() < 1e-10);
        assert!((probability_radius(&one, FLAT, p) - wanted).abs() < 1e-10);
    }
    for (p, wanted) in
        [(0.5, 1.53817225446), (0.9, 2.50027771081), (0.95, 2.79548348292), (0.99, 3.36821417522)]
    {
        assert!((ellipse_factor(Dimension::ThreeD, p) - wanted).abs() < 1e-10);
        assert!((probability_radius(&one, Dimension::ThreeD, p) - wanted).abs() < 1e-9);
    }
    let within = |d, r| 1.0 - probability_beyond(&one, d, r).unwrap();
    assert!((within(FLAT, 1.0) - 0.3934693403).abs() < 1e-9);
    assert!((within(Dimension::ThreeD, 1.0) - 0.1987480431).abs() < 1e-9);
    assert!((within(FLAT, 2f64.sqrt()) - 0.6321205588).abs() < 1e-9);
    assert!((within(FLAT, 8f64.sqrt()) - 0.9816843611).abs() < 1e-9);
}

/// Q11, Q12, Q14: the rules of thumb of the trade against the exact radii. 2DRMS is 2.402 CEP, CEP is 0.589(σx + σy) and
/// SEP 0.513(σx + σy + σz) for round errors (NRC, "The Global Positioning System: A Shared National Asset", 1995,
/// accuracy appendix); the median of Rayleigh's distribution is √(2 ln 2), of the rule's error Q13 says up to 2.05 % for
/// axes of at least 1 : 5.
#[test]
fn rules_of_thumb_hold_as_well_as_the_handbook_says() {
    let one = diagonal(1.0, 1.0, 1.0);
    let cep = probability_radius(&one, FLAT, 0.5);
    assert!((8f64.sqrt() / cep - 2.402244818).abs() < 1e-9);
    assert!((cep - (2.0 * 2f64.ln()).sqrt()).abs() < 1e-12 && (cep / (0.589 * 2.0) - 1.0).abs() < 1e-3);
    let sep = probability_radius(&one, Dimension::ThreeD, 0.5);
    assert!((sep / (0.513 * 3.0) - 1.0).abs() < 1e-3);
    let error = |b: f64| 0.5887 * (1.0 + b) / probability_radius(&diagonal(1.0, b, 0.0), FLAT, 0.5) - 1.0;
    assert!((error(0.5) - 0.0145).abs() < 5e-5, "{}", error(0.5));
    for b in [0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.9, 1.0] {
        assert!(error(b).abs() < 0.0206, "{b}: {}", error(b));
    }
    assert!((error(0.1) + 0.050).abs() < 1e-3, "{}", error(0.1));
}

/// The limits between the dimensions: a flat ellipsoid is an ellipse, a needle is the one-dimensional normal.
#[test]
fn flat_and_thin_errors_reach_their_limits() {
    for b in [1.0, 0.6, 0.2] {
        let flat = probability_radius(&diagonal(1.0, b, 1e-7), Dimension::ThreeD, 0.95);
        let disc = probability_radius(&diagonal(1.0, b, 0.0), FLAT, 0.95);
        assert!((flat - disc).abs() < 1e-7, "{flat} {disc}");
    }
    // z(0.975), any table.
    let needle = probability_radius(&diagonal(1.0, 0.0, 0.0), FLAT, 0.95);
    assert!((needle - 1.95996398454).abs() < 1e-4, "{needle}");
    let needle = probability_radius(&diagonal(1e-3, 0.0, 3.0), Dimension::ThreeD, 0.95);
    assert!((needle / 3.0 - 1.95996398454).abs() < 1e-4, "{needle}");
}

/// The number of nodes is enough: a much finer rule changes nothing that the module's text does not admit.
#[test]
fn the_quadrature_is_as_good_as_its_text_says() {
    for (b, limit) in [
        (1.0, 1e-12),
        (0.7, 1e-9),
        (0.5, 1e-9),
        (0.3, 1e-9),
        (0.2, 1e-9),
        (0.1, 1e-9),
        (0.03, 1e-4),
        (0.001, 1e-4),
        (0.0, 1e-4),
    ] {
        for c in [0.0, 0.5 * b, b] {
            for r in [0.3, 1.0, 2.0, 3.0] {
                let coarse = tail_and_slope(r, b, c, nodes(b)).0;
                let fine = tail_and_slope(r, b, c, 64 * NODES).0;
                assert!((coarse - fine).abs() < limit, "b {b} c {c} r {r}: {coarse} {fine}");
            }
        }
    }
}

/// A sphere against a count: seeded samples of a three-dimensional Gaussian.
#[test]
fn the_sphere_holds_the_share_of_samples_it_should() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    let sigma = [0.3, 0.7, 1.9];
    let radius = radius95_m(&diagonal(sigma[0], sigma[1], sigma[2]), Dimension::ThreeD);
    let n = 100_000;
    let inside = (0..n)
        .filter(|_| {
            let e = sigma.map(|s| s * Distribution::<f64>::sample(&StandardNormal, &mut random));
            e.iter().map(|v| v * v).sum::<f64>() <= radius * radius
        })
        .count();
    // Binomial: 95 000 ± 4 × 69.
    assert!((94_724..=95_276).contains(&inside), "{inside}");
}

#[test]
fn the_ellipse_has_its_axes_and_direction() {
    let (s, c) = 0.5f64.sin_cos();
    let turned = [[4.0 * c * c + s * s, 3.0 * s * c, 9.0], [3.0 * s * c, 4.0 * s * s + c * c, 9.0], [9.0; 3]];
    let e = ellipse(&turned).unwrap();
    assert!((e.semi_major_m - 2.0).abs() < 1e-14 && (e.semi_minor_m - 1.0).abs() < 1e-14);
    assert!((e.direction_rad - 0.5).abs() < 1e-14);
    assert_eq!(ellipse(&diagonal(1.0, 2.0, 0.0)).unwrap().direction_rad, FRAC_PI_2);
}

#[test]
fn what_is_no_covariance_gives_no_picture() {
    let mut c = diagonal(1.0, 1.0, 1.0);
    c[0][1] = f64::NAN;
    assert_eq!(radius95_m(&c, FLAT), f64::INFINITY);
    assert_eq!(ellipse(&c), None);
    assert_eq!(probability_beyond(&c, FLAT, 1.0), None);
    assert_eq!(radius95_m(&diagonal(0.0, 0.0, 0.0), FLAT), 0.0);
    let one = diagonal(1.0, 1.0, 1.0);
    assert_eq!(probability_radius(&one, FLAT, 0.0), 0.0);
    assert_eq!(probability_radius(&one, FLAT, 1.0), f64::INFINITY);
    assert_eq!(probability_radius(&one, FLAT, f64::NAN), f64::INFINITY);
}
