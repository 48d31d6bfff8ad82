//! A word within seconds, also for a tag that stands: does any place explain the last seconds at all?
//!
//! Each second is placed with lengths stretched threefold, so that offsets nobody measured (up to .45 m) and noise do not
//! count. Over the last eight seconds (at least five): **bad** when the mean of ln f is below −3, which two blocked anchors of
//! four do not reach in the plane (−4.2 without an anchor more than it takes), or when 15 % of the ranges are shorter by more than a metre than the best place allows, in most seconds (of seconds
//! with an anchor more than it takes).
//! **Good** when the mean is above −1.6 with less than 3 % too short for twelve seconds running. Between the two nothing changes.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{length, minus};
use hereabout_core::{Micros, Timestamp};

use super::density::WITHIN_M;
use super::keyframes::Keyframe;
use super::model::{Model, locate};
use super::stated_site::StatedSite;

const SECONDS: usize = 8;
const MIN_SECONDS: usize = 5;
const MAX_SPAN: Micros = Micros::from_millis(12_000);
const STRETCH_RATIO: f64 = 3.0;
/// Mean of ln f below which no place explains the ranges; without a spare anchor two that are blocked by many metres reach −3.9.
const MIN_MEAN_LN: f64 = -3.0;
const MIN_MEAN_LN_BARE: f64 = -4.2;

#[derive(Clone, Copy, Debug)]
struct Entry {
    at: Timestamp,
    ln: f64,
    too_short_share: f64,
    explained_share: f64,
    /// At least one anchor more than it takes to check a place.
    has_spare: bool,
}

/// What the last seconds of one tag say, newest last.
#[derive(Clone, Debug)]
pub(super) struct QuickCheck {
    last: ArrayVec<Entry, SECONDS>,
    /// Bad or good, once one of them was reached.
    pub(super) is_bad: Option<bool>,
    good_running: usize,
}

/// Good windows running that end a doubt.
const GOOD_RUNNING: usize = 12;

impl QuickCheck {
    pub(super) fn new() -> QuickCheck {
        QuickCheck { last: ArrayVec::new(), is_bad: None, good_running: 0 }
    }

    pub(super) fn clear(&mut self) {
        *self = QuickCheck::new();
    }

    /// Takes a second in, by a model without its offsets; whether bad turned good or the other way.
    pub(super) fn take(&mut self, site: &StatedSite, model: &Model, k: &Keyframe, noise_ratio: f64) -> bool {
        if k.heard.len() < site.d + 1 {
            return false;
        }
        let mut model = *model;
        model.stretch_ratio = STRETCH_RATIO * noise_ratio;
        let measured = model.distances(site, k);
        let Some(spot) = locate(site, &model, &measured) else { return false };
        let count = measured.heard.len() as f64;
        let within = WITHIN_M * model.stretch_ratio;
        let has_spare = measured.heard.len() >= site.d + 2;
        let mut e = Entry {
            at: k.at,
            ln: model.sum(site, &measured, &spot.at_m) / count,
            too_short_share: 0.0,
            explained_share: 0.0,
            has_spare,
        };
        for i in measured.heard.iter() {
            let r = measured.range_m[i] - length(minus(spot.at_m, model.at_m[i]));
            // Two NLOS ones among so few draw the place away, and then a third is too short.
            if has_spare {
                e.too_short_share += f64::from(u8::from(r <= -within)) / count;
            }
            e.explained_share += f64::from(u8::from(r.abs() < within)) / count;
        }
        self.last.retain(|old| k.at >= old.at && k.at.since(old.at) <= MAX_SPAN);
        if self.last.is_full() {
            self.last.remove(0);
        }
        self.last.push(e);
        self.judge()
    }

    fn judge(&mut self) -> bool {
        if self.last.len() < MIN_SECONDS {
            return false;
        }
        let most = self.last.iter().filter(|e| e.too_short_share > 0.0).count() * 5 >= self.last.len() * 3;
        let (ln, short) = (self.mean(|e| e.ln), self.too_short());
        let before = self.is_bad;
        let has_spare = self.last.iter().filter(|e| e.has_spare).count() * 2 > self.last.len();
        let least = if has_spare { MIN_MEAN_LN } else { MIN_MEAN_LN_BARE };
        if ln < least || (short >= 0.15 && most) {
            self.is_bad = Some(true);
        }
        let good = self.last.is_full() && ln > -1.6 && short < 0.03;
        self.good_running = if good { self.good_running + 1 } else { 0 };
        if self.good_running >= GOOD_RUNNING {
            self.is_bad = Some(false);
        }
        before.is_some() && before != self.is_bad
    }

    fn mean(&self, of: impl Fn(&Entry) -> f64) -> f64 {
        self.last.iter().map(of).sum::<f64>() / self.last.len().max(1) as f64
    }

    pub(super) fn too_short(&self) -> f64 {
        self.mean(|e| e.too_short_share)
    }

    pub(super) fn explained(&self) -> f64 {
        self.mean(|e| e.explained_share)
    }

    /// When the seconds that are looked at begin.
    pub(super) fn from(&self) -> Option<Timestamp> {
        self.last.first().map(|e| e.at)
    }
}
