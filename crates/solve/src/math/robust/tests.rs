//! Checks of the robust statistics against certified and tabled values.

use super::*;

/// NIST/ITL Statistical Reference Datasets, univariate: NumAcc1, 3 and 4 (certified values from
/// memory, confirmed in exact rational arithmetic).
fn num_acc(first: f64, low: f64, high: f64) -> Vec<f64> {
    std::iter::once(first).chain((0..500).flat_map(|_| [low, high])).collect()
}

#[test]
fn num_acc_1_is_exact() {
    let data = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    let m = mean_sd(&data).unwrap();
    assert_eq!((m.mean, m.sd), (10_000_002.0, 1.0));
    assert_eq!(lag1_correlation(&data), Some(-0.5));
}

#[test]
fn num_acc_3_and_4_keep_their_digits() {
    let data = num_acc(1_000_000.2, 1_000_000.1, 1_000_000.3);
    let m = mean_sd(&data).unwrap();
    assert!((m.mean - 1_000_000.2).abs() < 1e-8 && (m.sd - 0.1).abs() < 1e-8 * 0.1 + 1e-9);
    assert!((lag1_correlation(&data).unwrap() + 0.999).abs() < 1e-8);
    let m = mean_sd(&num_acc(10_000_000.2, 10_000_000.1, 10_000_000.3)).unwrap();
    assert!((m.mean - 10_000_000.2).abs() < 1e-7 && (m.sd - 0.1).abs() < 1e-7);
}

#[test]
fn student_t_agrees_with_the_tables() {
    // Any table of Student's t at 0.975; dof 1 and 2 also in closed form (tan, √(2·0.95²/(1-0.95²))).
    let table = [
        (1.0, 12.706_204_736_2),
        (2.0, 4.302_652_729_75),
        (3.0, 3.182_446_305_3),
        (4.0, 2.776_445_105_2),
        (5.0, 2.570_581_835_6),
        (10.0, 2.228_138_852_0),
    ];
    for (dof, t) in table {
        assert!((student_t_975(dof) - t).abs() < 1e-9 * t, "{dof}: {}", student_t_975(dof));
    }
    assert!((student_t_975(1.0) - (std::f64::consts::PI * 0.475).tan()).abs() < 1e-9);
    assert!((student_t_975(1e7) - Z_975).abs() < 1e-6);
    assert_eq!(student_t_975(f64::INFINITY), Z_975);
}

#[test]
fn mad_is_scaled_to_a_normal_sigma() {
    // 1/Φ⁻¹(3/4), any normal table; the slice has a MAD of exactly 1 about 2.
    assert!((mad_sigma(&[1.0, 1.0, 2.0, 3.0, 3.0], 2.0).unwrap() - 1.482_602_218_505_602).abs() < 1e-15);
    // More than half of the values decide; one mad value does not.
    assert_eq!(mad_sigma(&[1.0, 1.0, 2.0, 3.0, 1e9], 2.0), Some(SIGMA_PER_MAD));
    assert_eq!(mad_sigma(&[], 0.0), None);
}

#[test]
fn half_sample_mode_sits_on_the_heap_and_not_on_the_tail() {
    let mut values: Vec<f64> = (0..60).map(|i| 5.0 + 0.001 * f64::from(i % 12)).collect();
    values.extend((0..40).map(|i| 5.3 + 0.05 * f64::from(i)));
    let mode = half_sample_mode(&values).unwrap();
    assert!((5.0..=5.012).contains(&mode), "{mode}");
    assert_eq!(half_sample_mode(&[]), None);
    assert_eq!(half_sample_mode(&[2.0]), Some(2.0));
    assert_eq!(half_sample_mode(&[1.0, 2.0, 2.5]), Some(2.25));
    assert_eq!(half_sample_mode(&[3.0; 9]), Some(3.0));
    // All bad input still ends.
    assert!(half_sample_mode(&[f64::NAN; 7]).unwrap().is_nan());
}

#[test]
fn block_spans_cover_everything_once() {
    for (n, blocks) in [(0, 12), (5, 12), (100, 12), (12, 12)] {
        let spans = block_spans(n, blocks);
        assert_eq!(spans.iter().map(ExactSizeIterator::len).sum::<usize>(), n);
        assert!(spans.windows(2).all(|w| w[0].end == w[1].start));
        assert_eq!(spans.len(), n.min(blocks));
    }
}

#[test]
fn correlated_blocks_get_a_larger_error() {
    let ramp: Vec<f64> = (0..12).map(f64::from).collect();
    let zigzag: Vec<f64> = (0..12).map(|i| f64::from(5 * i % 12)).collect();
    let (slow, quick) = (block_error(&ramp, 0.1, 0.0).unwrap(), block_error(&zigzag, 0.1, 0.0).unwrap());
    assert!((slow.plain_se - quick.plain_se).abs() < 1e-12, "same values, same plain error");
    assert_eq!(quick.correlation, 0.0);
    assert!(slow.se > 1.9 * quick.se);
    assert!((quick.se / quick.plain_se - 2.200_985_160_1 / Z_975).abs() < 1e-8, "Student's t, 11 dof");
    // What the single values' scatter explains is not taken for slow noise, however it is ordered.
    assert_eq!(block_error(&ramp, slow.plain_se, 0.5).unwrap().correlation, 0.0);
    // Blocks that spread far more than that are not believed to be independent.
    assert!((block_error(&zigzag, 0.0, 0.4).unwrap().correlation - 0.4).abs() < 1e-12);
    assert_eq!(block_error(&[1.0, 2.0, 3.0], 1.0, 0.0), None);
}
