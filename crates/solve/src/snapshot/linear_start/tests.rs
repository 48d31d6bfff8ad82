//! Checks D10, D11, D12 (closed forms of two circles, own derivation: exact rationals), P6 and the linear
//! part of G11 (computed with NumPy and mpmath).
use hereabout_core::Dimension;

use super::*;
use crate::RangeObs;
use crate::math::least_squares::minimise;

const PLANE: Dimension = Dimension::TwoD { tag_height_m: 0.0 };

fn obs(anchors: &[[f64; 3]], ranges: &[f64]) -> Vec<RangeObs> {
    let pair = anchors.iter().zip(ranges);
    pair.map(|(&anchor_m, &range_m)| RangeObs { anchor_m, range_m, sigma_m: 0.1 }).collect()
}

/// Both intersections of two circles, by the closed form, and the squared half chord.
fn circles(a: [f64; 2], ra: f64, b: [f64; 2], rb: f64) -> (f64, [[f64; 3]; 2]) {
    let local_ranges = LocalRanges::<2>::new(&obs(&[[a[0], a[1], 0.0], [b[0], b[1], 0.0]], &[ra, rb]), PLANE);
    let linear = Linear::new(&local_ranges).unwrap();
    let start = linear_start(&local_ranges).unwrap();
    let mirror = start.mirror.unwrap();
    let other = crate::math::geometry::reflect(&start.at, &mirror.through, &mirror.normal);
    (linear.height2(&linear.foot()), [local_ranges.to_site(&start.at), local_ranges.to_site(&other)])
}

fn assert_points(found: [[f64; 3]; 2], wanted: [[f64; 2]; 2], tolerance: f64) {
    for w in wanted {
        let hit = found.iter().any(|f| (f[0] - w[0]).abs() <= tolerance && (f[1] - w[1]).abs() <= tolerance);
        assert!(hit, "{w:?} is not among {found:?}");
    }
}

#[test]
fn d10_d11_two_circles_meet_where_the_closed_form_says() {
    let (_, found) = circles([0.0, 0.0], 3.0, [5.0, 0.0], 4.0);
    assert_points(found, [[1.8, 2.4], [1.8, -2.4]], 1e-14);
    let (_, found) = circles([1.0, 2.0], 6.1, [9.0, 8.0], 5.2);
    let wanted = [[3.834567832030, 7.401409557293], [6.979032167970, 3.208790442707]];
    assert_points(found, wanted, 1e-11);
}

#[test]
fn d12_tangent_separate_and_contained_circles_show_in_the_squared_height() {
    let height2 = |ra, rb, apart| circles([0.0, 0.0], ra, [apart, 0.0], rb).0;
    assert!(height2(2.0, 3.0, 5.0).abs() < 1e-12);
    assert!((height2(2.0, 2.0, 5.0) + 2.25).abs() < 1e-12);
    // One inside the other: r 5 and 1, centres 1 apart.
    assert!((height2(5.0, 1.0, 1.0) + 131.25).abs() < 1e-12);
}

/// The golden and published numbers, as the integration tests read them.
fn numbers(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}

fn list(v: &serde_json::Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

fn rows(v: &serde_json::Value) -> Vec<[f64; 3]> {
    let pad = |r: Vec<f64>| [r[0], r[1], r.get(2).copied().unwrap_or(0.0)];
    v.as_array().unwrap().iter().map(|r| pad(list(r))).collect()
}

#[test]
fn p6_g11_unconstrained_linear_solution() {
    let golden = numbers(include_str!("../../../tests/data/golden_positions.json"));
    let flat = &golden["squared_range"]["2d"];
    let local_ranges = LocalRanges::<2>::new(&obs(&rows(&flat["anchors"]), &list(&flat["range_m"])), PLANE);
    let at = local_ranges.to_site(&linear_start(&local_ranges).unwrap().at);
    let wanted = list(&flat["unconstrained_linear"]);
    assert!((at[0] - wanted[0]).abs() < 1e-8 && (at[1] - wanted[1]).abs() < 1e-8, "{at:?}");

    // In space these anchors are thin, so the start itself takes the height from |x|²; its linear components
    // are the check.
    let published = numbers(include_str!("../../../tests/data/published_positions.json"));
    let b = &published["norrdine_b"];
    let full = &golden["squared_range"]["3d"];
    for (case, range, wanted, tolerance) in [
        (b, "range_corrected", list(&b["direct_linear"]), 1e-7),
        (full, "range_m", list(&full["unconstrained_linear"]), 1e-8),
    ] {
        let local_ranges =
            LocalRanges::<3>::new(&obs(&rows(&case["anchors"]), &list(&case[range])), Dimension::ThreeD);
        let linear = Linear::new(&local_ranges).unwrap();
        let at = linear.foot() + linear.axes.thin() * linear.component(2) + linear.mean;
        let at = local_ranges.to_site(&at);
        for k in 0..3 {
            assert!((at[k] - wanted[k]).abs() < tolerance, "{at:?} against {wanted:?}");
        }
    }
}

#[test]
fn g11_squared_range_least_squares_by_the_same_core() {
    // The global minimum of Σ(|x − a|² − r²)². Method: Beck, Stoica, Li, IEEE TSP 56(5) 2008 (from memory);
    // numbers by bisection on the trust-region equation and by multistart minimisation.
    let golden = numbers(include_str!("../../../tests/data/golden_positions.json"));
    fn squared_range<const D: usize>(case: &serde_json::Value) -> SVector<f64, D> {
        let (anchors, ranges) = (rows(&case["anchors"]), list(&case["range_m"]));
        let stop = crate::math::least_squares::Stop {
            iterations: 200,
            decrement: 1e-20,
            stalled: 1e-12,
            relative: true,
        };
        let start = SVector::from_fn(|k, _| anchors.iter().map(|a| a[k]).sum::<f64>() / anchors.len() as f64);
        let found = minimise(start, &stop, |x: &SVector<f64, D>| {
            let mut normal = crate::math::least_squares::Normal::zero();
            for (a, r) in anchors.iter().zip(&ranges) {
                let d = x - SVector::<f64, D>::from_fn(|k, _| a[k]);
                normal.add(&(d * 2.0), r * r - d.norm_squared());
            }
            normal
        });
        found.unwrap().at
    }
    let close = |found: &[f64], wanted: Vec<f64>| {
        for (f, w) in found.iter().zip(wanted) {
            assert!((f - w).abs() < 1e-8, "{found:?}");
        }
    };
    close(
        squared_range::<2>(&golden["squared_range"]["2d"]).as_slice(),
        list(&golden["squared_range"]["2d"]["x"]),
    );
    close(
        squared_range::<3>(&golden["squared_range"]["3d"]).as_slice(),
        list(&golden["squared_range"]["3d"]["x"]),
    );
}
