//! Under which exchanges of its anchors a site looks the same from inside.
//!
//! Ranges can't tell a layout from a turned or mirrored one. An order of the fields that maps a site onto itself, all
//! distances between anchors within [`SAME_M`], fits as well as the true one, until a known spot or a fence decides. In 2D the
//! height of an anchor over the tag counts as well: a high anchor and a low one can't stand for each other.

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS};

use crate::small_matrix::{length, minus};

/// Distances that differ by less are the same, metres.
pub const SAME_M: f64 = 0.3;
/// More are not listed: a site of sixteen anchors in one place has more than anybody wants to read.
const MOST: usize = 1_000;
/// Branches that are tried.
const MOST_TRIES: usize = 200_000;

/// Whether the site looks the same, by all distances, when anchor `i` stands for anchor `to[i]`.
pub fn is_congruent(anchors_m: &[[f64; 3]], dimension: Dimension, to: &[u8]) -> bool {
    let n = anchors_m.len();
    to.len() >= n
        && to[..n].iter().all(|&i| usize::from(i) < n)
        && (0..n).all(|i| fits_so_far(anchors_m, dimension, &to[..i], usize::from(to[i])))
}

/// All exchanges other than none under which the site looks the same; see the module. Each says for anchor `i` which one it
/// stands for.
pub fn congruences(anchors_m: &[[f64; 3]], dimension: Dimension) -> Vec<ArrayVec<u8, MAX_ANCHORS>> {
    let mut out = Vec::new();
    let anchors_m = &anchors_m[..anchors_m.len().min(MAX_ANCHORS)];
    if anchors_m.len() < 2 || anchors_m.iter().flatten().any(|v| !v.is_finite()) {
        return out;
    }
    let mut tries = 0;
    extend(anchors_m, dimension, &mut ArrayVec::new(), &mut tries, &mut out);
    out.retain(|p| p.iter().enumerate().any(|(i, &to)| usize::from(to) != i));
    out
}

fn extend(
    anchors_m: &[[f64; 3]],
    dimension: Dimension,
    to: &mut ArrayVec<u8, MAX_ANCHORS>,
    tries: &mut usize,
    out: &mut Vec<ArrayVec<u8, MAX_ANCHORS>>,
) {
    if to.len() == anchors_m.len() {
        out.push(to.clone());
        return;
    }
    for next in 0..anchors_m.len() {
        *tries += 1;
        if *tries > MOST_TRIES || out.len() > MOST {
            return;
        }
        if !to.contains(&(next as u8)) && fits_so_far(anchors_m, dimension, to, next) {
            to.push(next as u8);
            extend(anchors_m, dimension, to, tries, out);
            to.pop();
        }
    }
}

/// Whether the next anchor can stand for `next` when those before stand for `to`.
fn fits_so_far(anchors_m: &[[f64; 3]], dimension: Dimension, to: &[u8], next: usize) -> bool {
    let i = to.len();
    let apart = |a: usize, b: usize| length(&minus(&anchors_m[a], &anchors_m[b]));
    if let Dimension::TwoD { tag_height_m } = dimension {
        let over = |a: usize| (anchors_m[a][2] - tag_height_m).abs();
        if (over(i) - over(next)).abs() > SAME_M {
            return false;
        }
        let flat = |a: usize, b: usize| {
            let v = minus(&anchors_m[a], &anchors_m[b]);
            (v[0] * v[0] + v[1] * v[1]).sqrt()
        };
        return to.iter().enumerate().all(|(j, &t)| {
            usize::from(t) != next && (flat(i, j) - flat(next, usize::from(t))).abs() <= SAME_M
        });
    }
    to.iter()
        .enumerate()
        .all(|(j, &t)| usize::from(t) != next && (apart(i, j) - apart(next, usize::from(t))).abs() <= SAME_M)
}
