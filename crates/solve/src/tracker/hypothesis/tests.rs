//! Checks of the filter's pieces against published and independently computed numbers.

use super::*;

fn scalar(p0: f64, x0: f64) -> Hypothesis {
    // A standing tag whose east coordinate is the scalar state.
    let mut h = Hypothesis::blank(2);
    h.start(&[x0, 0.0, 0.0], &[p0, 0.0, 1.0, 0.0, 0.0, 0.0], 0.0, 1.0, 1);
    h
}

fn measure(h: &mut Hypothesis, z: f64, r: f64) {
    let (e, s) = (z - h.state[0], h.covariance[0] + r);
    h.update(&[1.0, 0.0, 0.0], None, e, s);
}

#[test]
fn scalar_constant_agrees_with_the_worked_example() {
    // Esme, "Kalman Filter for Dummies" (web): R = 0.1, P0 = 1, x0 = 0; limits as printed there.
    let z = [0.39, 0.50, 0.48, 0.29, 0.25, 0.32, 0.34, 0.48, 0.41, 0.45];
    let want = [
        0.354_545_45,
        0.423_809_52,
        0.441_935_48,
        0.404_878_05,
        0.374_509_80,
        0.365_573_77,
        0.361_971_83,
        0.376_543_21,
        0.380_219_78,
        0.387_128_71,
    ];
    let mut h = scalar(1.0, 0.0);
    for (z, want) in z.into_iter().zip(want) {
        measure(&mut h, z, 0.1);
        assert!((h.state[0] - want).abs() < 5e-9, "{} instead of {want}", h.state[0]);
    }
    assert!((h.covariance[0] - 0.009_900_990).abs() < 5e-9);
}

#[test]
fn falling_variance_agrees_with_the_building_height_example() {
    // Becker, kalmanfilter.net, building height: x0 = 60, P0 = 225, r = 25.
    let z = [49.03, 48.44, 55.21, 49.98, 50.6, 52.61, 45.87, 42.64, 48.26, 55.84];
    let mut h = scalar(225.0, 60.0);
    for (k, z) in z.into_iter().enumerate() {
        measure(&mut h, z, 25.0);
        match k {
            0 => assert!((h.state[0] - 50.1270).abs() < 1e-4),
            1 => assert!((h.state[0] - 49.3279).abs() < 1e-4),
            _ => {}
        }
    }
    assert!((h.state[0] - 49.9596).abs() < 1e-4 && (h.covariance[0] - 2.4725).abs() < 1e-4);
}

#[test]
fn creeping_constant_reaches_the_known_covariances() {
    // Parameters of Welch & Bishop TR 95-041 (from memory): Q = 1e-5, R = 0.01, P0 = 1; numbers by
    // independent recursion and the discrete Riccati equation.
    let mut h = scalar(1.0, 0.0);
    for k in 1..=2_000 {
        h.creep(1e-5);
        measure(&mut h, 0.0, 0.01);
        let want = match k {
            1 => 0.009_900_991_079,
            10 => 0.001_027_316_001,
            50 => 0.000_339_210_817_8,
            2_000 => 0.000_311_267_292,
            _ => continue,
        };
        assert!((h.covariance[0] / want - 1.0).abs() < 1e-8, "step {k}: {}", h.covariance[0]);
    }
}

#[test]
fn acceleration_noise_is_continuous_white_noise() {
    // Bar-Shalom, Li & Kirubarajan 2001, ch. 6 (from memory), T = 0.1, q = 1:
    // [[T³/3, T²/2], [T²/2, T]]; agrees with Van Loan's matrix exponential.
    let mut h = Hypothesis::blank(2);
    h.drift(0.1, 1.0);
    for axis in 0..2 {
        let (p, pv, v) = (
            h.covariance[at(axis, axis)],
            h.covariance[at(2 + axis, axis)],
            h.covariance[at(2 + axis, 2 + axis)],
        );
        assert!(
            (p - 3.333_333_333_3e-4).abs() < 1e-12 && (pv - 5e-3).abs() < 1e-15 && (v - 0.1).abs() < 1e-15
        );
    }
    assert_eq!((h.covariance[at(1, 0)], h.covariance[at(3, 0)], h.covariance[at(3, 2)]), (0.0, 0.0, 0.0));
}

/// `Λ = T²σ_w/σ_v`, then α, β of the steady α-β filter: Kalata 1984 (from memory); the values also by the discrete
/// Riccati equation to 1e-15.
const KALATA: [(f64, f64, f64); 4] = [
    (0.1, 0.36, 0.08),
    (0.5, 0.628_373_457_205, 0.304_805_898_399),
    (1.0, 0.75, 0.5),
    (2.0, 0.854_101_966_250, 0.763_932_022_500),
];

/// Discrete white-noise acceleration per axis: variance σ²·[T⁴/4, T³/2; T³/2, T²], the piecewise constant
/// acceleration that the α-β filter is stated for. The tracker itself takes continuous noise, so this one is the
/// test's own; everything else in the recursion is the tracker's.
fn add_piecewise_noise(h: &mut Hypothesis, t: f64, var: f64) {
    for axis in 0..2 {
        let v = 2 + axis;
        h.covariance[at(axis, axis)] += var * t * t * t * t / 4.0;
        h.covariance[at(v, axis)] += var * t * t * t / 2.0;
        h.covariance[at(v, v)] += var * t * t;
    }
}

/// The steady filter for a range along the east axis (linear there), with noise variance 1.
fn steady(t: f64, var: f64) -> Hypothesis {
    let mut h = Hypothesis::blank(2);
    h.start(&[0.0; 3], &[10.0, 0.0, 10.0, 0.0, 0.0, 0.0], 10.0, 1.0, 1);
    for _ in 0..2_000 {
        h.drift(t, 0.0);
        add_piecewise_noise(&mut h, t, var);
        measure(&mut h, 0.0, 1.0);
    }
    h
}

#[test]
fn steady_gains_are_those_of_the_alpha_beta_filter() {
    for t in [1.0, 0.1] {
        for (index, alpha, beta) in KALATA {
            let (x, half) = (index * index + 8.0 * index, index + 4.0);
            assert!((alpha + (x - half * x.sqrt()) / 8.0).abs() < 1e-11, "the closed form of Kalata");
            let mut h = steady(t, (index / (t * t)) * (index / (t * t)));
            // The gain on an innovation of one: what it moves place and velocity by.
            h.state = [0.0; MAX_STATE];
            h.drift(t, 0.0);
            add_piecewise_noise(&mut h, t, (index / (t * t)) * (index / (t * t)));
            measure(&mut h, 1.0, 1.0);
            assert!((h.state[0] - alpha).abs() < 1e-11, "Λ {index}: α {}", h.state[0]);
            assert!((h.state[2] * t - beta).abs() < 1e-11, "Λ {index}: β {}", h.state[2] * t);
        }
    }
}

#[test]
fn steady_covariance_is_that_of_the_alpha_beta_filter() {
    // P11 = α, P12 = β/T, P22 = β(α − β/2)/((1 − α)T²) in units of the noise variance (Bar-Shalom, Li & Kirubarajan
    // 2001, from memory; numbers by the discrete Riccati equation). For Λ = 0.1: 0.36, 0.08/T, 0.04/T².
    for t in [1.0, 0.1] {
        for (index, alpha, beta) in KALATA {
            let h = steady(t, (index / (t * t)) * (index / (t * t)));
            let (p, pv, v) =
                (h.covariance[at(0, 0)], h.covariance[at(2, 0)] * t, h.covariance[at(2, 2)] * t * t);
            let want_v = if index == 0.1 { 0.04 } else { beta * (alpha - 0.5 * beta) / (1.0 - alpha) };
            assert!((p - alpha).abs() < 1e-11 && (pv - beta).abs() < 1e-11, "Λ {index}: {p} {pv}");
            assert!((v - want_v).abs() < 1e-10, "Λ {index}: {v}, not {want_v}");
        }
    }
}

#[test]
fn piecewise_noise_of_the_tests_is_the_one_of_the_books() {
    // Bar-Shalom, Li & Kirubarajan 2001, ch. 6 (from memory), T = 0.1, σ² = 1; the same from filterpy.
    let mut h = Hypothesis::blank(2);
    add_piecewise_noise(&mut h, 0.1, 1.0);
    for axis in 0..2 {
        let (p, pv, v) = (
            h.covariance[at(axis, axis)],
            h.covariance[at(2 + axis, axis)],
            h.covariance[at(2 + axis, 2 + axis)],
        );
        assert!((p - 2.5e-5).abs() < 1e-15 && (pv - 5e-4).abs() < 1e-15 && (v - 1e-2).abs() < 1e-15);
    }
}

#[test]
fn four_sequential_ranges_agree_with_two_independent_filters() {
    // Own case computed with 40-digit arithmetic and with filterpy: x, P after prediction; four ranges with
    // σ = 0.1 from the corners of 12 × 9.
    let mut h = Hypothesis::blank(2);
    h.start(&[4.05, 2.98, 0.0], &[0.042_506_25, 0.0, 0.042_506_25, 0.0, 0.0, 0.0], 0.0, 1.0, 1);
    (h.state[2], h.state[3]) = (0.5, -0.2);
    for axis in 0..2 {
        h.covariance[at(2 + axis, axis)] = 0.025_125;
        h.covariance[at(2 + axis, 2 + axis)] = 0.2525;
    }
    let corners = [([0.0, 0.0], 5.10), ([12.0, 0.0], 8.40), ([12.0, 9.0], 9.80), ([0.0, 9.0], 7.30)];
    let nis = [0.098_154_870_961_8, 0.080_843_740_0, 0.665_049_561_2, 0.024_388_946_2];
    for ((corner, z), nis) in corners.into_iter().zip(nis) {
        let (dx, dy) = (h.state[0] - corner[0], h.state[1] - corner[1]);
        let n = (dx * dx + dy * dy).sqrt();
        let u = [dx / n, dy / n, 0.0];
        let s = crate::math::small_matrix::quad(&h.place_cov(), 2, &u) + 0.01;
        let e = z - n;
        assert!((e * e / s - nis).abs() < 1e-9, "NIS {} instead of {nis}", e * e / s);
        h.update(&u, None, e, s);
    }
    let want = [4.160_166_504_867_09, 3.014_341_570_141_3, 0.565_118_269_308_294, -0.179_701_056_908_097];
    for (x, want) in h.state.iter().zip(want) {
        assert!((x - want).abs() < 1e-12);
    }
    let last = [0.003_704_529_427_170_03, -0.000_333_722_299_519_853, 0.005_722_025_537_756_56];
    for (p, want) in h.covariance.iter().zip(last) {
        assert!((p - want).abs() < 1e-14);
    }
}

/// Two NLOS anchors whose delays are correlated with the place.
fn with_delays(order: [usize; 2]) -> Hypothesis {
    let mut h = Hypothesis::blank(2);
    h.start(&[4.0, 3.0, 0.0], &[0.04, 0.01, 0.05, 0.0, 0.0, 0.0], 0.5, 1.0, 1);
    h.drift(0.1, 0.2);
    for anchor in order {
        h.add_bias(anchor, 0.5 + anchor as f64, 0.6);
    }
    for anchor in [5, 2] {
        let row = h.bias_row(anchor).unwrap();
        let u = if anchor == 2 { [0.6, 0.8, 0.0] } else { [1.0, 0.0, 0.0] };
        let s = crate::math::small_matrix::quad(&h.place_cov(), 2, &u)
            + 2.0 * h.cross(&u, row)
            + h.covariance[at(row, row)]
            + 0.01;
        h.update(&u, Some(row), 0.1, s);
    }
    h
}

#[test]
fn dropping_a_delay_leaves_everything_else_as_it_was() {
    let before = with_delays([2, 5]);
    let mut after = before.clone();
    after.drop_bias(2);
    assert_eq!((after.rows, after.nlos.bits(), after.bias_row(2)), (5, 1 << 5, None));
    let (old, new) = (before.bias_row(5).unwrap(), after.bias_row(5).unwrap());
    assert_eq!(before.state[old], after.state[new]);
    for i in 0..4 {
        assert_eq!(before.covariance[at(old, i)], after.covariance[at(new, i)]);
        assert_eq!(before.state[i], after.state[i]);
    }
    after.drop_bias(7);
    assert_eq!(after.rows, 5);
}

#[test]
fn the_order_of_delays_does_not_matter_to_a_merge() {
    let mut a = with_delays([2, 5]);
    let b = with_delays([5, 2]);
    let row = |h: &Hypothesis, anchor| h.bias_row(anchor).unwrap();
    a.weight = 0.25;
    let before = a.clone();
    a.merge(&b);
    assert!((a.weight - 1.25).abs() < 1e-15);
    for anchor in [2, 5] {
        assert!((a.state[row(&a, anchor)] - before.state[row(&before, anchor)]).abs() < 1e-12);
        assert!(
            (a.covariance[at(row(&a, anchor), 0)] - before.covariance[at(row(&before, anchor), 0)]).abs()
                < 1e-12
        );
    }
}

#[test]
fn a_merge_keeps_mean_and_spread_of_the_mixture() {
    // Two points of weight 1/4 and 3/4, one metre apart: variance 3/16 more.
    let mut a = scalar(0.01, 0.0);
    let mut b = scalar(0.01, 1.0);
    (a.weight, b.weight) = (0.25, 0.75);
    a.merge(&b);
    assert!((a.state[0] - 0.75).abs() < 1e-15 && (a.covariance[0] - (0.01 + 3.0 / 16.0)).abs() < 1e-15);
}

#[test]
fn a_standing_tag_has_no_velocity_and_sets_off_with_an_unknown_one() {
    let mut h = with_delays([2, 5]);
    h.stop();
    for v in 2..4 {
        assert_eq!(h.state[v], 0.0);
        assert!((0..h.rows).all(|j| h.covariance[at(v, j)] == 0.0));
    }
    h.set_off(0.4);
    assert!((h.covariance[at(2, 2)] - 0.16).abs() < 1e-15 && h.moving);
}
