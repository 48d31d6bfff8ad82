//! The density is a density, and responsibilities behave at the ends.

use super::*;

#[test]
fn good_and_nlos_integrate_to_their_shares() {
    for sigma_m in [0.02, 0.07, 0.3] {
        let m = Mixture { level_m: 0.0, sigma_m, nlos_share: 0.3, nlos_mean_m: 0.6 };
        let law = Law::new(&m);
        let step = 0.001;
        let tail: f64 = (-5_000..20_000).map(|i| law.tail(f64::from(i) * step) * step).sum();
        assert!((tail - 0.3 * (1.0 - FLOOR_SHARE)).abs() < 1e-6, "σ {sigma_m}: {tail}");
    }
}

#[test]
fn far_ranges_are_not_good_on_either_side() {
    let m = Mixture { level_m: 5.0, sigma_m: 0.07, nlos_share: 0.1, nlos_mean_m: 0.6 };
    assert!(m.judge()(5.0) > 0.99);
    for r in [-1e6, 0.1, 4.0, 6.0, 30.0, 1e6] {
        let p = m.judge()(r);
        assert!((0.0..1e-3).contains(&p), "{r}: {p}");
    }
}

#[test]
fn equal_values_settle_on_their_value() {
    let values = [3.25; 50];
    let m = Mixture::start(&values).unwrap().refine(&values, &[1.0; 50], 0.4, FINE_M);
    assert!((m.level_m - 3.25).abs() < 1e-12 && m.sigma_m <= 0.01, "{m:?}");
    assert_eq!(Mixture::start(&[]), None);
}
