//! What must hold for any input: symmetry of the problem, and no panic, no NaN, no invented covariance.
use hereabout_core::{Dimension, Fence, NoFixReason};
use hereabout_solve::{GateSettings, RangeObs, Solution, locate, plain_fix, radius95_m};
use proptest::prelude::*;

use crate::common::{PLANE, obs, open, place};

/// Eight anchors round a yard of 24 m × 14 m, heights from 0.5 to 4 m.
fn yard() -> impl Strategy<Value = Vec<[f64; 3]>> {
    let base = [[0., 0.], [24., 0.], [24., 14.], [0., 14.], [12., 0.], [24., 7.], [12., 14.], [0., 7.]];
    prop::collection::vec((-1.0..1.0f64, -1.0..1.0f64, 0.5..4.0f64), 8)
        .prop_map(move |d| (0..8).map(|i| [base[i][0] + d[i].0, base[i][1] + d[i].1, d[i].2]).collect())
}

/// Ranges from a place inside the yard, each with an error of at most 0.2 m.
fn epoch() -> impl Strategy<Value = Vec<RangeObs>> {
    let tag = (2.0..22.0f64, 2.0..12.0f64, 0.5..1.5f64);
    (yard(), tag, prop::collection::vec(-0.2..0.2f64, 8)).prop_map(|(anchors, t, e)| {
        let ranges: Vec<f64> =
            anchors.iter().zip(e).map(|(a, e)| distance(*a, [t.0, t.1, t.2]) + e).collect();
        obs(&anchors, &ranges, &[0.1])
    })
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]) * (a[k] - b[k])).sum::<f64>().sqrt()
}

/// Turns by `angle` about the vertical, mirrors east when asked, scales, then shifts.
#[derive(Clone, Copy, Debug)]
struct Motion {
    angle: f64,
    mirrored: bool,
    scale: f64,
    shift: [f64; 3],
}

impl Motion {
    fn apply(&self, p: [f64; 3]) -> [f64; 3] {
        let (s, c) = self.angle.sin_cos();
        let e = if self.mirrored { -p[0] } else { p[0] };
        let turned = [c * e - s * p[1], s * e + c * p[1], p[2]];
        std::array::from_fn(|k| turned[k] * self.scale + self.shift[k])
    }

    fn apply_to(&self, o: &RangeObs) -> RangeObs {
        RangeObs {
            anchor_m: self.apply(o.anchor_m),
            range_m: o.range_m * self.scale,
            sigma_m: o.sigma_m * self.scale,
        }
    }
}

fn motion() -> impl Strategy<Value = Motion> {
    (-3.2..3.2f64, any::<bool>(), 0.1..10.0f64, -500.0..500.0f64, -500.0..500.0f64, -50.0..50.0f64)
        .prop_map(|(angle, mirrored, scale, e, n, u)| Motion { angle, mirrored, scale, shift: [e, n, u] })
}

fn same_solution(a: &Solution, b: &Solution, m: &Motion, tolerance: f64) -> Result<(), TestCaseError> {
    prop_assert_eq!(a.reason(), b.reason());
    let (Some(a), Some(b)) = (a.fix(), b.fix()) else { return Ok(()) };
    let moved = m.apply(a.position_m);
    for (k, wanted) in moved.iter().enumerate() {
        prop_assert!(
            (b.position_m[k] - wanted).abs() < tolerance * m.scale,
            "{:?} {:?}",
            b.position_m,
            moved
        );
    }
    prop_assert!((a.chi2 - b.chi2).abs() < 1e-5 * (1.0 + a.chi2));
    let up = m.scale * m.scale * a.covariance_m2[2][2];
    prop_assert!((b.covariance_m2[2][2] - up).abs() <= 1e-5 * up);
    let used = |f: &hereabout_solve::Fix| f.residuals.iter().map(|r| r.used).collect::<Vec<_>>();
    prop_assert_eq!(used(a), used(b));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn moving_the_site_moves_the_answer(o in epoch(), m in motion()) {
        let there: Vec<RangeObs> = o.iter().map(|o| m.apply_to(o)).collect();
        same_solution(&place(&o, Dimension::ThreeD), &place(&there, Dimension::ThreeD), &m, 1e-6)?;
        let height = |h: f64| Dimension::TwoD { tag_height_m: h };
        let here = place(&o, height(1.0));
        same_solution(&here, &place(&there, height(m.scale + m.shift[2])), &m, 1e-6)?;
    }

    #[test]
    fn the_order_of_the_ranges_does_not_matter(o in epoch(), turn in 0usize..8) {
        let mut turned = o.clone();
        turned.rotate_left(turn);
        for dimension in [PLANE, Dimension::ThreeD] {
            let (a, b) = (place(&o, dimension), place(&turned, dimension));
            prop_assert_eq!(a.reason(), b.reason());
            if let (Some(a), Some(b)) = (a.fix(), b.fix()) {
                for k in 0..3 {
                    prop_assert!((a.position_m[k] - b.position_m[k]).abs() < 1e-6);
                }
                for k in 0..8 {
                    prop_assert_eq!(b.residuals[k].used, a.residuals[(k + turn) % 8].used);
                }
            }
        }
    }

    #[test]
    fn one_nlos_range_among_eight_never_moves_the_fix_unnoticed(
        mut o in epoch(),
        which in 0usize..8,
        nlos in 1.5..8.0f64,
    ) {
        o[which].range_m += nlos;
        if let Some(f) = place(&o, Dimension::TwoD { tag_height_m: 1.0 }).fix() {
            prop_assert!(!f.residuals[which].used, "NLOS by {nlos} and used: {f:?}");
        }
    }

    #[test]
    fn wild_input_gives_a_reason_or_a_sound_fix(
        o in wild_epoch(),
        three in any::<bool>(),
        h in wild_number(),
        fenced in any::<bool>(),
    ) {
        let dimension = if three { Dimension::ThreeD } else { Dimension::TwoD { tag_height_m: h } };
        let fence = if fenced {
            Fence { area_m: vec![[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]], up_span_m: Some([0.0, 2.0]) }
        } else {
            open()
        };
        for s in [locate(&o, dimension, &fence, &GateSettings::default()), plain_fix(&o, dimension, &fence)] {
            sound(&s, o.len(), dimension)?;
        }
    }
}

fn wild_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0..10.0f64,
        1 => prop::sample::select(vec![0.0, -1.0, 1e-320, 1e-9, 1e6, 1e9, 1e300, -1e300]),
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::NEG_INFINITY]),
        2 => prop::sample::select(vec![1.0, 2.0, 5.0]),
    ]
}

fn wild_epoch() -> impl Strategy<Value = Vec<RangeObs>> {
    let sigma = prop_oneof![4 => Just(0.1), 1 => 1e-4..1.0f64, 1 => wild_number()];
    let one = ([wild_number(), wild_number(), wild_number()], wild_number(), sigma)
        .prop_map(|(anchor_m, range_m, sigma_m)| RangeObs { anchor_m, range_m, sigma_m });
    prop::collection::vec(one, 0..20)
}

fn sound(s: &Solution, n: usize, dimension: Dimension) -> Result<(), TestCaseError> {
    let covariance = |c: &[[f64; 3]; 3]| {
        let d = dimension.unknowns();
        (0..3).all(|r| (0..3).all(|k| c[r][k].is_finite() && c[r][k] == c[k][r]))
            && (0..d).all(|r| c[r][r] > 0.0)
            && (d..3).all(|r| c[r] == [0.0; 3])
            && radius95_m(c, dimension).is_finite()
    };
    let residuals = match s {
        Solution::Fix(f) => {
            prop_assert!(f.position_m.iter().all(|c| c.is_finite()));
            prop_assert!(covariance(&f.covariance_m2), "{f:?}");
            prop_assert!(f.chi2.is_finite() && f.dop.hdop.is_finite());
            prop_assert_eq!(f.residuals.len(), n.min(16));
            prop_assert_eq!(f.residuals.iter().filter(|r| r.used).count(), f.dof + dimension.unknowns());
            prop_assert_eq!(f.checked, f.dof > 0);
            &f.residuals
        }
        Solution::NoFix { reason, candidates, residuals } => {
            prop_assert_eq!(candidates.len() == 2, *reason == NoFixReason::TwoPlaces);
            prop_assert!(candidates.iter().all(|c| covariance(&c.covariance_m2)));
            prop_assert!(residuals.iter().all(|r| !r.used));
            residuals
        }
    };
    for r in residuals {
        prop_assert!(r.residual_m.is_finite() && (0.0..=1.0).contains(&r.redundancy), "{r:?}");
        prop_assert!(r.standardised.is_none_or(f64::is_finite), "{r:?}");
        prop_assert!(!(r.used && r.rejected.is_some()));
    }
    Ok(())
}
