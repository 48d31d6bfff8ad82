//! Epochs with their truth: where the tag is, and what every anchor would report.
//!
//! For each tag in turn, once per frame period:
//! 1. the place on its way, plus a jump;
//! 2. for each anchor the true distance d, from a moved board or a second one with the same id where
//!    a fault says so;
//! 3. raw = scale · (d + σ·N(0,1) + late) + offset, where `late` is 0 or a late range's excess;
//! 4. no range at all: board off or starting, out of reach, dropped.
//!
//! Every link (tag and anchor) draws the same number of times in each epoch whatever becomes of the
//! range, so that a fault changes the ranges that it is about and no other.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{distance_m, plus};
use hereabout_core::{AnchorId, MAX_ANCHORS, Micros, TagId, Timestamp};

use crate::random::{Concern, Stream};
use crate::{Fault, Nlos, Scenario, ScenarioProblem, SimAnchor, TagWay};

/// No board reports less than this, metres.
const MIN_RANGE_M: f64 = 0.01;

/// Why a range is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absence {
    /// The board has no power or is starting.
    Off,
    /// Too far away, or too long for the frame's field.
    OutOfReach,
    /// Lost on the air.
    Dropped,
}

/// One anchor's range, with what is behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimRange {
    /// Id of the anchor, as the scenario has it.
    pub anchor: AnchorId,
    /// Distance to the board that answered, metres.
    pub true_m: f64,
    /// What the board reports before it is rounded to a word, metres; or why nothing.
    pub raw_m: Result<f64, Absence>,
    /// How much it is late, metres; 0 in line of sight.
    pub nlos_m: f64,
    /// Whether the second board with this id answered.
    pub second_board: bool,
}

/// The ranges of one tag at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct SimEpoch {
    /// Stamp.
    pub at: Timestamp,
    /// Seconds since the start, to the microsecond.
    pub at_s: f64,
    /// Id of the tag, as the scenario has it.
    pub tag: TagId,
    /// Where it is: east, north, up, metres.
    pub truth_m: [f64; 3],
    /// How it moves, m/s.
    pub velocity_mps: [f64; 3],
    /// One range per anchor, in the scenario's order.
    pub ranges: ArrayVec<SimRange, MAX_ANCHORS>,
}

/// The generator of epochs.
#[derive(Clone, Debug)]
pub struct World {
    scenario: Scenario,
    tags: Vec<TagState>,
    /// Counts epochs over all tags.
    step: u64,
}

#[derive(Clone, Debug)]
struct TagState {
    id: u32,
    way: TagWay,
    jitter: Stream,
    links: ArrayVec<Link, MAX_ANCHORS>,
}

/// What one tag and one anchor have of their own.
#[derive(Clone, Debug)]
struct Link {
    noise: Stream,
    nlos: NlosRun,
    dropout: Stream,
    second_board: Stream,
}

impl World {
    /// Checks the scenario; its `[frame]` does not matter here.
    ///
    /// # Errors
    /// The first problem, with its key.
    pub fn new(scenario: &Scenario) -> Result<World, ScenarioProblem> {
        scenario.check()?;
        let tags = scenario.tags.iter().map(|tag| TagState {
            id: tag.id,
            way: TagWay::new(tag),
            jitter: Stream::new(scenario.seed, Concern::Jitter, tag.id, 0),
            links: scenario.anchors.iter().map(|anchor| Link::new(scenario, tag.id, anchor.id)).collect(),
        });
        let tags = tags.collect();
        Ok(World { scenario: scenario.clone(), tags, step: 0 })
    }

    /// What the world was made from, its faults included.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The next epoch; `None` when the scenario's time is over.
    pub fn next_epoch(&mut self) -> Option<SimEpoch> {
        let scenario = &self.scenario;
        let count = self.tags.len() as u64;
        let nominal_s = self.step as f64 / (count as f64 * scenario.frame_rate_hz);
        if scenario.duration_s.is_some_and(|end_s| nominal_s >= end_s) {
            return None;
        }
        let tag = &mut self.tags[(self.step % count) as usize];
        self.step += 1;
        let shift_s = scenario.jitter_s * (2.0 * tag.jitter.uniform() - 1.0);
        let since = Micros::from_secs_f64((nominal_s + shift_s).max(0.0));
        let at_s = since.secs_f64();
        let (mut truth_m, velocity_mps) = tag.way.at(at_s);
        for fault in scenario.faults.iter().filter(|fault| fault.is_on(at_s)) {
            if let Fault::TagJump { tag: of, by_m, .. } = fault
                && *of == tag.id
            {
                truth_m = plus(truth_m, *by_m);
            }
        }
        let links = tag.links.iter_mut().zip(&scenario.anchors);
        let ranges = links.map(|(link, anchor)| link.range(scenario, anchor, at_s, truth_m)).collect();
        let at = scenario.start.plus(since);
        Some(SimEpoch { at, at_s, tag: TagId(tag.id), truth_m, velocity_mps, ranges })
    }
}

impl Link {
    fn new(scenario: &Scenario, tag: u32, anchor: u16) -> Link {
        let stream = |concern| Stream::new(scenario.seed, concern, tag, anchor);
        Link {
            noise: stream(Concern::Noise),
            nlos: NlosRun::new(&scenario.nlos, 1.0 / scenario.frame_rate_hz, stream(Concern::Nlos)),
            dropout: stream(Concern::Dropout),
            second_board: stream(Concern::SecondBoard),
        }
    }

    fn range(&mut self, scenario: &Scenario, anchor: &SimAnchor, at_s: f64, tag_m: [f64; 3]) -> SimRange {
        let noise_m = anchor.sigma_m * self.noise.normal();
        let nlos_m = self.nlos.next_m();
        let drop_draw = self.dropout.uniform();
        let board_draw = self.second_board.uniform();

        let effect = Effect::on(scenario, anchor.id, at_s, board_draw);
        let board_m = effect.second_board_m.unwrap_or(plus(anchor.at_m, effect.moved_m));
        let true_m = distance_m(board_m, tag_m);
        let raw_m = if effect.off {
            Err(Absence::Off)
        } else if true_m > scenario.max_range_m {
            Err(Absence::OutOfReach)
        } else if drop_draw >= effect.kept_share {
            Err(Absence::Dropped)
        } else {
            Ok((anchor.scale * (true_m + noise_m + nlos_m) + anchor.offset_m).max(MIN_RANGE_M))
        };
        SimRange {
            anchor: AnchorId(anchor.id),
            true_m,
            raw_m,
            nlos_m,
            second_board: effect.second_board_m.is_some(),
        }
    }
}

/// What the faults do to one range at one instant.
struct Effect {
    off: bool,
    moved_m: [f64; 3],
    second_board_m: Option<[f64; 3]>,
    kept_share: f64,
}

impl Effect {
    fn on(scenario: &Scenario, id: u16, at_s: f64, board_draw: f64) -> Effect {
        let mut effect = Effect { off: false, moved_m: [0.0; 3], second_board_m: None, kept_share: 1.0 };
        for fault in scenario.faults.iter().filter(|fault| fault.is_on(at_s)) {
            match fault {
                Fault::AnchorOff { anchor, .. } if *anchor == id => effect.off = true,
                Fault::AnchorMoved { anchor, by_m, .. } if *anchor == id => {
                    effect.moved_m = plus(effect.moved_m, *by_m);
                }
                Fault::DuplicateId { anchor, at_m, share, .. } if *anchor == id && board_draw < *share => {
                    effect.second_board_m = Some(*at_m);
                }
                Fault::Dropouts { anchor, share, .. } if anchor.is_none_or(|a| a == id) => {
                    effect.kept_share *= 1.0 - share;
                }
                _ => {}
            }
        }
        effect
    }
}

/// Nlos or not, as a chain of two states with the share and the mean stretch of the scenario.
#[derive(Clone, Debug)]
struct NlosRun {
    model: Nlos,
    draws: Stream,
    /// Probability per frame that a stretch begins, and that it ends; `None`: no stretches.
    switch: Option<[f64; 2]>,
    begun: bool,
    excess_m: f64,
}

impl NlosRun {
    fn new(model: &Nlos, frame_s: f64, draws: Stream) -> NlosRun {
        let p = model.share;
        let switch = (model.stretch_s > 0.0).then(|| {
            // In the long run begin·(1 - p) = end·p; both stay probabilities when stretches are short.
            let end = (frame_s / model.stretch_s).min(1.0).min(if p > 0.0 { (1.0 - p) / p } else { 1.0 });
            [end * p / (1.0 - p), end]
        });
        NlosRun { model: *model, draws, switch, begun: false, excess_m: 0.0 }
    }

    /// Excess of the next range, metres; 0 in line of sight.
    fn next_m(&mut self) -> f64 {
        let draw = self.draws.uniform();
        let fresh_m = self.model.minimum_m + self.model.mean_m * self.draws.exponential();
        let was_nlos = self.excess_m > 0.0;
        match self.switch {
            Some([_, end]) if self.begun && was_nlos => {
                if draw < end {
                    self.excess_m = 0.0;
                }
            }
            Some([begin, _]) if self.begun => self.excess_m = if draw < begin { fresh_m } else { 0.0 },
            // The first frame of a chain, and every frame without stretches.
            _ => self.excess_m = if draw < self.model.share { fresh_m } else { 0.0 },
        }
        self.begun = true;
        self.excess_m
    }
}

#[cfg(test)]
mod tests;
