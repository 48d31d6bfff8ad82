//! The running test: takes epochs in, does a bounded piece of work with each, keeps the answer.

use arrayvec::ArrayVec;
use hereabout_core::{Micros, Timestamp};

use super::check::{Check, Kind};
use super::density::{SIGMA_M, WITHIN_M};
use super::keyframes::{Keyframe, Keyframes, MAX_HEARD_TAGS, Noise, Second};
use super::model::Model;
use super::quick::QuickCheck;
use super::stated_site::StatedSite;
use super::verdict::{CheckResult, MIN_KEYFRAMES, judge};
use super::{Cause, FitAnswer, FitRange, FitSetup, SiteDoubt};

/// Looks at the density with each epoch; about .2 ms.
const BUDGET: usize = 14_000;
/// Between the starts of two checks, while there is doubt or nothing is known, and when all is well.
const PACE: Micros = Micros::from_millis(5_000);
const CALM_PACE: Micros = Micros::from_millis(20_000);
/// Checks running that must have said that it fits before a change is a change of the kit.
const MANY_FITS: usize = 3;
/// Keyframes under which a check is soon made again.
const YOUNG: usize = 24;
/// Keyframes with which a check overrules the quick doubt.
const ENOUGH_TO_OVERRULE: usize = 10;
/// How long tracks take to forget anchors that were excluded.
const SETTLES: Micros = Micros::from_millis(12_000);
/// Scales of two checks that differ by less are one.
const SAME_SCALE_RATIO: f64 = 0.02;
/// A gain that is clearly none.
const MAX_GAIN_OF_CLEAR_FIT_NATS: f64 = 6.0;

/// The running test; see the module.
#[derive(Clone, Debug)]
pub struct SiteFit {
    site: StatedSite,
    seconds: ArrayVec<Second, MAX_HEARD_TAGS>,
    keyframes: Keyframes,
    noise: Noise,
    quick: QuickCheck,
    /// The quick doubt was overruled by a check.
    quick_overruled: bool,
    /// The same by the hypothesis that was named.
    named_quick: QuickCheck,
    has_changed_back: bool,
    fits_running: usize,
    now: Timestamp,
    /// When the last name came that leaves the other anchors in use.
    excluded_at: Option<Timestamp>,
    check: Box<Check>,
    checking: bool,
    checked_version: u64,
    begun_at: Option<Timestamp>,
    last: Option<CheckResult>,
    named: Option<(Kind, SiteDoubt, Model)>,
    alarm: Option<SiteDoubt>,
    fits_share: Option<f64>,
    answer: FitAnswer,
}

impl SiteFit {
    /// Nothing heard yet. Makes all the memory that it will use, but for tags, which are met one by one.
    pub fn new(setup: FitSetup) -> SiteFit {
        let site = StatedSite::new(setup);
        let check = Box::new(Check::new(&site));
        SiteFit {
            site,
            seconds: ArrayVec::new(),
            keyframes: Keyframes::new(),
            noise: Noise::default(),
            quick: QuickCheck::new(),
            quick_overruled: false,
            named_quick: QuickCheck::new(),
            has_changed_back: false,
            fits_running: 0,
            now: Timestamp::MIN,
            excluded_at: None,
            check,
            checking: false,
            checked_version: 0,
            begun_at: None,
            last: None,
            named: None,
            alarm: None,
            fits_share: None,
            answer: FitAnswer::TooEarly { keyframes: 0, needed: MIN_KEYFRAMES },
        }
    }

    /// The site as it was handed to [`SiteFit::new`].
    pub fn setup(&self) -> &FitSetup {
        &self.site.setup
    }

    /// Takes in the fresh ranges of one epoch of a tag, by its index, and works on for a bounded while. Whether the answer has changed.
    pub fn take(&mut self, tag: usize, at: Timestamp, ranges: &[FitRange]) -> bool {
        self.now = at;
        let Some(slot) = self.slot(tag) else { return false };
        let needed = (self.site.d + 2).min(self.site.n);
        if let Some(k) = self.seconds[slot].take(slot, at, ranges, needed, &mut self.noise) {
            self.second(&k);
        }
        if !self.checking && self.is_due(at) {
            self.begin(at, false);
        }
        let mut left = BUDGET;
        while self.checking && left > 0 {
            left = left.saturating_sub(self.step().max(1));
        }
        self.refresh()
    }

    /// Forgets what was heard of a tag, whose index is free for another one.
    pub fn forget(&mut self, tag: usize) {
        if let Some(slot) = self.seconds.iter().position(|s| s.tag == tag) {
            self.keyframes.forget(slot);
            let _ = self.seconds[slot].close(slot);
            self.seconds[slot].tag = usize::MAX;
        }
    }

    /// Forgets everything that was heard.
    pub fn clear(&mut self) {
        *self = SiteFit::new(self.site.setup.clone());
    }

    /// Whether all that was heard has been weighed: without it [`SiteFit::take`] goes on with the work, a piece with each epoch.
    pub fn is_settled(&self) -> bool {
        !self.checking && (self.checked_version == self.keyframes.version || !self.may_check())
    }

    /// Works on until everything that was heard has been weighed: for captures, which have no next epoch.
    ///
    /// What one check says needs a second opinion; without a live run's next check, two thirds of the keyframes give it.
    pub fn settle(&mut self) {
        for slot in 0..self.seconds.len() {
            if let Some(k) = self.seconds[slot].close(slot) {
                self.second(&k);
            }
        }
        self.finish();
        if self.may_check() {
            let at = self.begun_at.unwrap_or(Timestamp::MIN);
            self.begin(at, true);
            self.finish();
            self.begin(at, false);
            self.finish();
        }
        self.refresh();
    }

    /// The newest answer; changes only when a check ends.
    pub fn answer(&self) -> FitAnswer {
        self.answer
    }

    /// Whether the newest check speaks against the site, though not yet twice or not clearly enough for a word. Nothing should
    /// rest on positions meanwhile; it lasts some seconds, and where it was nothing it costs no more than these.
    pub fn is_suspected(&self) -> bool {
        // What was wrong is still in the tracks for a while after it was excluded.
        let just_set_aside =
            self.excluded_at.is_some_and(|from| self.now >= from && self.now.since(from) < SETTLES);
        just_set_aside
            || match self.last {
                None => false,
                Some(CheckResult::Fits { gain_nats: gain, .. }) => gain >= MAX_GAIN_OF_CLEAR_FIT_NATS,
                Some(CheckResult::Alarm(_) | CheckResult::Named(..)) => {
                    !matches!(self.answer, FitAnswer::Doubted(_))
                }
            }
    }

    fn finish(&mut self) {
        while self.checking {
            self.step();
        }
    }

    /// The place where a tag's second is filled; `None` when there are more tags than are listened to.
    fn slot(&mut self, tag: usize) -> Option<usize> {
        if let Some(slot) = self.seconds.iter().position(|s| s.tag == tag) {
            return Some(slot);
        }
        if let Some(slot) = self.seconds.iter().position(|s| s.tag == usize::MAX) {
            self.seconds[slot].tag = tag;
            return Some(slot);
        }
        self.seconds.try_push(Second::new(tag)).ok()?;
        Some(self.seconds.len() - 1)
    }

    fn second(&mut self, k: &Keyframe) {
        let g = (self.noise.of_medians_m() / SIGMA_M).clamp(1.0, 5.0);
        if self.site.n <= self.site.d {
            return;
        }
        let stated = Model::stated(&self.site);
        if self.quick.take(&self.site, &stated, k, g) {
            self.quick_overruled = false;
            // It did fit for long and does no more: what was heard before says nothing of how it is now.
            if self.quick.is_bad == Some(true) && self.fits_running >= MANY_FITS {
                self.drop_before();
            }
        }
        if let Some((_, _, model)) = &self.named {
            self.named_quick.take(&self.site, model, k, g);
            // And the other way: the last seconds fit as stated, and not with what was named.
            let over = self.named_quick.is_bad == Some(true) && self.quick.is_bad == Some(false);
            if over && !self.has_changed_back {
                self.has_changed_back = true;
                self.drop_before();
            }
        }
        self.keyframes.keep(k, self.site.d + 1);
    }

    fn drop_before(&mut self) {
        if let Some(from) = self.quick.from() {
            self.keyframes.drop_before(from);
        }
        self.fits_running = 0;
    }

    fn may_check(&self) -> bool {
        let kept = self.keyframes.kept.len();
        kept >= MIN_KEYFRAMES || (kept > 0 && self.quick.is_bad == Some(true))
    }

    fn is_due(&self, at: Timestamp) -> bool {
        let clear = matches!(self.last, Some(CheckResult::Fits { gain_nats, .. }) if gain_nats < MAX_GAIN_OF_CLEAR_FIT_NATS);
        // A few keyframes fit many a site: their word is renewed soon.
        let young = self.check.frames.len() < YOUNG;
        let calm = self.named.is_none() && self.alarm.is_none() && clear && !young;
        let pace = if calm && self.quick.is_bad != Some(true) { CALM_PACE } else { PACE };
        self.may_check()
            && self.keyframes.version != self.checked_version
            && self.begun_at.is_none_or(|b| at.since(b) >= pace || at < b)
    }

    fn begin(&mut self, at: Timestamp, second_opinion: bool) {
        self.begun_at = Some(at);
        self.checked_version = self.keyframes.version;
        let named = self.named.map(|(kind, _, model)| (kind, model));
        self.check.begin(&self.site, &self.keyframes, &self.noise, second_opinion, named);
        self.checking = true;
    }

    fn step(&mut self) -> usize {
        let price = self.check.step(&self.site);
        if self.check.is_over() {
            self.checking = false;
            if let Some(verdict) = judge(&self.site, &self.check) {
                self.conclude(verdict);
            }
        }
        price
    }

    /// What a check says, against what the one before said.
    fn conclude(&mut self, now: CheckResult) {
        let before = self.last.replace(now);
        match now {
            CheckResult::Fits { explained_share: explained, gain_nats: gain } => {
                self.fits_share = Some(explained);
                self.fits_running += 1;
                let before_fits = matches!(before, Some(CheckResult::Fits { .. }));
                if before_fits || (self.named.is_none() && self.alarm.is_none()) {
                    self.alarm = None;
                    if before_fits && gain < MAX_GAIN_OF_CLEAR_FIT_NATS {
                        self.named = None;
                    }
                }
                self.quick_overruled = self.check.frames.len() >= ENOUGH_TO_OVERRULE;
            }
            CheckResult::Alarm(doubt) => {
                self.fits_running = 0;
                if before.is_some_and(|b| !matches!(b, CheckResult::Fits { .. })) {
                    self.alarm = Some(doubt);
                }
                self.quick_overruled = false;
            }
            CheckResult::Named(kind, doubt) => {
                self.fits_running = 0;
                match before {
                    Some(CheckResult::Named(k, d)) if k == kind && is_one_figure(&d, &doubt) => {
                        self.name(kind, doubt);
                    }
                    Some(CheckResult::Fits { .. }) | None => {}
                    _ => {
                        self.alarm =
                            Some(SiteDoubt { cause: None, explained_then_share: 0.0, alike: 0, ..doubt });
                    }
                }
                self.quick_overruled = false;
            }
        }
    }

    fn name(&mut self, kind: Kind, doubt: SiteDoubt) {
        if self.named.is_none_or(|(k, ..)| k != kind) {
            self.excluded_at = (!doubt.all).then_some(self.now);
            self.named_quick.clear();
            self.has_changed_back = false;
        }
        if let Some(best) = self.check.best() {
            let offsets = Model::stated(&self.site);
            let model = Model { offset_m: offsets.offset_m, excess_m: offsets.excess_m, ..best.model };
            self.named = Some((kind, doubt, model));
        }
    }

    /// Renews the answer; whether it changed.
    fn refresh(&mut self) -> bool {
        let quick = self.quick.is_bad == Some(true) && !self.quick_overruled;
        let answer = if let Some((_, doubt, _)) = self.named {
            FitAnswer::Doubted(doubt)
        } else if let Some(doubt) = self.alarm {
            FitAnswer::Doubted(SiteDoubt { all: doubt.all || quick, ..doubt })
        } else if quick {
            FitAnswer::Doubted(SiteDoubt {
                explained_share: self.quick.explained(),
                too_short_share: self.quick.too_short(),
                cause: None,
                explained_then_share: 0.0,
                alike: 0,
                within_m: 3.0 * WITHIN_M,
                all: true,
            })
        } else if let Some(explained) = self.fits_share {
            FitAnswer::Fits { explained_share: explained }
        } else {
            FitAnswer::TooEarly {
                keyframes: self.keyframes.kept.len().min(MIN_KEYFRAMES),
                needed: MIN_KEYFRAMES,
            }
        };
        let changed = answer != self.answer;
        self.answer = answer;
        changed
    }
}

/// Whether two checks mean one scale: its figure wanders while little was heard.
fn is_one_figure(a: &SiteDoubt, b: &SiteDoubt) -> bool {
    match (a.cause, b.cause) {
        (Some(Cause::Scale { factor: a }), Some(Cause::Scale { factor: b })) => {
            (a / b).ln().abs() < SAME_SCALE_RATIO
        }
        _ => true,
    }
}
