//! Where one anchor could stand, by the track that the others give.
//!
//! With the tag's places p_k known and the anchor's ranges z_k, start points are the crossings of circles around pairs of
//! tag places (spheres around triples in 3D); the one with the highest Σ ln f is taken on. Heights are tried from 4 m below
//! to 4 m above the stated one.

use super::keyframes::{Keyframe, MAX_KEYFRAMES};
use super::model::{Model, flat_m};
use super::spheres::{circles, spheres};
use super::stated_site::StatedSite;
use hereabout_core::geometry::vector::{length, minus};

/// Crossings that are tried.
const CROSSINGS: usize = 48;
/// Step and number of heights on each side.
const UP_STEP_M: f64 = 0.2;
const UP_STEPS: i32 = 20;

/// A track and the ranges of one anchor.
#[derive(Clone, Copy, Debug)]
pub(super) struct AnchorSearch<'a> {
    pub(super) site: &'a StatedSite,
    /// The model that made the track.
    pub(super) model: &'a Model,
    pub(super) frames: &'a [Keyframe],
    pub(super) spots_m: &'a [[f64; 3]; MAX_KEYFRAMES],
    pub(super) anchor: usize,
}

impl AnchorSearch<'_> {
    /// The best place and its Σ ln f; crossings `from..to` of [`AnchorSearch::crossings`].
    pub(super) fn seek(&self, from: usize, to: usize, best_m_nats: &mut Option<([f64; 3], f64)>) {
        let count = self.frames.len();
        if count < 3 {
            return;
        }
        for c in from..to {
            let a = c % count;
            let b = (a + 1 + c / count * 5 + count / 3) % count;
            let e = (b + 1 + count / 4) % count;
            self.cross(a, b, e, &mut |at_m| {
                let score = self.score(&at_m);
                if at_m.iter().all(|v| v.is_finite()) && best_m_nats.is_none_or(|(_, s)| score > s) {
                    *best_m_nats = Some((at_m, score));
                }
            });
        }
    }

    pub(super) fn crossings(&self) -> usize {
        CROSSINGS
    }

    /// The height at which the ranges fit best.
    pub(super) fn seek_up(&self) -> f64 {
        let stated = self.model.at_m[self.anchor];
        let at = |step: i32| [stated[0], stated[1], stated[2] + UP_STEP_M * f64::from(step)];
        let best = (-UP_STEPS..=UP_STEPS)
            .map(|s| (s, self.score(&at(s))))
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().cmp(&a.0.abs())));
        at(best.map_or(0, |(s, _)| s))[2]
    }

    fn cross(&self, a: usize, b: usize, e: usize, offer: &mut impl FnMut([f64; 3])) {
        let Some([ra, rb, re]) = self.ranges([a, b, e]) else { return };
        let [pa, pb, pe] = [a, b, e].map(|k| self.spots_m[k]);
        if self.site.d == 3 {
            if let Some(both) = spheres([pa, pb, pe], [ra, rb, re]) {
                both.into_iter().for_each(offer);
            }
            return;
        }
        let up = self.model.at_m[self.anchor][2];
        let flat = |r: f64| flat_m(r, up - self.model.up_m);
        if let Some(both) = circles([pa[0], pa[1]], flat(ra), [pb[0], pb[1]], flat(rb)) {
            both.into_iter().for_each(|p| offer([p[0], p[1], up]));
        }
    }

    fn ranges(&self, ks: [usize; 3]) -> Option<[f64; 3]> {
        let r = ks.map(|k| self.range(k));
        r.iter().all(|v| v.is_finite()).then_some(r)
    }

    /// The distance of keyframe `k`; NaN when the anchor was not heard.
    fn range(&self, k: usize) -> f64 {
        if !self.frames[k].heard.contains(self.anchor) {
            return f64::NAN;
        }
        let mut everyone = *self.model;
        everyone.used = [self.anchor].into_iter().collect();
        everyone.distances(self.site, &self.frames[k]).range_m[self.anchor]
    }

    fn score(&self, at_m: &[f64; 3]) -> f64 {
        let m = self.model;
        let i = self.anchor;
        let own = self.site.offset_m[i];
        let mut sum = 0.0;
        for (k, spot) in self.frames.iter().zip(self.spots_m) {
            if k.heard.contains(i) {
                let measured = (m.factor * k.raw_m[i] - own) / self.site.scale[i] - m.tag_offset_m[k.tag];
                sum += self.site.density.ln(measured - length(minus(*spot, *at_m)), 1.5 * m.stretch_ratio);
            }
        }
        sum
    }
}
