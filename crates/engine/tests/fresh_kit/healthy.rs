//! A healthy kit, heard twice: as frames, whose freshness is judged, and as bare epochs, which nobody doubts. What the
//! judging costs is the difference; any "frozen", "old", "repeated" or held range is a false one.
//!
//! The kit is that of the zone study (noise, late stretches, wild readings, missing ranges, a cart that drives and rests), rounded to
//! centimetres, with arrivals that jitter by up to a tenth of an interval and, now and then, wait for two tenths of a second.

use hereabout_core::{Doubt, Epoch, Frame, MAX_ANCHORS, Micros, TagState, Timestamp, Word, ZoneState};
use hereabout_engine::{Engine, Input, Output};
use hereabout_wire::{FrameSpec, Layout, NoRange, Unit};

use crate::kit::{Cart, Dice, Errors, Kit, TAG_UP_M, nine_zones, posts, site, stamp};

/// What the frames carry beside ranges.
pub(crate) const LAYOUTS: [&str; 3] = [
    "c3 5a range:u16le*N sum8",
    "c3 5a seq:u8 range:u16le*N sum8",
    "c3 5a seq:u16le millis:u32le range:u16le*N sum8",
];

/// What was counted of one way of hearing.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Shares {
    pub(crate) frames: u64,
    pub(crate) located: u64,
    pub(crate) checked: u64,
    /// Zones known, of zones asked: each zone at each frame.
    pub(crate) known: u64,
    pub(crate) asked: u64,
}

/// Both ways, and what was falsely said.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Healthy {
    pub(crate) hours: f64,
    pub(crate) judged: Shares,
    pub(crate) bare: Shares,
    /// Frames by doubt, in the order of [`Doubt::ALL`]; and frames with a held range.
    pub(crate) doubted: [u64; 4],
    pub(crate) held: u64,
}

impl Shares {
    fn add(&mut self, other: &Shares) {
        self.frames += other.frames;
        self.located += other.located;
        self.checked += other.checked;
        self.known += other.known;
        self.asked += other.asked;
    }

    /// Located, checked, zones known, per cent.
    pub(crate) fn percent(&self) -> [f64; 3] {
        let share = |part: u64, of: u64| 100.0 * part as f64 / of.max(1) as f64;
        [share(self.located, self.frames), share(self.checked, self.frames), share(self.known, self.asked)]
    }
}

impl Healthy {
    pub(crate) fn add(&mut self, other: &Healthy) {
        self.hours += other.hours;
        self.judged.add(&other.judged);
        self.bare.add(&other.bare);
        self.held += other.held;
        for (sum, n) in self.doubted.iter_mut().zip(other.doubted) {
            *sum += n;
        }
    }

    /// Points that located, checked and zones known lose by the judging.
    pub(crate) fn lost_points(&self) -> [f64; 3] {
        let (judged, bare) = (self.judged.percent(), self.bare.percent());
        [0, 1, 2].map(|i| bare[i] - judged[i])
    }
}

/// An engine with the state of each zone as a reader has it.
struct Listener {
    engine: Engine,
    zones: Vec<(ZoneState, Timestamp)>,
    state: (TagState, bool, Timestamp),
    shares: Shares,
    doubted: [u64; 4],
    held: u64,
}

impl Listener {
    fn new(engine: Engine) -> Listener {
        let zones = vec![(ZoneState::Unknown, Timestamp::MIN); engine.site().zones().len()];
        let state = (TagState::Lost, false, Timestamp::MIN);
        Listener { engine, zones, state, shares: Shares::default(), doubted: [0; 4], held: 0 }
    }

    fn hear(&mut self, input: Input<'_>) {
        self.engine.handle(input);
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Position(p) => self.state = (p.state(), p.checked(), p.valid_until),
                Output::Zone(z) => self.zones[z.zone] = (z.state, z.valid_until),
                Output::Ranges(e) => {
                    if let Some(doubt) = e.doubt {
                        self.doubted[doubt as usize] += 1;
                    }
                    let held = |r: &hereabout_core::JudgedRange| r.verdict == hereabout_core::Verdict::Held;
                    self.held += u64::from(e.ranges.iter().any(held));
                }
                _ => {}
            }
        }
    }

    /// Counts what a reader may believe at an instant.
    fn count(&mut self, at: Timestamp) {
        let (state, checked, until) = self.state;
        let located = state == TagState::Located && at < until;
        self.shares.frames += 1;
        self.shares.located += u64::from(located);
        self.shares.checked += u64::from(located && checked);
        self.shares.asked += self.zones.len() as u64;
        let known = |z: &&(ZoneState, Timestamp)| z.0 != ZoneState::Unknown && at < z.1;
        self.shares.known += self.zones.iter().filter(known).count() as u64;
    }
}

/// Some simulated hours of a kit with this many anchors.
pub(crate) fn healthy(anchors: usize, layout: usize, late: f64, hours: f64, seed: u64) -> Healthy {
    let mut dice = Dice::new(seed);
    let places = posts(anchors);
    let mut kit = Kit::new(&places, Errors { late, wild: 0.002 }, &mut dice);
    let mut cart = Cart::new(&mut dice);
    let source = LAYOUTS[layout].replace('N', &anchors.to_string());
    let layout = Layout::parse_binary(&source).expect("a layout");
    let spec = FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) };
    let has_counter = source.contains("seq");
    let has_clock = source.contains("millis");
    let turn = if source.contains("seq:u8") { 256 } else { 65_536 };
    let mut judged = Listener::new(Engine::new(site(&places, nine_zones()), Some(spec)));
    let mut bare = Listener::new(Engine::new(site(&places, nine_zones()), None));
    let mut waits_until = Timestamp::MIN;
    for k in 0..(hours * 36_000.0) as usize {
        cart.step(&mut dice);
        let mut epoch = kit.frame(stamp(k), [cart.at_m[0], cart.at_m[1], TAG_UP_M], &mut dice);
        let wait_us = if dice.odds(0.001) { 200_000.0 } else { 1_000.0 + dice.between(0.0, 9_000.0) };
        waits_until = waits_until.max(epoch.at.plus(Micros::from_micros(wait_us as i64)));
        round_to_cm(&mut epoch);
        let word = |r: Option<f64>| Word::Int((r.unwrap_or(0.0) * 100.0).round() as i64);
        let frame = Frame {
            received_at: waits_until,
            empty_at: None,
            skipped_bytes: 0,
            tag: None,
            seq: has_counter.then_some((k % turn) as u32),
            millis: has_clock.then_some((k * 100) as u32),
            words: epoch.readings.iter().map(|r| word(r.raw_range_m)).collect(),
        };
        (epoch.at, epoch.measured_at) = (waits_until, waits_until);
        judged.hear(Input::Frame(&frame));
        bare.hear(Input::Epoch(&epoch));
        judged.count(waits_until);
        bare.count(waits_until);
    }
    Healthy { hours, judged: judged.shares, bare: bare.shares, doubted: judged.doubted, held: judged.held }
}

fn round_to_cm(epoch: &mut Epoch) {
    for reading in &mut epoch.readings {
        reading.raw_range_m = reading.raw_range_m.map(|r| (r * 100.0).round() / 100.0);
    }
}

/// A recording's rows: seconds, and the range of each field, metres.
pub(crate) type Rows = Vec<(f64, Vec<Option<f64>>)>;

/// What is said of a recording's frames by doubt, and how many have a held range; by the millimetre.
pub(crate) fn recorded(rows: &Rows) -> ([u64; 4], u64) {
    let fields = rows.first().map_or(0, |r| r.1.len());
    let places = posts(8.min(fields.max(3)));
    let layout = Layout::parse_text(&format!("range*{fields}")).expect("a layout");
    let spec = FrameSpec { layout, unit: Unit::M, no_range: NoRange::new([]) };
    let mut listener = Listener::new(Engine::new(site(&places, Vec::new()), Some(spec)));
    for (t, ranges) in rows {
        assert!(ranges.len() <= MAX_ANCHORS);
        let word = |r: &Option<f64>| r.map_or(Word::Missing, Word::Float);
        let frame = Frame {
            received_at: Timestamp::from_micros((t * 1e6).round() as i64),
            empty_at: None,
            skipped_bytes: 0,
            tag: None,
            seq: None,
            millis: None,
            words: ranges.iter().map(word).collect(),
        };
        listener.hear(Input::Frame(&frame));
    }
    (listener.doubted, listener.held)
}

/// Places of the doubts in [`Healthy::doubted`] that are false on a healthy kit. Unsettled is not: every start takes a
/// second.
pub(crate) const FALSE: [Doubt; 3] = [Doubt::Old, Doubt::Repeated, Doubt::Frozen];
