//! The gate and its judge.
//!
//! **The rule.** The gate may be open only while the newest message about the zone and the tag says `inside` and its
//! `valid_until` has not passed. It has no rule of its own beside that: a lost connection, a closed one, another
//! message close it only by what they say, or by what runs out.
//!
//! **A lie** is an instant at which the gate may be open while the cart is outside of the zone by more than the
//! protection radius. That radius is the one of the newest position message, or half a metre where it has none.
//!
//! All times are microseconds since the start of the run, on whatever clock the run has: the caller brings stamps of the
//! daemon onto it.

use super::kit::secs;

/// The radius when nothing was said about it, metres.
const RADIUS_M: f64 = 0.5;
/// How often the judge looks.
const LOOK_EVERY_US: i64 = 5_000;

/// What was heard about one zone and one tag, and of the tag's position.
#[derive(Clone, Debug, Default)]
pub(crate) struct Gate {
    /// When heard, whether inside, until when.
    answers: Vec<(i64, bool, i64)>,
    /// When heard, metres.
    radii: Vec<(i64, f64)>,
}

/// What the judge found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Judgement {
    /// How long the gate was open, seconds.
    pub(crate) open_s: f64,
    /// How long the cart was inside, seconds.
    pub(crate) inside_s: f64,
    /// How long both were so, seconds.
    pub(crate) rightly_open_s: f64,
    /// How long it lied in all, seconds.
    pub(crate) lies_s: f64,
    /// The longest lie, seconds.
    pub(crate) longest_s: f64,
    /// When that began, seconds from the start of the run.
    pub(crate) longest_from_s: f64,
}

impl Gate {
    /// A message about the zone came at `at_us`; stamps may not go backward.
    pub(crate) fn hear_zone(&mut self, at_us: i64, inside: bool, valid_until_us: i64) {
        self.answers.push((at_us, inside, valid_until_us));
    }

    /// A position message came at `at_us`.
    pub(crate) fn hear_radius(&mut self, at_us: i64, protection_radius_m: Option<f64>) {
        self.radii.push((at_us, protection_radius_m.unwrap_or(RADIUS_M)));
    }

    /// Whether the gate may be open at an instant.
    pub(crate) fn is_open(&self, at_us: i64) -> bool {
        let heard = self.answers.partition_point(|(at, ..)| *at <= at_us);
        let newest = heard.checked_sub(1).map(|i| self.answers[i]);
        newest.is_some_and(|(_, inside, until_us)| inside && at_us < until_us)
    }

    /// From when to when it was open, up to an instant.
    pub(crate) fn opened(&self, until_us: i64) -> Vec<(i64, i64)> {
        let mut spans: Vec<(i64, i64)> = Vec::new();
        for (i, &(from, inside, valid_until_us)) in self.answers.iter().enumerate() {
            let next = self.answers.get(i + 1).map_or(until_us, |(at, ..)| *at);
            let to = valid_until_us.min(next).min(until_us);
            match spans.last_mut() {
                _ if !inside || to <= from => {}
                Some(last) if last.1 == from => last.1 = to,
                _ => spans.push((from, to)),
            }
        }
        spans
    }

    fn radius_m(&self, at_us: i64) -> f64 {
        let heard = self.radii.partition_point(|(at, _)| *at <= at_us);
        heard.checked_sub(1).map_or(RADIUS_M, |i| self.radii[i].1)
    }

    /// Holds the gate against the truth: `outside_m` says how far outside of the zone the cart is at an instant.
    pub(crate) fn judge(&self, outside_m: impl Fn(i64) -> f64, until_us: i64) -> Judgement {
        let look_s = secs(LOOK_EVERY_US);
        let mut found = Judgement::default();
        let mut lie_s = 0.0;
        for at_us in (0..until_us).step_by(LOOK_EVERY_US as usize) {
            let (open, outside_m) = (self.is_open(at_us), outside_m(at_us));
            let inside = outside_m <= 0.0;
            found.open_s += if open { look_s } else { 0.0 };
            found.inside_s += if inside { look_s } else { 0.0 };
            found.rightly_open_s += if open && inside { look_s } else { 0.0 };
            if !(open && outside_m > self.radius_m(at_us)) {
                lie_s = 0.0;
                continue;
            }
            lie_s += look_s;
            found.lies_s += look_s;
            if lie_s > found.longest_s {
                found.longest_s = lie_s;
                found.longest_from_s = secs(at_us) + look_s - lie_s;
            }
        }
        found
    }
}
