//! A campaign of random fault scripts in virtual time: the scripts of [`super::script`] through decoder and engine, with
//! the gate's rule and its judge.
//!
//! What the daemon does to its engine is done here as well: a tick every 20 ms whatever comes, a link that falls away ends
//! the half of a frame and is reported, a reload hands on to a new engine, a kill begins with nothing. While the daemon
//! is stopped, bytes wait and come in one read, with the instant at which the input was last found empty.

use std::collections::BTreeMap;

use hereabout::site_file::SiteFile;
use hereabout_core::{Timestamp, ZoneState};
use hereabout_engine::{Engine, Input, Output};
use hereabout_wire::{Arrival, Decoder};

use super::LIE_S;
use super::gate::{Gate, Judgement};
use super::kit::{Layout, Zone, micros, secs, site_text};
use super::script::{Do, Script, What};

/// As the reader's ticks.
const TICK_US: i64 = 20_000;
/// Length of a script, seconds.
const UNTIL_S: f64 = 40.0;
/// Old frames that are sent again at the usual pace in place of new ones can't be seen without counter and clock: scripts do
/// so for up to 8 s. Seconds.
const LIE_UNSEEN_S: f64 = 8.0;
/// What a terminal holds for a reader that doesn't read, bytes.
const WAITING_MOST: usize = 4095;

/// A daemon without its outside.
struct Virtual {
    site: SiteFile,
    decoder: Decoder,
    engine: Engine,
    gate: Gate,
    alive: bool,
    linked: bool,
    stopped: bool,
    waiting: Vec<u8>,
    empty_us: i64,
    seq: u64,
}

impl Virtual {
    fn new(layout: Layout) -> Virtual {
        let site = SiteFile::from_text("site.toml".as_ref(), &site_text(layout, "/dev/null"), None).unwrap();
        let spec = site.frame.clone().unwrap();
        Virtual {
            decoder: Decoder::new(spec.layout.clone()),
            engine: Engine::new(site.site.clone(), Some(spec)),
            site,
            gate: Gate::default(),
            alive: true,
            linked: true,
            stopped: false,
            waiting: Vec::new(),
            empty_us: 0,
            seq: 0,
        }
    }

    fn order(&mut self, at_us: i64, todo: Do) {
        let at = Timestamp::from_micros(at_us);
        match todo {
            Do::Send(bytes) if self.stopped => {
                let room = WAITING_MOST.saturating_sub(self.waiting.len());
                self.waiting.extend(bytes.into_iter().take(room));
            }
            Do::Send(bytes) => self.read(at_us, &bytes),
            Do::Stop => self.stopped = true,
            Do::Continue => {
                self.stopped = false;
                let waited = std::mem::take(&mut self.waiting);
                self.read(at_us, &waited);
            }
            Do::Kill => self.alive = false,
            Do::Start => {
                let gate = std::mem::take(&mut self.gate);
                *self = Virtual { gate, ..Virtual::new_like(&self.site) };
            }
            Do::Reload => {
                let start = self.engine.hand_on(at);
                self.publish(at_us);
                let spec = self.site.frame.clone();
                let next = Engine::begin(self.site.site.clone(), spec, &start);
                let mut before = std::mem::replace(&mut self.engine, next);
                self.engine.take_over_stream(&mut before);
                self.publish(at_us);
            }
            Do::Disconnect | Do::Connect => {
                self.linked = matches!(todo, Do::Connect);
                self.decoder.cut();
                self.engine.handle(Input::LinkChanged(at));
            }
        }
    }

    fn new_like(site: &SiteFile) -> Virtual {
        let layout = [Layout::Counter, Layout::CounterAndClock, Layout::Neither]
            .into_iter()
            .find(|l| site_text(*l, "/dev/null") == site.text)
            .unwrap();
        Virtual::new(layout)
    }

    fn read(&mut self, at_us: i64, bytes: &[u8]) {
        if !self.linked || !self.alive {
            return;
        }
        self.tick(at_us);
        let empty_at = Some(Timestamp::from_micros(self.empty_us));
        let arrival = Arrival { at: Timestamp::from_micros(at_us), empty_at };
        let mut rest = bytes;
        while !rest.is_empty() {
            rest = &rest[self.decoder.push_arrived(arrival, rest)..];
            while let Some(frame) = self.decoder.next_frame() {
                self.engine.handle(Input::Frame(&frame));
                self.publish(at_us);
            }
        }
        self.empty_us = at_us;
    }

    fn tick(&mut self, at_us: i64) {
        if self.alive && !self.stopped {
            self.engine.handle(Input::Tick(Timestamp::from_micros(at_us)));
            self.publish(at_us);
        }
    }

    fn publish(&mut self, at_us: i64) {
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Position(p) => {
                    assert!(p.seq > self.seq, "numbers never go back");
                    self.seq = p.seq;
                    self.gate.hear_radius(at_us, p.protection_radius_m());
                }
                Output::Zone(z) if z.zone == 0 => {
                    let inside = z.state == ZoneState::Inside;
                    self.gate.hear_zone(at_us, inside, z.valid_until.micros());
                }
                _ => {}
            }
        }
    }
}

fn play(script: &Script) -> Judgement {
    let mut daemon = Virtual::new(script.kit.layout);
    let mut steps = script.steps().into_iter().peekable();
    for tick_us in (0..micros(UNTIL_S)).step_by(TICK_US as usize) {
        while let Some(step) = steps.next_if(|s| s.at_us <= tick_us) {
            daemon.order(step.at_us, step.todo);
        }
        if daemon.alive && !daemon.stopped {
            daemon.tick(tick_us);
            daemon.empty_us = tick_us;
        }
    }
    let outside_m = |us| Zone::Door.outside_m(script.kit.drive.at(us));
    daemon.gate.judge(outside_m, micros(UNTIL_S))
}

/// What was going on when the longest lie began.
fn blamed(script: &Script, judged: &Judgement) -> String {
    let begun = script.faults.iter().rfind(|f| f.from_s <= judged.longest_from_s + 0.1);
    begun.map_or("nothing".to_owned(), |f| format!("{:?} at {:.1} s", f.what, f.from_s))
}

fn campaign(layouts: &[Layout], seeds: std::ops::Range<u64>, limit_s: f64) {
    let (mut lies, mut worst_s, mut open_s, mut inside_s) = (Vec::new(), 0.0f64, 0.0, 0.0);
    let mut kinds = BTreeMap::<String, u32>::new();
    for seed in seeds {
        let layout = layouts[seed as usize % layouts.len()];
        let script = Script::random(seed, layout, UNTIL_S);
        for fault in &script.faults {
            let kind = format!("{:?}", fault.what);
            *kinds.entry(kind.split(' ').next().unwrap_or("").to_owned()).or_default() += 1;
        }
        let judged = play(&script);
        (open_s, inside_s) = (open_s + judged.rightly_open_s, inside_s + judged.inside_s);
        worst_s = worst_s.max(judged.longest_s);
        if judged.longest_s > limit_s {
            let blamed = blamed(&script, &judged);
            lies.push(format!("seed {seed} {layout:?}: {:.2} s amid {blamed}", judged.longest_s));
        }
    }
    println!(
        "worst {worst_s:.2} s; open for {:.0} % of {inside_s:.0} s inside; {kinds:?}",
        100.0 * open_s / inside_s
    );
    assert!(lies.is_empty(), "{} lies:\n{}", lies.len(), lies.join("\n"));
    // A gate that never opens tells no lies either.
    assert!(open_s > 0.3 * inside_s, "open for {open_s:.0} of {inside_s:.0} s inside");
    assert!(kinds.len() >= 12 && kinds.values().all(|n| *n >= 10), "{kinds:?}");
}

#[test]
fn a_thousand_fault_scripts_tell_no_lie_longer_than_a_second() {
    campaign(&[Layout::Counter, Layout::CounterAndClock], 0..1000, LIE_S);
}

#[test]
fn without_counter_and_clock_the_worst_lie_is_known() {
    campaign(&[Layout::Neither], 2000..2400, LIE_UNSEEN_S);
}

#[test]
fn a_script_is_played_alike_every_time() {
    let script = Script::random(7, Layout::Counter, UNTIL_S);
    assert!(script.faults.iter().any(|f| !matches!(f.what, What::Reload)));
    assert_eq!(play(&script), play(&script));
    assert!(secs(micros(UNTIL_S)) == UNTIL_S);
}
