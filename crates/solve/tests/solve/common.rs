//! Reading the check numbers, and small helpers of the solver's tests.
use hereabout_core::{Dimension, Fence};
use hereabout_solve::{Fix, GateSettings, RangeObs, Solution, locate};
use serde_json::Value;

/// 2D in the anchors' own plane.
pub(crate) const PLANE: Dimension = Dimension::TwoD { tag_height_m: 0.0 };

pub(crate) fn golden() -> Value {
    serde_json::from_str(include_str!("../data/golden_positions.json")).unwrap()
}

pub(crate) fn list(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

pub(crate) fn rows(v: &Value) -> Vec<[f64; 3]> {
    let pad = |r: Vec<f64>| [r[0], r[1], r.get(2).copied().unwrap_or(0.0)];
    v.as_array().unwrap().iter().map(|r| pad(list(r))).collect()
}

pub(crate) fn obs(anchors: &[[f64; 3]], ranges: &[f64], sigmas: &[f64]) -> Vec<RangeObs> {
    let pairs = anchors.iter().zip(ranges).enumerate();
    pairs
        .map(|(i, (&anchor_m, &range_m))| RangeObs { anchor_m, range_m, sigma_m: sigmas[i % sigmas.len()] })
        .collect()
}

pub(crate) fn open() -> Fence {
    Fence::default()
}

pub(crate) fn place(obs: &[RangeObs], dimension: Dimension) -> Solution {
    locate(obs, dimension, &open(), &GateSettings::default())
}

#[track_caller]
pub(crate) fn fix(solution: Solution) -> Fix {
    match solution {
        Solution::Fix(fix) => fix,
        Solution::NoFix { reason, .. } => panic!("no fix: {reason:?}"),
    }
}

#[track_caller]
pub(crate) fn close(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found} is not {wanted} within {tolerance}");
}

#[track_caller]
pub(crate) fn all_close(found: &[f64], wanted: &[f64], tolerance: f64) {
    for (f, w) in found.iter().zip(wanted) {
        assert!((f - w).abs() <= tolerance, "{found:?} is not {wanted:?} within {tolerance}");
    }
}
