use super::*;

#[track_caller]
fn close(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found} is not {wanted}");
}

/// R1, R2: Baarda 1968 prints 3.29, 4.13 and 17.07; more digits with SciPy and mpmath.
#[test]
fn r1_r2_critical_values_and_noncentrality() {
    let at = |alpha_local| GateSettings { alpha_local, ..GateSettings::default() };
    let baarda = GateSettings::default();
    close(baarda.critical(), 3.29052673149, 1e-10);
    close(baarda.noncentrality(0.8), 4.13214796506, 1e-10);
    close(baarda.noncentrality(0.8) * baarda.noncentrality(0.8), 17.0746468052, 1e-9);
    close(at(0.01).noncentrality(0.8), 3.4174505, 1e-7);
    close(at(0.05).noncentrality(0.8), 2.8015852, 1e-7);
    close(baarda.noncentrality(0.9), 4.5720783, 1e-7);
}

/// R3: the smallest detectable error on a ring of eight, r = 0.75 (2D) and 0.625 (3D).
#[test]
fn r3_smallest_detectable_error() {
    let baarda = GateSettings::default();
    close(baarda.detectable_m(1.0, 0.75, 0.8), 4.7713935, 1e-7);
    close(baarda.detectable_m(1.0, 0.625, 0.8), 5.2267997, 1e-7);
    assert_eq!(baarda.detectable_m(1.0, 0.0, 0.8), f64::INFINITY);
}

/// The odds of twenty to one in the module's text, and the level at which two places count as apart.
#[test]
fn constants_are_what_their_text_says() {
    close(FAULTS_APART_CHI2, 2.0 * 20f64.ln(), 1e-15);
    // Q1: NIST/SEMATECH e-Handbook prints 10.828.
    close(MINIMA_APART_CHI2, 10.8275661707, 1e-10);
}
