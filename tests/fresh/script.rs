//! Fault scripts: what goes wrong between the measuring and the reading of a frame, written down before it happens.
//!
//! **Model.** The kit's frames pass three stages. The *module* decides what it sends (hung, holding a range, without
//! ranges, rebooted, silent, sending old frames again). The *way* to the daemon decides when it comes (a stall, then the
//! backlog at a multiple of the pace or at once) and adds noise. *Orders* are done to the daemon itself (reload, kill,
//! stop). What comes of it is one list of [`Step`]s in order of time, the same for a seed, whether they are played in real
//! time at a real daemon or in virtual time at an engine.
//!
//! **In virtual time** bytes that come between [`Do::Stop`] and [`Do::Continue`] wait in the kernel and are read in one go at
//! the latter; between [`Do::Kill`] and [`Do::Start`], and from [`Do::Disconnect`] to [`Do::Connect`], they are lost.
//!
//! **Random scripts** are unkind: as a rule the cart stands in the zone and leaves when an answer that stays would be a
//! lie. They leave out what no reader can see: nobody is killed while old bytes are on their way (a daemon that
//! has heard nothing else takes them for new ones), a counter that a reboot began anew tells nothing of older frames, and
//! to a daemon that was killed meanwhile, frames of more than half a turn ago are frames of the future.

use super::kit::{Drive, Kit, Layout, Measured, Random, micros, secs};

/// How often a byte of noise comes, seconds: slower than one a tick would starve nobody.
const NOISE_EVERY_S: f64 = 0.008;
/// Random scripts leave the daemon alone for so long first, seconds.
const SETTLED_S: f64 = 3.0;
/// A counter of one byte comes round in twice that and a little, seconds.
const HALF_A_TURN_S: f64 = 12.0;
/// And let it recover between two faults for at least so long, seconds.
const RECOVERY_S: f64 = 1.2;

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum What {
    /// Nothing comes through; then the backlog does, at so many times the pace (infinite: at once).
    Stall { pace: f64 },
    /// The module sends the very frame of before.
    SameFrame,
    /// Its counter and clock run on, and its ranges stay.
    SameRanges,
    /// It holds the last range of one anchor.
    HeldRange { anchor: usize },
    /// It sends the frames of so many seconds ago again, in place of new ones.
    Resend { age_s: f64 },
    /// Bytes that are no frame, in place of frames.
    Noise,
    /// Datagrams without a byte, in place of frames.
    Empty,
    /// Nothing is sent.
    Silence,
    /// The tag is off: frames without a range.
    NoRanges,
    /// The module is off; then counter and clock begin at 0.
    Reboot,
    /// The link is closed, and opened again after that.
    Reconnect,
    /// The daemon is told to read its files again.
    Reload,
    /// The daemon is killed, and started again after that.
    Kill,
    /// The daemon is stopped, and continued after that.
    Stop,
}

/// What goes wrong, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fault {
    /// From the start of the run, seconds.
    pub(crate) from_s: f64,
    /// For how long, seconds; infinite is for ever.
    pub(crate) for_s: f64,
    /// What.
    pub(crate) what: What,
}

impl Fault {
    /// A fault.
    pub(crate) fn new(from_s: f64, for_s: f64, what: What) -> Fault {
        Fault { from_s, for_s, what }
    }

    fn until_s(&self) -> f64 {
        self.from_s + self.for_s
    }

    fn covers(&self, at_us: i64) -> bool {
        (self.from_s..self.until_s()).contains(&secs(at_us))
    }

    /// When it has no effect any more: a backlog takes its time.
    fn over_s(&self) -> f64 {
        match self.what {
            What::Stall { pace } => self.until_s() + self.for_s / (pace - 1.0),
            _ => self.until_s(),
        }
    }
}

/// What is done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Do {
    /// These bytes come to the daemon.
    Send(Vec<u8>),
    /// The link is closed by the other side.
    Disconnect,
    /// It can be opened again.
    Connect,
    /// SIGHUP.
    Reload,
    /// SIGKILL.
    Kill,
    /// The daemon is started again.
    Start,
    /// SIGSTOP.
    Stop,
    /// SIGCONT.
    Continue,
}

/// What is done, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Step {
    /// From the start of the run, microseconds.
    pub(crate) at_us: i64,
    /// When the bytes were measured; none for noise and orders.
    pub(crate) measured_us: Option<i64>,
    /// What.
    pub(crate) todo: Do,
}

impl Step {
    fn order(at_s: f64, todo: Do) -> Step {
        Step { at_us: micros(at_s), measured_us: None, todo }
    }
}

/// A kit and what goes wrong with it.
#[derive(Clone, Debug)]
pub(crate) struct Script {
    /// The kit.
    pub(crate) kit: Kit,
    /// In order of time.
    pub(crate) faults: Vec<Fault>,
    /// The end, seconds.
    pub(crate) until_s: f64,
}

impl Script {
    /// A script by hand.
    pub(crate) fn new(kit: Kit, faults: &[Fault], until_s: f64) -> Script {
        Script { kit, faults: faults.to_vec(), until_s }
    }

    /// A script by chance: faults one after the other from the third second on, and now and then a reload amid them.
    /// As a rule the cart leaves the roller door when that is worst.
    pub(crate) fn random(seed: u64, layout: Layout, until_s: f64) -> Script {
        let mut random = Random::new(seed);
        let worst = random.below(5) > 0;
        let drive = if worst { Drive::parked(spot(&mut random, true)) } else { rounds(&mut random, until_s) };
        let mut script = Script::new(Kit::new(random.bits(), layout, drive), &[], until_s);
        let mut from_s = SETTLED_S + random.between(0.0, 1.0);
        while from_s < until_s - 1.0 {
            let leaves_s = script.add_one(&mut random, from_s);
            let over_s = script.faults.iter().map(Fault::over_s).fold(from_s, f64::max);
            let mut ready_s = over_s;
            if worst && over_s.is_finite() {
                ready_s = script.go(&mut random, leaves_s, false);
                ready_s = script.go(&mut random, ready_s.max(over_s), true);
            } else if worst {
                script.go(&mut random, leaves_s, false);
            }
            from_s = ready_s + RECOVERY_S + random.between(0.0, 1.5);
        }
        if random.below(3) == 0 {
            let at_s = random.between(SETTLED_S, until_s);
            script.faults.push(Fault::new(at_s, 0.0, What::Reload));
        }
        script.faults.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        script
    }

    /// The cart drives into the zone or out of it; gives when it has arrived.
    fn go(&mut self, random: &mut Random, from_s: f64, inside: bool) -> f64 {
        let place_m = spot(random, inside);
        let drive = self.kit.drive.clone().then(from_s, place_m, random.between(1.0, 2.0));
        self.kit.drive = drive;
        self.kit.drive.rests_from_s()
    }

    /// Adds a fault; gives when it would be worst if the cart left.
    fn add_one(&mut self, random: &mut Random, from_s: f64) -> f64 {
        let left_s = self.until_s - from_s;
        let for_s = random.between(1.0, 8.0).min(left_s);
        let lasting_s = if random.below(4) == 0 { f64::INFINITY } else { for_s };
        let (what, for_s) = match random.below(13) {
            0 | 1 => (What::Stall { pace: random.between(1.3, 5.0) }, 0.6 * for_s),
            2 => (What::Stall { pace: f64::INFINITY }, for_s),
            3 => (What::SameFrame, lasting_s),
            4 => (What::SameRanges, lasting_s),
            5 => (What::HeldRange { anchor: random.below(8) }, lasting_s),
            6 | 7 => return self.add_resend(random, from_s, for_s),
            8 => (What::Noise, for_s),
            9 => (What::NoRanges, for_s),
            10 => (What::Reboot, for_s.min(1.5)),
            11 => (What::Kill, for_s.min(1.0)),
            _ => (What::Stop, for_s.min(left_s - 0.5)),
        };
        self.faults.push(Fault::new(from_s, for_s, what));
        match what {
            // Out when the backlog begins.
            What::Stall { .. } | What::Stop => from_s + (for_s - random.between(0.8, 2.0)).max(0.0),
            _ => from_s + random.between(-0.5, 0.5),
        }
    }

    /// Old frames, half of the times over a new link. The cart has left shortly before.
    fn add_resend(&mut self, random: &mut Random, from_s: f64, for_s: f64) -> f64 {
        let rebooted_s = self.faults.iter().filter(|f| f.what == What::Reboot).map(Fault::until_s);
        let killed = self.faults.iter().any(|f| f.what == What::Kill);
        let visible_s = if killed { HALF_A_TURN_S } else { 20.0 };
        let most_s = (from_s - rebooted_s.fold(0.0, f64::max)).min(visible_s);
        let age_s = random.between((0.8 * most_s).min(6.0), most_s);
        if random.below(2) == 0 {
            self.faults.push(Fault::new(from_s - 0.3, 0.3, What::Reconnect));
        }
        self.faults.push(Fault::new(from_s, for_s.min(age_s), What::Resend { age_s }));
        from_s - random.between(0.5, 1.5)
    }

    /// Everything that happens, in order of time.
    pub(crate) fn steps(&self) -> Vec<Step> {
        let mut steps = self.sent();
        steps.extend(self.noise());
        self.faults.iter().for_each(|f| steps.extend(orders(f)));
        steps.retain(|s| s.at_us <= micros(self.until_s));
        steps.sort_by_key(|s| s.at_us); // stable: what comes at one instant stays in order
        steps
    }

    fn sent(&self) -> Vec<Step> {
        let stalls: Vec<&Fault> =
            self.faults.iter().filter(|f| matches!(f.what, What::Stall { .. })).collect();
        let module = self.module();
        let mut steps = Vec::new();
        for (i, frame) in module.iter().enumerate() {
            let from = frame.map_or(Some(i), |f| self.resent_from(i, f.at_us));
            let (Some(now), Some(old)) = (frame, from.and_then(|i| module[i])) else { continue };
            let natural_us = now.at_us + now.delay_us;
            let at_us = stalls.iter().fold(natural_us, |at, stall| released_us(stall, at));
            let todo = Do::Send(self.kit.layout.encode(&old));
            steps.push(Step { at_us, measured_us: Some(old.at_us), todo });
        }
        steps
    }

    /// Which frame stands in place of the `i`-th; none when it is from before the start.
    fn resent_from(&self, i: usize, at_us: i64) -> Option<usize> {
        let age_s = self.faults.iter().find_map(|f| match f.what {
            What::Resend { age_s } if f.covers(at_us) => Some(age_s),
            _ => None,
        });
        i.checked_sub((age_s.unwrap_or(0.0) * self.kit.rate_hz).round() as usize)
    }

    /// What the module sends in place of each frame; none for nothing.
    fn module(&self) -> Vec<Option<Measured>> {
        let measured = self.kit.frames(self.until_s);
        let mut out: Vec<Option<Measured>> = Vec::with_capacity(measured.len());
        // The frame that it was at before a fault, by fault.
        let mut before: Vec<Option<Measured>> = vec![None; self.faults.len()];
        for frame in measured {
            let mut now = Some(frame);
            for (fault, before) in self.faults.iter().zip(&mut before) {
                if fault.covers(frame.at_us) {
                    now = now.and_then(|f| spoilt(f, fault, *before));
                } else if secs(frame.at_us) < fault.from_s {
                    *before = now.or(*before);
                } else if fault.what == What::Reboot {
                    now = now.map(|f| begun_anew(f, fault, self.kit.rate_hz));
                }
            }
            out.push(now);
        }
        out
    }

    fn noise(&self) -> Vec<Step> {
        let mut random = Random::new(!self.kit.seed);
        let mut steps = Vec::new();
        for fault in self.faults.iter().filter(|f| matches!(f.what, What::Noise | What::Empty)) {
            let count = usize::from(fault.what == What::Noise);
            let until_s = fault.until_s().min(self.until_s);
            for i in 0..((until_s - fault.from_s) / NOISE_EVERY_S) as u32 {
                let at_s = fault.from_s + f64::from(i) * NOISE_EVERY_S;
                steps.push(Step::order(at_s, Do::Send(vec![random.bits() as u8; count])));
            }
        }
        steps
    }
}

/// A place in front of the roller door, or off it, metres.
fn spot(random: &mut Random, inside: bool) -> [f64; 2] {
    let north_m = if inside { random.between(1.5, 2.5) } else { random.between(6.0, 8.0) };
    [random.between(10.5, 11.5), north_m]
}

/// In and out of the roller door, whatever goes wrong.
fn rounds(random: &mut Random, until_s: f64) -> Drive {
    let mut inside = random.below(2) == 0;
    let mut drive = Drive::parked(spot(random, inside));
    while drive.rests_from_s() < until_s {
        inside = !inside;
        let from_s = drive.rests_from_s() + random.between(0.5, 4.0);
        drive = drive.then(from_s, spot(random, inside), random.between(0.6, 2.0));
    }
    drive
}

/// What the module makes of a frame amid a fault.
fn spoilt(frame: Measured, fault: &Fault, before: Option<Measured>) -> Option<Measured> {
    let before = before.unwrap_or(frame);
    match fault.what {
        What::SameFrame => Some(Measured { delay_us: frame.delay_us, at_us: frame.at_us, ..before }),
        What::SameRanges => Some(Measured { words: before.words, ..frame }),
        What::HeldRange { anchor } => {
            let mut held = frame;
            held.words[anchor] = before.words[anchor];
            Some(held)
        }
        What::NoRanges => Some(Measured { words: [0; 8], ..frame }),
        What::Noise | What::Empty | What::Silence | What::Reboot | What::Reconnect => None,
        What::Stall { .. } | What::Resend { .. } | What::Reload | What::Kill | What::Stop => Some(frame),
    }
}

/// Counter and clock of a module that was switched on again.
fn begun_anew(frame: Measured, fault: &Fault, rate_hz: f64) -> Measured {
    let since_s = secs(frame.at_us) - fault.until_s();
    Measured { seq: (since_s * rate_hz) as u32, millis: (since_s * 1e3) as u32, ..frame }
}

/// When something comes through that would have come at `at_us` without the stall.
fn released_us(stall: &Fault, at_us: i64) -> i64 {
    let What::Stall { pace } = stall.what else { return at_us };
    let waited_s = secs(at_us) - stall.from_s;
    if waited_s < 0.0 { at_us } else { at_us.max(micros(stall.until_s() + waited_s / pace)) }
}

/// What is done to the daemon and its link.
fn orders(fault: &Fault) -> Vec<Step> {
    let both = |begin, end| vec![Step::order(fault.from_s, begin), Step::order(fault.until_s(), end)];
    match fault.what {
        What::Reload => vec![Step::order(fault.from_s, Do::Reload)],
        What::Reconnect => both(Do::Disconnect, Do::Connect),
        What::Kill => both(Do::Kill, Do::Start),
        What::Stop => both(Do::Stop, Do::Continue),
        _ => Vec::new(),
    }
}
