//! Which anchor has moved, or reads otherwise than its calibration says, from ranges alone.
//!
//! **Data.** Against a published path a range gives a residual. While the tag drives, one *datum* is made per
//! [`STEP_M`] of travel (metres count, not seconds: a standing tag tells nothing new): for every anchor the median of
//! its last second of residuals, corrected for what is usual at that spot (`baseline`) and for what all ranges
//! of the tag have in common; and from these, for every anchor, the shift of the path that the *others* agree on
//! (`window`). The anchor's datum e is its median against that place. It counts only where dimension + 1 others are
//! trusted and the prediction is good to `PREDICTED_M`.
//!
//! This takes the place of a tracker per anchor that never uses it. The difference of two paths over a second is one
//! shift, so a least-squares step on the medians gives the leave-one-out residual at a hundredth of the cost.
//! The tags' data are pooled: an anchor that has moved has moved for all of them.
//!
//! **Tests.** Every `EVERY` data (7 m) the newest `DATA` (84 m) of each anchor are fitted by three hypotheses
//! (`hypotheses`). The *gain* is the log-likelihood of the better one of "offset changed" and "moved" over "unchanged". An
//! anchor is suspect after `SUSPECT_RUN` evaluation with a gain of `MIN_SUSPECT_GAIN_NATS` and a size of `SIZE_M`, an alarm after
//! `ALARM_RUN` with `MIN_ALARM_GAIN_NATS`; among few anchors later (`MIN_ALARM_GAIN_OF_FEW_NATS`).
//!
//! **Naming.** An alarm brings all data together for fault isolation (`isolation`, `joint`): the hypotheses about each anchor, the tag's
//! height and a scale are fitted with every offset as open as its calibration leaves it. An anchor is named when its hypothesis
//! beats "nobody", what concerns all anchors, and every other anchor's, running; with less where the single tests point at it
//! as well: the anchor with the largest gain is also the one without which all the others fit best. Otherwise the answer
//! is "one of these", or nothing. With dimension + 2 anchors or fewer nobody is named. A named anchor leaves the common solution, so
//! that it cannot stain the others; what was measured with it is forgotten for them. It is well again after
//! `WELL_RUN` evaluations in which the newest data say so.
//!
//! **What is said.** Only what was measured since the change counts (`since_change`: the split of the window that both
//! parts fit best). *Moved* when a place beats "offset" by `MIN_LEAD_OF_MOVED_NATS` (`FAR_AHEAD_NATS` while no datum is clearly negative or the
//! board was never calibrated: then somebody in front does much the same). *Offset changed* when it beats every place by
//! `MIN_LEAD_OF_OFFSET_NATS`, over `NEWEST` data since the change, on headings that
//! would have distinguished them, in `OTHER_RUN` evaluations. Until then *reads long* (all positive) or
//! *changed*: nobody can tell yet. What was reported stays reported while the newest data fit it at all: a sharper word takes the
//! place of a vague one, never the other way round, and one of the two sharp ones that of the other only after
//! `OTHER_RUN` evaluations with `FAR_AHEAD_NATS`. It is over when the newest `NEWEST` data fit "unchanged" better by
//! `WELL_NATS`.
//!
//! **From the start.** Nothing is taken for granted at the beginning: an anchor that never once fitted its place is named
//! like one that moved, with the word that it never did.
//!
//! **Can't tell**: too little travel, a tag that stands, four anchors in the plane or fewer, ways that all look from one
//! side, and a change that all anchors share. Moves of less than [`LIMIT_M`] are not promised.
//!
//! **Up.** In space a shift has an up component. In the plane, where the tag's height is known, a board that was raised or
//! lowered is a hypothesis of its own; it can't be distinguished from its mirror image about the tag's height.
//!
//! **Cost.** A frame costs a square root per range. A datum costs about 4·n² densities. An evaluation costs about 16 fits·rounds
//! per anchor over 120 points; one anchor is evaluated per datum, so the usual peak is a few
//! thousand densities, and some ten thousand while an anchor is metres off. Memory is made at the start: about 250 kB a site.
//!
//! **Assumptions.** One fault at a time is sought (a second one after the first is named); errors of one window are
//! nearly one value; multipath repeats by place within 1 m.
//!
//! **Source.** Log-likelihood ratios and EM are textbook; the procedure and its limits are the project's own.

mod baseline;
mod density;
mod hypotheses;
mod isolation;
mod joint;
mod window;

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{dot, length, minus};
use hereabout_core::{AnchorSet, Dimension, MAX_ANCHORS, Micros, Timestamp};

use baseline::Baseline;
pub use baseline::Drift;
use hypotheses::{
    DATA, Fit, HypothesisContext, HypothesisFits, Parameters, Point, density_of, share_good, widest,
};
use isolation::LeadingHypothesis;
pub use window::TagWindow;
use window::{CommonShift, LinearisedResidual, LinearisedResiduals, agree, predicted_m2};

/// Travel from datum to datum, metres.
pub const STEP_M: f64 = 0.7;
/// A larger step is a jump of the path: what was gathered before it is forgotten.
const JUMP_M: f64 = 3.0;
/// Data from one evaluation to the next.
const EVERY: usize = 10;
/// Data of an anchor before it is judged.
const MIN_DATA: usize = 15;
/// The others' prediction must be as good as this, metres.
const PREDICTED_M: f64 = 0.10;
/// What is left of a place's own error in a datum, metres.
const PLACE_M: f64 = 0.04;
/// Gain, and evaluations in a row, that make an anchor suspect.
const MIN_SUSPECT_GAIN_NATS: f64 = 30.0;
const SUSPECT_RUN: u32 = 1;
/// Gain, and evaluations in a row, that make an alarm; and the same while few others agree against the anchor: up to
/// dimension + 4 anchors in all. Then one that is NLOS for long bends the place that the others are judged by.
const MIN_ALARM_GAIN_NATS: f64 = 35.0;
const ALARM_RUN: u32 = 3;
const MIN_ALARM_GAIN_OF_FEW_NATS: f64 = 60.0;
const ALARM_RUN_OF_FEW: u32 = 4;
/// Smallest change that makes either, metres; and while few others agree.
const SIZE_M: f64 = 0.12;
const SIZE_OF_FEW_M: f64 = 0.16;
/// And where nobody measured the offset: boards are off by some tens of centimetres then, which looks like a place as well.
const UNMEASURED_SIZE_M: f64 = 0.5;
/// What a place costs that has more to fit with than an offset, log likelihood.
const PLACE_COST_NATS: f64 = 4.0;
/// An offset that was never calibrated to better than this many standard errors is no news.
const MIN_OFFSET_SIGMAS: f64 = 2.5;
/// Gain and size below which a named anchor is well, and the evaluations in a row that it takes.
const WELL_NATS: f64 = 15.0;
const WELL_RUN: u32 = 3;
/// Newest data that say whether a named anchor is well: 42 m.
const NEWEST: usize = 60;
/// Share of the data that a changed anchor's hypothesis must call good: somebody in front for minutes makes them spread.
const MIN_GOOD_SHARE: f64 = 0.5;
/// "Moved" must beat "offset" by this.
const MIN_LEAD_OF_MOVED_NATS: f64 = 10.0;
/// "Offset changed" must beat "moved", which has more to fit with, by this: a corner's anchor is seen from a quarter of
/// the directions only, and there 0.3 m gain no more in one window.
const MIN_LEAD_OF_OFFSET_NATS: f64 = 5.0;
/// The same where something in front, or an offset that nobody measured, may do it as well.
const FAR_AHEAD_NATS: f64 = 25.0;
/// "Moved" must beat "offset" by this where nobody measured the offset: tens of centimetres look like a move then, upwards most.
const FAR_AHEAD_UNMEASURED_NATS: f64 = 70.0;
/// Evaluations in a row that it takes to say "offset", or "moved" after it.
const OTHER_RUN: u32 = 4;
/// Data since a change that a sharp word needs: 21 m.
const MIN_DATA_TO_NAME: usize = 30;
/// Step of the search for the moment of a change, data.
const SPLIT_STEP: usize = 10;
/// A datum is clearly negative below this, metres; and the share of such data.
const NEGATIVE_M: f64 = -0.08;
const NEGATIVE_SHARE: f64 = 0.08;
/// The witness must be ahead of every other anchor by this; in space, where a place is less sure, by more.
const MIN_WITNESS_LEAD_NATS: f64 = 5.0;
const MIN_WITNESS_LEAD_IN_SPACE_NATS: f64 = 15.0;
/// What all anchors have in common is reported from this on, metres; its memory in data, and the largest step.
const ALIKE_M: f64 = 0.15;
const COMMON_MEMORY_DATA: f64 = 60.0;
const COMMON_STEP_M: f64 = 0.10;
/// The smallest move that is promised to show, metres.
pub const LIMIT_M: f64 = 0.3;
/// Standard error of a move in its worst direction from which on the ways are too narrow, metres.
const NARROW_M: f64 = 0.06;
/// Travel that an answer needs, metres.
pub const NEEDED_M: f64 = DATA as f64 * STEP_M;
/// Without a datum for this long the tag stands still.
const STATIONARY_AFTER: Micros = Micros::from_millis(60_000);
/// And after this long an old answer is worth nothing.
const OLD: Micros = Micros::from_millis(1_800_000);

/// What must be known about an anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WatchedAnchor {
    /// East, north, up of its antenna as the site states it, metres.
    pub at_m: [f64; 3],
    /// Standard error of its offset, metres; `None` when it was never calibrated.
    pub offset_se_m: Option<f64>,
}

/// One range of an epoch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WatchedRange {
    /// Index into the site's anchors.
    pub anchor: usize,
    /// The range less offset and scale, metres, above 0.
    pub range_m: f64,
}

/// How an anchor has changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// It is at another place than the site states.
    Moved {
        /// East, north and up, metres. In the plane either the first two or the last one is sought.
        shift_m: [f64; 3],
        /// It has never fitted the place that is stated.
        from_start: bool,
        /// Share of its data that fit the new place.
        explained_share: f64,
        /// Standard error of the size, metres.
        size_se_m: f64,
        /// Standard error across, metres: of the direction times the size.
        across_se_m: f64,
    },
    /// It reads longer (or shorter) by a constant.
    Offset {
        /// New offset minus calibrated one, metres; positive when it reads long.
        by_m: f64,
        /// Standard error of `by_m`, metres.
        se_m: f64,
    },
    /// It reads long wherever the tag was; the cause is not known yet.
    ReadsLong {
        /// Mean of its residuals since the change, metres.
        by_m: f64,
    },
    /// It reads otherwise than its place and calibration say; which one is not known yet.
    Changed {
        /// Mean of its residuals since the change, metres.
        by_m: f64,
    },
}

impl Change {
    /// Whether it says what has happened.
    fn is_sharp(&self) -> bool {
        matches!(self, Change::Moved { .. } | Change::Offset { .. })
    }
}

/// What is known about an anchor's place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// Nothing speaks for a change.
    Unchanged,
    /// Something speaks for one; not enough for an alarm.
    Suspect,
    /// It has changed, and this is how.
    Named(Change),
    /// One of these has changed; the ranges do not say which.
    OneOf(AnchorSet),
    /// No position rests on enough other anchors.
    NoPosition,
    /// Too little travel so far, metres.
    TooLittleTravel(f64),
    /// No tag has travelled for a minute: nothing new can be known.
    StandsStill,
    /// All ways look at the anchor from about the same side.
    TooNarrow,
    /// So many anchors take part; one that is wrong can't be distinguished from the others.
    TooFewAnchors(usize),
    /// All anchors have changed alike.
    AllAlike,
}

/// One for each anchor, metres.
type Residuals = ArrayVec<f64, MAX_ANCHORS>;

/// One anchor at one datum.
#[derive(Clone, Copy, Debug, Default)]
struct Entry {
    /// Leave-one-out residual, metres; NaN where there is none.
    e_m: f32,
    variance_m2: f32,
    direction: [f32; 3],
    distance_m: f32,
    /// How much better the others fit without it, log density.
    witness_nats: f32,
    /// Residual against the common solution before the baseline is taken out, metres; NaN when NLOS or absent.
    read_m: f32,
    /// Median against the path as it was published, metres, with its variance; NaN when absent.
    median_m: f32,
    median_m2: f32,
    /// What is usual there and was taken out of both, metres.
    usual_m: f32,
}

const NO_ENTRY: Entry = Entry {
    e_m: f32::NAN,
    variance_m2: 1.0,
    direction: [0.0; 3],
    distance_m: 1.0,
    witness_nats: 0.0,
    read_m: f32::NAN,
    median_m: f32::NAN,
    median_m2: 1.0,
    usual_m: 0.0,
};

#[derive(Clone, Copy, Debug)]
struct Datum {
    cell: [i32; 2],
    entries: [Entry; MAX_ANCHORS],
}

/// Result of the last evaluation of one anchor.
#[derive(Clone, Copy, Debug)]
struct Evaluation {
    gain_nats: f64,
    witness_nats: f64,
    size_m: f64,
    /// Share of the data that lie close to the hypothesis.
    good_share: f64,
    hypotheses: HypothesisFits,
    some_negative: bool,
    points: usize,
    /// How much better "unchanged" fits the newest data than what the anchor is named for.
    well_nats: Option<f64>,
    /// Share of the newest data that fit what it is named for.
    fits_share: f64,
}

impl Evaluation {
    /// Standard error of a move in its worst direction, metres.
    fn worst_se_m(&self) -> f64 {
        widest(&self.hypotheses.moved.covariance_m2).sqrt()
    }
}

/// What an anchor is named for.
#[derive(Clone, Copy, Debug)]
struct NamedChange {
    change: Change,
    /// The fitted parameters that go with it.
    at: Parameters,
    from_start: bool,
}

/// What is kept per anchor beside its data.
#[derive(Clone, Copy, Debug, Default)]
struct State {
    evaluation: Option<Evaluation>,
    suspect_run: u32,
    alarm_run: u32,
    well_run: u32,
    named: Option<NamedChange>,
    /// Evaluations in a row that would name another kind of change.
    other_kind: u32,
    /// It once fitted its place, over a whole window.
    has_fitted: bool,
}

/// Watches the places of a site's anchors; see the module.
#[derive(Clone, Debug)]
pub struct PlaceWatch {
    anchors: ArrayVec<WatchedAnchor, MAX_ANCHORS>,
    dimension: Dimension,
    baseline: Baseline,
    data: Vec<Datum>,
    /// Where the next datum goes.
    next: usize,
    since_evaluation: usize,
    /// Metres of travel that made data.
    travelled_m: f64,
    newest: Option<Timestamp>,
    states: [State; MAX_ANCHORS],
    one_of: AnchorSet,
    /// The hypothesis about one anchor that leads on all data.
    leading: Option<LeadingHypothesis>,
    /// Anchors that took part in the newest datum.
    heard: AnchorSet,
    /// Mean share of an anchor's own error that stays in its residual against the common solution.
    redundancy: [f64; MAX_ANCHORS],
    /// All ranges of every tag that can tell are off alike.
    all_alike: bool,
}

impl PlaceWatch {
    /// Nothing heard yet. Anchors beyond [`MAX_ANCHORS`] are ignored. Makes all the memory that it will ever use.
    pub fn new(dimension: Dimension, anchors: &[WatchedAnchor]) -> PlaceWatch {
        PlaceWatch {
            anchors: anchors.iter().take(MAX_ANCHORS).copied().collect(),
            dimension,
            baseline: Baseline::new(),
            data: Vec::with_capacity(DATA),
            next: 0,
            since_evaluation: 0,
            travelled_m: 0.0,
            newest: None,
            states: [State::default(); MAX_ANCHORS],
            one_of: AnchorSet::EMPTY,
            leading: None,
            heard: AnchorSet::EMPTY,
            redundancy: [0.75; MAX_ANCHORS],
            all_alike: false,
        }
    }

    /// Says whether what all ranges have in common is so for every tag that can tell ([`TagWindow::is_alike`]). Until the next
    /// [`PlaceWatch::take`], which goes by its own tag: with several of them to be called after it.
    pub fn set_all_alike(&mut self, all_alike: bool) {
        self.all_alike = all_alike;
    }

    /// Takes in the ranges of an epoch against the place that was published for it, suspects' ranges too. `sigma_m` gives
    /// the noise of a good range of an anchor. Whether an evaluation was finished, so that answers may have changed.
    pub fn take(
        &mut self,
        tag: &mut TagWindow,
        at: Timestamp,
        position_m: [f64; 3],
        ranges: &[WatchedRange],
        sigma_m: impl Fn(usize) -> f64,
    ) -> bool {
        // NaN fails as well.
        let sane = position_m.iter().all(|v| v.abs() < 1e6);
        if !sane {
            return false;
        }
        for r in ranges.iter().filter(|r| r.range_m > 0.0 && r.range_m < 1e6) {
            if let Some(anchor) = self.anchors.get(r.anchor) {
                tag.push(r.anchor, at, r.range_m - length(minus(position_m, anchor.at_m)));
            }
        }
        let Some(last) = tag.datum_at_m else {
            tag.datum_at_m = Some(position_m);
            return false;
        };
        let step_m = length(minus(position_m, last));
        if step_m < STEP_M {
            return false;
        }
        tag.datum_at_m = Some(position_m);
        if step_m > JUMP_M {
            tag.clear();
            return false;
        }
        self.travelled_m += step_m;
        self.newest = Some(at);
        self.baseline.note_hour(at, self.anchors.len());
        let linearised = self.linearised_residuals(tag, at, position_m, &sigma_m);
        self.heard = linearised.iter().map(|s| s.anchor).collect();
        if let Some(datum) = self.datum(tag, position_m, &linearised) {
            self.keep(datum);
        }
        self.all_alike = tag.is_alike();
        self.evaluate_next()
    }

    /// What every anchor reads, with what is usual there taken out.
    fn linearised_residuals(
        &self,
        tag: &TagWindow,
        at: Timestamp,
        position_m: [f64; 3],
        sigma_m: &impl Fn(usize) -> f64,
    ) -> LinearisedResiduals {
        let slot = self.baseline.slot(Baseline::cell_of(position_m));
        let mut linearised = LinearisedResiduals::new();
        for (i, anchor) in self.anchors.iter().enumerate() {
            let Some((median_m, n)) = tag.median(i, at) else { continue };
            let to_tag = minus(position_m, anchor.at_m);
            let distance_m = length(to_tag).max(0.3);
            let sigma = sigma_m(i).clamp(0.02, 3.0);
            // The median of Gaussian values has π/2 times the variance of their mean.
            let variance_m2 = std::f64::consts::FRAC_PI_2 * sigma * sigma / n as f64 + PLACE_M * PLACE_M;
            linearised.push(LinearisedResidual {
                anchor: i,
                median_m: median_m - tag.common_m - self.baseline.usual_m(slot, i),
                variance_m2,
                direction: to_tag.map(|v| v / distance_m),
                distance_m,
                counts: self.states[i].named.is_none(),
            });
        }
        linearised
    }

    /// Leave-one-out residuals of all anchors; `None` where not even all together give a place.
    fn datum(
        &mut self,
        tag: &mut TagWindow,
        position_m: [f64; 3],
        linearised: &LinearisedResiduals,
    ) -> Option<Datum> {
        let unknowns = self.dimension.unknowns();
        let all = agree(linearised, None, [0.0; 3], unknowns)?;
        let cell = Baseline::cell_of(position_m);
        let slot = self.baseline.slot(cell);
        let mut datum = Datum { cell, entries: [NO_ENTRY; MAX_ANCHORS] };
        let (mut left, mut good_left) = (Residuals::new(), Residuals::new());
        for s in linearised {
            let off_m = s.median_m + dot(s.direction, all.shift_m);
            let entry = &mut datum.entries[s.anchor];
            let (ln, good) = density::Density::new(s.variance_m2).ln(off_m, 0.2);
            (entry.median_m, entry.median_m2) = (s.median_m as f32, s.variance_m2 as f32);
            entry.usual_m = self.baseline.usual_m(slot, s.anchor) as f32;
            entry.direction = s.direction.map(|v| v as f32);
            entry.distance_m = s.distance_m as f32;
            if s.counts {
                left.push(off_m);
            }
            if s.counts && good > 0.5 {
                good_left.push(off_m);
                let stays = 1.0 - predicted_m2(&all, &s.direction, unknowns) / s.variance_m2;
                self.redundancy[s.anchor] += (stays.clamp(0.2, 1.0) - self.redundancy[s.anchor]) / 300.0;
                if all.trusted > unknowns + 1 {
                    entry.read_m = (off_m + self.baseline.usual_m(slot, s.anchor)) as f32;
                }
            }
            let others =
                if s.counts { agree(linearised, Some(s.anchor), all.shift_m, unknowns) } else { Some(all) };
            if let Some(others) = others {
                fill(entry, s, &others, unknowns);
                entry.witness_nats =
                    if s.counts { (others.fit_nats - (all.fit_nats - ln)) as f32 } else { 0.0 };
            }
        }
        // When most are off, what they share is no longer small and nobody looks good: then all of them count.
        let most_off = 2 * good_left.len() < left.len();
        let list = if most_off { &mut left } else { &mut good_left };
        if list.len() >= unknowns + 2 {
            follow_common(tag, list);
        }
        Some(datum)
    }

    /// Puts a datum in; the one that it displaces goes into the baseline.
    fn keep(&mut self, datum: Datum) {
        if self.data.len() < DATA {
            self.data.push(datum);
        } else {
            let old = std::mem::replace(&mut self.data[self.next], datum);
            if !self.anything_suspected() {
                let read = |(i, e): (usize, &Entry)| (!e.read_m.is_nan()).then_some((i, e.read_m));
                self.baseline.learn(old.cell, old.entries.iter().enumerate().filter_map(read));
            }
        }
        self.next = (self.next + 1) % DATA;
    }

    fn anything_suspected(&self) -> bool {
        !self.one_of.is_empty() || self.states.iter().any(|s| s.suspect_run > 0 || s.named.is_some())
    }

    /// One anchor per datum; when all have had their turn and [`EVERY`] data have come, the results are weighed.
    fn evaluate_next(&mut self) -> bool {
        let turn = self.since_evaluation;
        // With more anchors than data from one evaluation to the next, several have their turn at once.
        let mut anchor = turn;
        while anchor < self.anchors.len() {
            self.states[anchor].evaluation = self.judge(anchor);
            anchor += EVERY;
        }
        self.since_evaluation += 1;
        if self.since_evaluation < EVERY {
            return false;
        }
        self.since_evaluation = 0;
        self.weigh();
        true
    }

    /// An anchor's data, oldest first, and where each is kept.
    fn points(&self, anchor: usize) -> ArrayVec<(usize, Point), DATA> {
        let n = self.data.len();
        let oldest = if n < DATA { 0 } else { self.next };
        let at = |k: usize| (oldest + k) % n.max(1);
        let one = |k: usize| {
            let e = &self.data[k].entries[anchor];
            let point = || {
                let u = e.direction.map(f64::from);
                Point::new(f64::from(e.e_m), f64::from(e.variance_m2), u, f64::from(e.distance_m))
            };
            (!e.e_m.is_nan()).then(|| (k, point()))
        };
        (0..n).map(at).filter_map(one).collect()
    }

    /// From an anchor's place to the others', metres.
    fn to_others_m(&self, anchor: usize) -> ArrayVec<[f64; 3], MAX_ANCHORS> {
        let others = self.anchors.iter().enumerate().filter(|(i, _)| *i != anchor);
        others.map(|(_, a)| minus(a.at_m, self.anchors[anchor].at_m)).collect()
    }

    /// Fits the hypotheses to an anchor's data.
    fn judge(&self, anchor: usize) -> Option<Evaluation> {
        let kept = self.points(anchor);
        if kept.len() < MIN_DATA {
            return None;
        }
        let witness = kept.iter().map(|(k, _)| f64::from(self.data[*k].entries[anchor].witness_nats)).sum();
        let points: ArrayVec<Point, DATA> = kept.into_iter().map(|(_, p)| p).collect();
        let to_others_m = self.to_others_m(anchor);
        let named = self.states[anchor].named;
        let about = HypothesisContext {
            dimension: self.dimension,
            named: named.map(|n| n.at),
            offset_se_m: self.anchors[anchor].offset_se_m,
            to_others_m: &to_others_m,
        };
        let s = HypothesisFits::of(&points, &about);
        let (place, _) = s.place();
        let best = if place.ln - MIN_LEAD_OF_MOVED_NATS > s.offset.ln { place } else { s.offset };
        let size_m = best.shift_m().max(if best.shift_m() > 0.0 { 0.0 } else { best.at[3].abs() });
        let newest = &points[points.len().saturating_sub(NEWEST)..];
        let well = named.map(|n| density_of(newest, &[0.0; 4]) - density_of(newest, &n.at));
        Some(Evaluation {
            gain_nats: (place.ln - PLACE_COST_NATS).max(s.offset.ln) - s.unchanged.ln,
            witness_nats: witness,
            size_m,
            good_share: best.good_share,
            some_negative: some_negative(&points),
            points: points.len(),
            hypotheses: s,
            well_nats: well,
            fits_share: named.map_or(0.0, |n| share_good(newest, &n.at)),
        })
    }

    /// What an anchor's data say that were taken since it changed, and from which of them on. The data before fit its
    /// stated place, those after the best hypothesis about it.
    fn since_change(&self, anchor: usize) -> Option<usize> {
        let kept = self.points(anchor);
        let points: ArrayVec<Point, DATA> = kept.iter().map(|(_, p)| *p).collect();
        let j = self.states[anchor].evaluation.as_ref()?;
        let starts = [j.hypotheses.moved.at, j.hypotheses.offset.at];
        let mut best: Option<(f64, usize)> = None;
        for split in (0..points.len().saturating_sub(MIN_DATA - 1)).step_by(SPLIT_STEP) {
            let (before, after) = points.split_at(split);
            let hypothesis =
                HypothesisFits::quick(after, self.dimension, self.anchors[anchor].offset_se_m, &starts);
            // Without a reason to split, it was always so.
            let always = if split == 0 { MIN_LEAD_OF_MOVED_NATS } else { 0.0 };
            let ln = density_of(before, &[0.0; 4]) + density_of(after, &hypothesis) + always;
            if best.is_none_or(|(most, _)| ln > most) {
                best = Some((ln, split));
            }
        }
        best.map(|(_, split)| split)
    }

    /// Weighs what the evaluations say together.
    fn weigh(&mut self) {
        let few = self.few();
        let alarm = if few { MIN_ALARM_GAIN_OF_FEW_NATS } else { MIN_ALARM_GAIN_NATS };
        let least_size_m = if few { SIZE_OF_FEW_M } else { SIZE_M };
        for (i, anchor) in self.anchors.iter().enumerate() {
            let state = &mut self.states[i];
            let Some(j) = state.evaluation else {
                (state.suspect_run, state.alarm_run) = (0, 0);
                continue;
            };
            let is_place = j.hypotheses.place().0.ln - MIN_LEAD_OF_MOVED_NATS > j.hypotheses.offset.ln;
            let least_m = match anchor.offset_se_m {
                None => UNMEASURED_SIZE_M,
                _ if is_place => least_size_m,
                Some(se) => least_size_m.max(MIN_OFFSET_SIGMAS * se),
            };
            // A suspicion is no word: what a place costs, and what few anchors need, count for the alarm alone.
            let least_suspect_m = if is_place { SIZE_M } else { least_m };
            let run = |was: u32, gain: f64, least_m: f64| {
                if j.gain_nats >= gain && j.size_m >= least_m && j.good_share >= MIN_GOOD_SHARE {
                    was + 1
                } else {
                    0
                }
            };
            state.suspect_run =
                run(state.suspect_run, MIN_SUSPECT_GAIN_NATS - PLACE_COST_NATS, least_suspect_m);
            state.alarm_run = run(state.alarm_run, alarm, least_m);
            let fitted = state.named.is_none() && j.points >= DATA - DATA / 4 && j.gain_nats < WELL_NATS;
            state.has_fitted |= fitted;
        }
        for i in 0..self.anchors.len() {
            if self.states[i].keep_named(self.anchors[i].offset_se_m) {
                self.forget_before(i, NEWEST);
            }
        }
        self.name();
    }

    /// Forgets an anchor's data but the newest so many.
    fn forget_before(&mut self, anchor: usize, newest: usize) {
        let kept = self.points(anchor);
        for (k, _) in &kept[..kept.len().saturating_sub(newest)] {
            self.data[*k].entries[anchor] = NO_ENTRY;
        }
    }

    /// Whether few anchors agree on anything.
    fn few(&self) -> bool {
        self.heard_open().len() <= self.dimension.unknowns() + 4
    }

    /// Evaluations in a row that make an alarm.
    fn alarm_run(&self) -> u32 {
        if self.few() { ALARM_RUN_OF_FEW } else { ALARM_RUN }
    }

    /// Names an anchor, or says that it is one of several, or that none is any more.
    fn name(&mut self) {
        if self.all_alike {
            // What all anchors share is settling, or is nobody's fault.
            (self.one_of, self.leading) = (AnchorSet::EMPTY, None);
            return;
        }
        let open = |s: &State| s.named.is_none() && s.evaluation.is_some();
        let alarmed = self.states.iter().any(|s| open(s) && s.alarm_run >= self.alarm_run());
        let largest = self
            .states
            .iter()
            .filter(|s| open(s))
            .filter_map(|s| Some(s.evaluation?.gain_nats))
            .fold(0.0, f64::max);
        if !alarmed && (self.one_of.is_empty() || largest < WELL_NATS) {
            (self.one_of, self.leading) = (AnchorSet::EMPTY, None);
            return;
        }
        let witnessed = if alarmed { self.witnessed() } else { None };
        let scores = self.joint_scores(witnessed);
        let few = self.few();
        self.leading = scores.follow(self.leading, witnessed, few);
        let reported = !self.one_of.is_empty();
        if self.heard_open().len() <= self.dimension.unknowns() + 2 {
            // So few fit each other whichever is left out.
            self.one_of = if scores.is_one_of(self.leading, reported, few) {
                self.heard_open()
            } else {
                AnchorSet::EMPTY
            };
            return;
        }
        if let Some(i) = self.leading.and_then(|b| b.to_name(few)) {
            self.leading = None;
            self.name_one(i);
            return;
        }
        self.one_of = if scores.is_one_of(self.leading, reported, few) {
            scores.candidates()
        } else {
            AnchorSet::EMPTY
        };
    }

    /// Names an anchor by what was measured since it changed.
    fn name_one(&mut self, i: usize) {
        let from = self.since_change(i).unwrap_or(0);
        let from_start = from <= SPLIT_STEP && !self.states[i].has_fitted;
        let kept = self.points(i).len();
        self.forget_before(i, kept - from.min(kept));
        // Named for anything at first, so that every hypothesis is sought in earnest.
        let by_m = self.states[i].evaluation.map_or(0.0, |j| j.hypotheses.offset.at[3]);
        self.states[i].named =
            Some(NamedChange { change: Change::Changed { by_m }, at: [0.0, 0.0, 0.0, by_m], from_start });
        let Some(j) = self.judge(i).or(self.states[i].evaluation) else { return };
        let (mut change, at) = change_of(&j, self.anchors[i].offset_se_m, from_start);
        if let Change::Offset { by_m, .. } = change {
            // That sends somebody to calibrate: it has to last.
            change = vague(by_m, j.some_negative);
        }
        let state = &mut self.states[i];
        state.evaluation = Some(j);
        state.named = Some(NamedChange { change, at, from_start });
        (state.well_run, state.other_kind) = (0, 0);
        self.one_of = AnchorSet::EMPTY;
        self.forget_others(i);
    }

    /// The anchor that both tests point at, clearly ahead of the others.
    fn witnessed(&self) -> Option<usize> {
        let judged = || {
            let open = |(i, s): (usize, &State)| Some((i, s.evaluation.filter(|_| s.named.is_none())?));
            self.states.iter().enumerate().filter_map(open)
        };
        let (by_gain, top) = judged().max_by(|a, b| a.1.gain_nats.total_cmp(&b.1.gain_nats))?;
        let score = |j: &Evaluation| j.witness_nats + j.gain_nats;
        let by = if self.dimension == Dimension::ThreeD {
            MIN_WITNESS_LEAD_IN_SPACE_NATS
        } else {
            MIN_WITNESS_LEAD_NATS
        };
        let ahead = judged()
            .filter(|(i, _)| *i != by_gain)
            .all(|(_, j)| top.gain_nats >= j.gain_nats + by && score(&top) >= score(&j) + by);
        (ahead && self.states[by_gain].alarm_run >= self.alarm_run()).then_some(by_gain)
    }

    /// What was measured with a named anchor in the common solution says nothing about the others.
    fn forget_others(&mut self, named: usize) {
        for datum in &mut self.data {
            for (i, entry) in datum.entries.iter_mut().enumerate().filter(|(i, _)| *i != named) {
                if self.states[i].named.is_none() {
                    *entry = NO_ENTRY;
                }
            }
        }
        for (i, state) in self.states.iter_mut().enumerate() {
            if state.named.is_none() {
                *state = State { has_fitted: state.has_fitted, ..State::default() };
            }
            if i == named {
                self.baseline.forget_drift(i);
            }
        }
    }

    /// Anchors of the newest datum that are in the common solution.
    fn heard_open(&self) -> AnchorSet {
        let named = self.states.iter().enumerate().filter(|(_, s)| s.named.is_some());
        self.heard.difference(named.map(|(i, _)| i).collect())
    }

    /// Whether this anchor has been named, and so stands outside the common solution.
    pub fn is_named(&self, anchor: usize) -> bool {
        self.states.get(anchor).is_some_and(|s| s.named.is_some())
    }

    /// How an anchor's offset wanders. The baseline holds residuals against a solution that the anchor takes part in, which
    /// follows it in part: what stays is scaled up again.
    pub fn drift(&self, anchor: usize) -> Option<Drift> {
        let stays = *self.redundancy.get(anchor)?;
        let drift = self.baseline.drift(anchor)?;
        Some(Drift { m_per_day: drift.m_per_day / stays, se_m_per_day: drift.se_m_per_day / stays })
    }

    /// What is known about an anchor's place at `at`.
    pub fn standing(&self, at: Timestamp, anchor: usize) -> Standing {
        let Some(state) = self.states.get(anchor) else { return Standing::NoPosition };
        if let Some(named) = state.named {
            return Standing::Named(named.change);
        }
        if self.one_of.contains(anchor) {
            return Standing::OneOf(self.one_of);
        }
        if state.suspect_run >= SUSPECT_RUN && !self.all_alike {
            return Standing::Suspect;
        }
        let stationary_for = self.newest.map_or(Micros::from_millis(i64::MAX / 1_000), |t| at.since(t));
        if self.travelled_m < NEEDED_M || stationary_for > OLD {
            let stationary =
                stationary_for > STATIONARY_AFTER && (self.newest.is_some() || self.travelled_m == 0.0);
            return if stationary {
                Standing::StandsStill
            } else {
                Standing::TooLittleTravel(self.travelled_m)
            };
        }
        let Some(judged) = state.evaluation else { return Standing::NoPosition };
        let have = self.heard_open().len();
        if have <= self.dimension.unknowns() + 2 {
            Standing::TooFewAnchors(have)
        } else if self.all_alike {
            Standing::AllAlike
        } else if judged.worst_se_m() > NARROW_M {
            Standing::TooNarrow
        } else {
            Standing::Unchanged
        }
    }
}

impl State {
    /// A named anchor's change is brought up to date. Whether it is well: the newest data say so for long.
    fn keep_named(&mut self, offset_se_m: Option<f64>) -> bool {
        let (Some(named), Some(j)) = (self.named, self.evaluation) else { return false };
        let well = j.well_nats.is_some_and(|by| by > WELL_NATS);
        self.well_run = if well { self.well_run + 1 } else { 0 };
        if self.well_run >= WELL_RUN {
            *self = State { has_fitted: true, ..State::default() };
            return true;
        }
        if well || j.good_share < MIN_GOOD_SHARE.min(j.fits_share) {
            return false;
        }
        let (change, at) = change_of(&j, offset_se_m, named.from_start);
        let same = std::mem::discriminant(&named.change) == std::mem::discriminant(&change);
        let vague = !named.change.is_sharp();
        let sharper = vague && matches!(change, Change::Moved { .. });
        let other = change.is_sharp() && !same && (vague || far_ahead(&j.hypotheses, &change));
        self.other_kind = if other { self.other_kind + 1 } else { 0 };
        if same || sharper || self.other_kind >= OTHER_RUN || (vague && !change.is_sharp()) {
            self.named = Some(NamedChange { change, at, ..named });
            self.other_kind = 0;
        }
        false
    }
}

fn fill(entry: &mut Entry, s: &LinearisedResidual, others: &CommonShift, unknowns: usize) {
    let predicted = predicted_m2(others, &s.direction, unknowns);
    if others.trusted < unknowns + 1 || predicted > PREDICTED_M * PREDICTED_M {
        return;
    }
    entry.e_m = (s.median_m + dot(s.direction, others.shift_m)) as f32;
    entry.variance_m2 = (s.variance_m2 + predicted) as f32;
}

/// The tag's common part follows the median of what the common solution leaves.
fn follow_common(tag: &mut TagWindow, left_m: &mut Residuals) {
    left_m.sort_unstable_by(f64::total_cmp);
    let n = left_m.len();
    let median = 0.5 * (left_m[(n - 1) / 2] + left_m[n / 2]);
    tag.common_data = (tag.common_data + 1.0).min(COMMON_MEMORY_DATA);
    tag.common_m += median.clamp(-COMMON_STEP_M, COMMON_STEP_M) / tag.common_data.max(10.0);
}

fn some_negative(points: &[Point]) -> bool {
    let negative = points.iter().filter(|p| p.e_m < NEGATIVE_M).count();
    negative as f64 >= NEGATIVE_SHARE * points.len() as f64
}

/// Whether the hypothesis of a sharp word beats that of the other one by far.
fn far_ahead(s: &HypothesisFits, change: &Change) -> bool {
    let place_by = s.place().0.ln - s.offset.ln;
    if matches!(change, Change::Moved { .. }) {
        place_by > FAR_AHEAD_NATS
    } else {
        place_by < -FAR_AHEAD_NATS
    }
}

/// In words: what the better hypothesis is, and its parameters.
fn change_of(j: &Evaluation, offset_se_m: Option<f64>, from_start: bool) -> (Change, Parameters) {
    let s = &j.hypotheses;
    let (place, _) = s.place();
    let by = place.ln - s.offset.ln;
    let enough = j.points >= MIN_DATA_TO_NAME;
    let wanted = match offset_se_m {
        None => FAR_AHEAD_UNMEASURED_NATS,
        Some(_) if j.some_negative => MIN_LEAD_OF_MOVED_NATS,
        Some(_) => FAR_AHEAD_NATS,
    };
    // With somebody in front the data spread; a place explains them.
    let tight = place.good_share >= if j.some_negative { MIN_GOOD_SHARE } else { MIN_GOOD_SHARE + 0.2 };
    if enough && by > wanted && tight && place.shift_m() >= SIZE_M {
        return (moved(&place, from_start), place.at);
    }
    let by_m = s.offset.at[3];
    let distinguished = j.points >= NEWEST && j.worst_se_m() <= NARROW_M;
    if distinguished && by < -MIN_LEAD_OF_OFFSET_NATS && s.offset.good_share >= MIN_GOOD_SHARE {
        let se_m = s.offset.covariance_m2[3][3].max(0.0).sqrt();
        return (Change::Offset { by_m, se_m }, s.offset.at);
    }
    let at = if by > 0.0 { place.at } else { s.offset.at };
    (vague(by_m, j.some_negative), at)
}

/// The word while nobody can tell.
fn vague(by_m: f64, some_negative: bool) -> Change {
    if by_m > 0.0 && !some_negative { Change::ReadsLong { by_m } } else { Change::Changed { by_m } }
}

/// A move with its standard errors.
fn moved(place: &Fit, from_start: bool) -> Change {
    let [x, y, z, _] = place.at;
    let c = &place.covariance_m2;
    let size = place.shift_m().max(1e-6);
    let along = [x / size, y / size, z / size];
    let flat = (x * x + y * y).sqrt();
    let across = if flat > 1e-6 { [-y / flat, x / flat, 0.0] } else { [0.0; 3] };
    let se = |d: [f64; 3]| {
        let sum: f64 = (0..3).map(|r| (0..3).map(|k| d[r] * c[r][k] * d[k]).sum::<f64>()).sum();
        sum.max(0.0).sqrt()
    };
    Change::Moved {
        shift_m: [x, y, z],
        from_start,
        explained_share: place.good_share,
        size_se_m: se(along),
        across_se_m: se(across),
    }
}

#[cfg(test)]
mod tests;
