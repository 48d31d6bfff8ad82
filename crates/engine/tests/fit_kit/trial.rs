//! One run over a site with a fault: what was said of it, when, and how many positions were checked and wrong meanwhile.

use hereabout_core::{PositionReport, TagState};
use hereabout_engine::{AnchorFinding, Engine, Input, KitFinding, Output};
use hereabout_solve::fit::Cause;

use super::world::{Fault, Ways, World};

/// Frames before this are not counted as wrong: a doubt takes some seconds. Seconds.
const COUNTED_FROM_S: f64 = 30.0;

/// What became of a run.
#[derive(Clone, Debug, Default)]
pub(crate) struct Told {
    /// Seconds and metres walked until the first word that something is wrong.
    pub(crate) alarm: Option<(f64, f64)>,
    /// The same for the right name.
    pub(crate) right: Option<(f64, f64)>,
    /// One of two wrong places was named, and no innocent anchor.
    pub(crate) half: bool,
    /// What the first word was.
    pub(crate) alarm_words: Option<String>,
    /// How often each kind of word about single anchors began, and a doubt about the whole.
    pub(crate) words: std::collections::BTreeMap<&'static str, u32>,
    /// The first wrong name, in words.
    pub(crate) wrong: Option<String>,
    /// Frames that were counted, positions called checked among them, and those of them beyond their protection radius.
    pub(crate) frames: u64,
    pub(crate) checked: u64,
    pub(crate) beyond: u64,
    /// Those that are off by more than a metre as well.
    pub(crate) far: u64,
    /// Largest error of a checked position after the first seconds, metres.
    pub(crate) worst_m: f64,
}

/// Runs a world for so many seconds.
pub(crate) fn run(world: &mut World, fault: Fault, seconds: f64) -> Told {
    let mut engine = Engine::new(world.site.clone(), None);
    let mut told = Told::default();
    while world.t_s() < seconds {
        let epoch = world.epoch();
        engine.handle(Input::Epoch(&epoch));
        while let Some(output) = engine.poll_output() {
            match output {
                Output::Position(report) => told.count(&report, world),
                Output::FindingChanged(change) if !change.over => {
                    let anchor = usize::from(change.anchor.0);
                    told.about_anchor(anchor, &change.finding, world, fault);
                }
                Output::KitChanged(change) if !change.over => told.about_kit(&change.finding, world, fault),
                _ => {}
            }
        }
    }
    told
}

/// Runs `n` anchors with this seed.
pub(crate) fn trial(n: usize, three_d: bool, fault: Fault, ways: Ways, seconds: f64, seed: u64) -> Told {
    run(&mut World::new(n, three_d, fault, ways, seed), fault, seconds)
}

impl Told {
    fn count(&mut self, report: &PositionReport, world: &World) {
        if world.t_s() < COUNTED_FROM_S {
            return;
        }
        self.frames += 1;
        let (true, TagState::Located, Some(place)) = (report.checked(), report.state(), &report.place())
        else {
            return;
        };
        self.checked += 1;
        let unknowns = if world.three_d { 3 } else { 2 };
        let square: f64 = (0..unknowns).map(|k| (place.position_m[k] - world.tag_m[k]).powi(2)).sum();
        let error_m = square.sqrt();
        self.worst_m = self.worst_m.max(error_m);
        if report.protection_radius_m().is_none_or(|r| error_m > r) {
            self.beyond += 1;
            self.far += u64::from(error_m > 1.0);
        }
    }

    fn now(&mut self, world: &World) -> (f64, f64) {
        let now = (world.t_s(), world.walked_m);
        self.alarm.get_or_insert(now);
        now
    }

    /// Counts a word, and keeps the first one.
    fn note(&mut self, kind: Option<&'static str>, what: &str, world: &World) {
        let Some(kind) = kind else { return };
        *self.words.entry(kind).or_insert(0) += 1;
        self.alarm_words.get_or_insert_with(|| format!("{what} after {:.0} s", world.t_s()));
    }

    fn name(&mut self, right: bool, what: &str, world: &World) {
        let now = self.now(world);
        if right {
            self.right.get_or_insert(now);
        } else if self.wrong.is_none() {
            self.wrong = Some(format!("{what} after {:.0} s, about {:?}", now.0, world.about));
        }
    }

    fn about_anchor(&mut self, anchor: usize, finding: &AnchorFinding, world: &World, fault: Fault) {
        let of_places = matches!(fault, Fault::Place(..) | Fault::TwoPlaces(..) | Fault::AnchorHeight(_));
        let guilty = world.about.contains(&anchor);
        let what = format!("anchor {anchor}: {finding:?}");
        self.note(word_of(finding), &what, world);
        match finding {
            AnchorFinding::Misplaced { .. } | AnchorFinding::Moved { .. } => {
                if of_places && guilty && world.about.len() == 2 && !self.half {
                    // The other one is still to come.
                    self.half = true;
                    self.now(world);
                    return;
                }
                // A board whose ranges are another one's does not stand where the file says either.
                self.name(guilty, &what, world);
            }
            // An offset that was never taken out is one, and who stands in front makes a board read long.
            AnchorFinding::OffsetChanged { by_m, .. }
                if guilty || (by_m - world.excess_m(anchor).0).abs() > 0.15 =>
            {
                self.name(false, &what, world);
            }
            AnchorFinding::ReadsLong { .. } => {
                let (offset_m, blocked) = world.excess_m(anchor);
                if !blocked && offset_m < 0.15 {
                    self.name(of_places && guilty, &what, world);
                }
            }
            AnchorFinding::Changed { .. } => {
                let (offset_m, blocked) = world.excess_m(anchor);
                if of_places && guilty {
                    self.now(world);
                } else if !blocked && offset_m.abs() < 0.15 {
                    self.name(false, &what, world);
                }
            }
            AnchorFinding::OneOf { .. } => {
                self.now(world);
            }
            _ => {}
        }
    }

    fn about_kit(&mut self, finding: &KitFinding, world: &World, fault: Fault) {
        let KitFinding::SiteDoesNotFit { doubt } = finding else { return };
        let kind = if doubt.cause.is_some() { "site, cause" } else { "site" };
        self.note(Some(kind), &format!("{doubt:?}"), world);
        let Some(cause) = doubt.cause else {
            self.now(world);
            return;
        };
        self.name(is_right(&cause, fault, world), &format!("{cause:?}"), world);
    }
}

/// The words about places and offsets.
fn word_of(finding: &AnchorFinding) -> Option<&'static str> {
    match finding {
        AnchorFinding::Misplaced { .. } => Some("misplaced"),
        AnchorFinding::Moved { .. } => Some("moved"),
        AnchorFinding::OffsetChanged { .. } => Some("offset changed"),
        AnchorFinding::ReadsLong { .. } => Some("reads long"),
        AnchorFinding::Changed { .. } => Some("changed"),
        AnchorFinding::OneOf { .. } => Some("one of"),
        _ => None,
    }
}

/// Whether a cause is what is wrong.
fn is_right(cause: &Cause, fault: Fault, world: &World) -> bool {
    let near = |a: f64, b: f64, share: f64| (a / b - 1.0).abs() < share;
    match (*cause, fault) {
        (Cause::Unit { factor }, Fault::Unit(true_factor)) => near(factor, true_factor, 0.1),
        (Cause::Scale { factor }, Fault::Scale(true_factor)) => near(factor, true_factor, 0.03),
        (Cause::Swapped { anchors }, _) => anchors[..] == world.about[..] && swapped(fault),
        (Cause::Reversed, Fault::Reversed) => true,
        (Cause::Order { place_of }, _) => {
            let order = world.order();
            order.iter().zip(place_of).all(|(a, b)| *a == usize::from(b)) && order.len() > 1
        }
        (Cause::Place { anchor, .. }, Fault::Place(..)) => world.about == [anchor],
        (Cause::Place { anchor, .. } | Cause::AnchorHeight { anchor, .. }, Fault::AnchorHeight(_)) => {
            world.about == [anchor]
        }
        (Cause::TwoPlaces { anchors, .. }, Fault::TwoPlaces(..)) => anchors[..] == world.about[..],
        (Cause::TagHeight { .. }, Fault::TagHeight(_)) => true,
        _ => false,
    }
}

fn swapped(fault: Fault) -> bool {
    matches!(fault, Fault::SwapNeighbours | Fault::SwapOpposite)
}
