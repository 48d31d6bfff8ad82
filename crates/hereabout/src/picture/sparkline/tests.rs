//! Tests of `sparkline`.

use super::*;

#[test]
fn a_ramp_climbs_and_a_gap_is_blank() {
    let ramp: Vec<Option<f64>> = (0..8).map(|i| Some(f64::from(i))).collect();
    assert_eq!(sparkline(&ramp, 8, 1.0), "▁▂▃▄▅▆▇█");
    let mut gap = ramp.clone();
    gap[3] = None;
    assert_eq!(sparkline(&gap, 8, 1.0), "▁▂▃ ▅▆▇█");
}

#[test]
fn noise_below_the_least_span_stays_in_the_middle() {
    let noise: Vec<Option<f64>> = (0..20).map(|i| Some(5.0 + 0.05 * f64::from(i % 2))).collect();
    assert!(sparkline(&noise, 20, 1.0).chars().all(|c| "▄▅".contains(c)));
}

#[test]
fn every_width_is_filled_exactly() {
    let values: Vec<Option<f64>> = (0..60).map(|i| (i % 7 != 0).then_some(f64::from(i))).collect();
    for width in 0..130 {
        assert_eq!(sparkline(&values, width, 1.0).chars().count(), width);
    }
    assert_eq!(sparkline(&[], 4, 1.0), "    ");
    assert_eq!(sparkline(&[None; 60], 4, 1.0), "    ");
    assert_eq!(sparkline(&[Some(f64::MAX), Some(f64::MIN)], 2, 1.0).chars().count(), 2);
}
