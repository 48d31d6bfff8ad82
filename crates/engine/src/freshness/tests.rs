use hereabout_core::{AnchorId, MAX_ANCHORS, RangeReading};
use hereabout_wire::{Layout, NoRange, Unit};

use super::*;

/// Splitmix64 with Box-Muller.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn gauss(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

const PLAIN: &str = "c3 5a range:u16le*8 sum8 0a";
const COUNTER: &str = "c3 5a seq:u8 range:u16le*8 sum8 0a";
const CLOCK: &str = "c3 5a seq:u16le millis:u32le range:u16le*8 sum8 0a";
const CLOCK_ONLY: &str = "c3 5a millis:u16le range:u16le*8 sum8 0a";

fn spec(layout: &str) -> FrameSpec {
    let layout = Layout::parse_binary(layout).expect("a layout");
    FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) }
}

fn at(s: f64) -> Timestamp {
    Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_secs_f64(s))
}

/// One frame: when it was measured, when it arrived (seconds), its counter, its ranges.
#[derive(Clone, Debug)]
struct Sent {
    measured_s: f64,
    arrives_s: f64,
    count: u64,
    ranges_m: Vec<Option<f64>>,
}

/// A kit whose tag drives at `speed_mps` past `anchors` boards, rounded to `step_m`.
#[derive(Clone, Copy)]
struct Kit {
    rate_hz: f64,
    anchors: usize,
    speed_mps: f64,
    sigma_m: f64,
    step_m: f64,
    jitter_s: f64,
    clock_rate: f64,
}

const KIT: Kit = Kit {
    rate_hz: 10.0,
    anchors: 8,
    speed_mps: 0.8,
    sigma_m: 0.04,
    step_m: 0.01,
    jitter_s: 0.01,
    clock_rate: 1.0,
};

impl Kit {
    fn frames(&self, seconds: f64, seed: u64) -> Vec<Sent> {
        let mut dice = Dice(seed);
        let count = (seconds * self.rate_hz) as u64;
        let frame = |k: u64| {
            let measured_s = k as f64 / self.rate_hz;
            let turn = self.speed_mps * measured_s / 5.0;
            let (e, n) = (10.0 + 5.0 * turn.cos(), 7.0 + 5.0 * turn.sin());
            let range = |i: usize| {
                let (ae, an) = ((i % 4) as f64 * 8.0, (i / 4) as f64 * 14.0);
                let true_m = ((e - ae).powi(2) + (n - an).powi(2) + 2.0).sqrt();
                let heard_m = true_m + self.sigma_m * dice.gauss();
                Some((heard_m / self.step_m).round() * self.step_m)
            };
            let ranges_m = (0..self.anchors).map(range).collect();
            let arrives_s = measured_s + 0.004 + self.jitter_s * dice.unit();
            Sent { measured_s, arrives_s, count: k, ranges_m }
        };
        (0..count).map(frame).collect()
    }
}

/// What was said of one frame.
#[derive(Clone, Copy, Debug)]
struct Said {
    sent_s: f64,
    arrives_s: f64,
    doubt: Option<Doubt>,
    measured_at: Timestamp,
    held: u16,
}

struct Stream {
    fresh: Freshness,
    kit: Kit,
    turns: [u64; 2],
    fields: [bool; 2],
}

impl Stream {
    fn new(layout: &str, kit: Kit) -> Stream {
        let spec = spec(layout);
        let turn = |f| spec.layout.counter_max(f).map_or(1 << 32, |m| u64::from(m) + 1);
        let fields = [FieldName::Seq, FieldName::Millis].map(|f| spec.layout.counter_max(f).is_some());
        Stream {
            fresh: Freshness::new(Some(&spec), Micros::from_millis(300)),
            kit,
            turns: [turn(FieldName::Seq), turn(FieldName::Millis)],
            fields,
        }
    }

    fn hear(&mut self, sent: &Sent) -> Said {
        let clock_ms = (sent.measured_s * 1000.0 * self.kit.clock_rate) as u64 + 12_345;
        let word = |r: &Option<f64>| r.map_or(Word::Missing, |m| Word::Int((m * 100.0).round() as i64));
        let frame = Frame {
            received_at: at(sent.arrives_s),
            empty_at: None,
            skipped_bytes: 0,
            tag: None,
            seq: self.fields[0].then(|| (sent.count % self.turns[0]) as u32),
            millis: self.fields[1].then(|| (clock_ms % self.turns[1]) as u32),
            words: sent.ranges_m.iter().map(word).collect(),
        };
        let reading =
            |(i, r): (usize, &Option<f64>)| RangeReading { anchor: AnchorId(i as u16), raw_range_m: *r };
        let readings: ArrayVec<_, MAX_ANCHORS> = sent.ranges_m.iter().enumerate().map(reading).collect();
        let mut epoch = Epoch::new(frame.received_at, TagId(0), frame.seq, readings);
        self.fresh.judge(&frame, &mut epoch);
        Said {
            sent_s: sent.measured_s,
            arrives_s: sent.arrives_s,
            doubt: epoch.doubt,
            measured_at: epoch.measured_at,
            held: epoch.held,
        }
    }

    fn hear_all(&mut self, sent: &[Sent]) -> Vec<Said> {
        sent.iter().map(|s| self.hear(s)).collect()
    }
}

fn count(said: &[Said], doubt: Option<Doubt>) -> usize {
    said.iter().filter(|s| s.doubt == doubt).count()
}

/// How long after `from_s` frames older than `older_s` are still taken for the present, in all.
fn lies_s(said: &[Said], from_s: f64, older_s: f64) -> f64 {
    let old = |s: &&Said| s.arrives_s >= from_s && s.doubt.is_none() && s.arrives_s - s.sent_s > older_s;
    let times: Vec<f64> = said.iter().filter(old).map(|s| s.arrives_s).collect();
    times.first().zip(times.last()).map_or(0.0, |(a, b)| b - a)
}

/// A stall of `stall_s` at `from_s`, and then the backlog at `pace` times the usual one.
fn stall(frames: &mut [Sent], from_s: f64, stall_s: f64, pace: f64, rate_hz: f64) {
    let mut free_s = from_s + stall_s;
    for frame in frames.iter_mut().filter(|f| f.arrives_s >= from_s) {
        frame.arrives_s = frame.arrives_s.max(free_s);
        free_s = frame.arrives_s + 1.0 / (pace * rate_hz);
    }
}

#[test]
fn a_healthy_stream_is_of_the_present_after_a_second_at_every_rate() {
    for layout in [PLAIN, COUNTER, CLOCK, CLOCK_ONLY] {
        for rate_hz in [1.0, 2.0, 10.0, 40.0] {
            for jitter_s in [0.0, 0.2 / rate_hz] {
                let kit = Kit { rate_hz, jitter_s: f64::min(jitter_s, 0.02), ..KIT };
                let mut stream = Stream::new(layout, kit);
                let said = stream.hear_all(&kit.frames(600.0, 7));
                let settled = said.iter().position(|s| s.doubt.is_none()).expect("settles");
                let took_s = said[settled].arrives_s - said[0].arrives_s;
                let most_s = f64::max(1.0, 5.0 / rate_hz) + 2.0 / rate_hz + 0.1;
                assert!(took_s <= most_s, "{layout} {rate_hz} Hz: {took_s} s");
                let doubted = said[settled..].iter().find(|s| s.doubt.is_some());
                assert!(doubted.is_none(), "{layout} {rate_hz} Hz {jitter_s}: {doubted:?}");
                for s in &said[settled..] {
                    let off_s = (s.measured_at.since(at(s.sent_s))).secs_f64();
                    assert!((-0.05..=0.06).contains(&off_s), "{layout} {rate_hz} Hz: measured {off_s} off");
                }
            }
        }
    }
}

#[test]
fn a_backlog_is_old_until_it_is_worked_off() {
    for layout in [PLAIN, COUNTER, CLOCK] {
        for rate_hz in [2.0, 10.0, 40.0] {
            for (stall_s, pace) in [(8.0, 3.0), (8.0, 1.5), (3.0, 100.0), (20.0, 10.0), (1.0, 2.0)] {
                let kit = Kit { rate_hz, ..KIT };
                let mut frames = kit.frames(120.0, 3);
                stall(&mut frames, 30.0, stall_s, pace, rate_hz);
                let said = Stream::new(layout, kit).hear_all(&frames);
                let lies = lies_s(&said, 30.0, 0.36);
                assert!(lies <= 0.0, "{layout} {rate_hz} Hz {stall_s} s {pace}x: {lies} s");
                // And it is over: the last 20 s are of the present.
                let end: Vec<Said> = said.iter().filter(|s| s.arrives_s > 100.0).copied().collect();
                assert_eq!(count(&end, None), end.len(), "{layout} {rate_hz} Hz {stall_s} s {pace}x");
            }
        }
    }
}

#[test]
fn with_a_clock_a_delay_that_stays_is_told_for_as_long_as_it_lasts() {
    let mut frames = KIT.frames(120.0, 5);
    for frame in frames.iter_mut().filter(|f| f.measured_s >= 30.0) {
        frame.arrives_s += 2.0;
    }
    let said = Stream::new(CLOCK, KIT).hear_all(&frames);
    assert_eq!(lies_s(&said, 30.0, 0.5), 0.0);
    let late: Vec<&Said> = said.iter().filter(|s| s.sent_s >= 30.5).collect();
    assert!(late.iter().all(|s| s.doubt == Some(Doubt::Old)));
    for s in late {
        assert!((s.measured_at.since(at(s.sent_s)).secs_f64()).abs() < 0.2, "{s:?}");
    }
}

#[test]
fn a_clock_that_runs_wrong_by_two_in_a_hundred_is_learned() {
    for clock_rate in [0.98, 1.02, 1.0002] {
        let kit = Kit { clock_rate, ..KIT };
        let said = Stream::new(CLOCK, kit).hear_all(&kit.frames(1800.0, 11));
        let doubted = said[20..].iter().filter(|s| s.doubt.is_some()).count();
        assert_eq!(doubted, 0, "rate {clock_rate}");
    }
}

#[test]
fn frames_that_are_sent_again_are_known() {
    for layout in [COUNTER, CLOCK, CLOCK_ONLY] {
        for back in [101usize, 150, 230, 400] {
            let frames = KIT.frames(90.0, 13);
            // At 60 s the frames of before come again for ten seconds, in place of or beside the present ones.
            for beside in [false, true] {
                let mut all: Vec<Sent> = Vec::new();
                for frame in &frames {
                    let now_s = frame.arrives_s;
                    if (60.0..70.0).contains(&now_s) {
                        let again = &frames[frame.count as usize - back];
                        all.push(Sent { arrives_s: now_s, ..again.clone() });
                        if !beside {
                            continue;
                        }
                    }
                    all.push(Sent { arrives_s: now_s + 0.001, ..frame.clone() });
                }
                let said = Stream::new(layout, KIT).hear_all(&all);
                let lies = lies_s(&said, 60.0, 1.0);
                let again = said.iter().filter(|s| s.arrives_s - s.sent_s > 1.0);
                let taken = again.clone().filter(|s| s.doubt.is_none()).count();
                assert_eq!((taken, lies), (0, 0.0), "{layout} back {back} beside {beside}");
                assert!(again.filter(|s| s.doubt == Some(Doubt::Repeated)).count() > 90, "{layout} {back}");
                let end: Vec<Said> = said.iter().filter(|s| s.arrives_s > 72.0).copied().collect();
                assert_eq!(count(&end, None), end.len(), "{layout} back {back} beside {beside}");
            }
        }
    }
}

#[test]
fn the_same_frame_for_ever_is_repeated_or_frozen() {
    for (layout, doubt) in [(PLAIN, Doubt::Frozen), (COUNTER, Doubt::Repeated), (CLOCK, Doubt::Repeated)] {
        let mut frames = KIT.frames(60.0, 17);
        let last = frames[299].clone();
        for frame in &mut frames[300..] {
            *frame = Sent { arrives_s: frame.arrives_s, ..last.clone() };
        }
        let said = Stream::new(layout, KIT).hear_all(&frames);
        let taken = said[300..].iter().filter(|s| s.doubt.is_none()).count();
        assert!(taken <= 7, "{layout}: {taken}");
        assert_eq!(count(&said[310..], Some(doubt)), said.len() - 310, "{layout}");
    }
}

#[test]
fn identical_ranges_under_a_running_counter_are_frozen_within_eight_frames() {
    // Steps up to σ, four anchors or more.
    for (sigma_m, step_m) in [(0.01, 0.01), (0.04, 0.01), (0.1, 0.1), (0.05, 0.001)] {
        for anchors in [4, 8] {
            for speed_mps in [0.0, 0.8] {
                for rate_hz in [1.0, 10.0, 40.0] {
                    let kit = Kit { sigma_m, step_m, anchors, speed_mps, rate_hz, ..KIT };
                    let mut frames = kit.frames(200.0, 19);
                    let from = frames.len() / 2;
                    let last = frames[from - 1].ranges_m.clone();
                    frames[from..].iter_mut().for_each(|f| f.ranges_m.clone_from(&last));
                    let said = Stream::new(CLOCK, kit).hear_all(&frames);
                    let told =
                        said[from..].iter().position(|s| s.doubt == Some(Doubt::Frozen)).expect("told");
                    // The last good frame and those until it is reported.
                    assert!(told + 2 <= 8, "σ {sigma_m} step {step_m} × {anchors}: {} frames", told + 2);
                    assert_eq!(count(&said[from + told..], Some(Doubt::Frozen)), said.len() - from - told);
                }
            }
        }
    }
}

#[test]
fn a_tag_at_rest_is_never_frozen_nor_is_an_anchor_held() {
    for (sigma_m, step_m) in [(0.0, 0.1), (0.01, 0.1), (0.02, 0.1), (0.02, 0.05), (0.004, 0.01), (0.03, 0.01)]
    {
        for anchors in [1, 4, 8] {
            let kit = Kit { sigma_m, step_m, anchors, speed_mps: 0.0, ..KIT };
            // At rest from the start on, and after a drive.
            for drive_s in [0.0, 120.0] {
                let mut frames = Kit { speed_mps: 0.8, ..kit }.frames(drive_s, 23);
                let begin = frames.len() as u64;
                frames.extend(kit.frames(3600.0, 29).into_iter().map(|f| Sent {
                    measured_s: f.measured_s + drive_s,
                    arrives_s: f.arrives_s + drive_s,
                    count: f.count + begin,
                    ..f
                }));
                let said = Stream::new(COUNTER, kit).hear_all(&frames);
                let held = said.iter().filter(|s| s.held != 0).count();
                let what = format!("σ {sigma_m} step {step_m} × {anchors} after {drive_s} s");
                assert_eq!((count(&said, Some(Doubt::Frozen)), held), (0, 0), "{what}");
                assert_eq!(count(&said[20..], None), said.len() - 20, "{what}");
            }
        }
    }
}

#[test]
fn a_held_range_is_told_and_the_others_go_on() {
    let mut frames = KIT.frames(120.0, 31);
    let last = frames[599].ranges_m[3];
    frames[600..900].iter_mut().for_each(|f| f.ranges_m[3] = last);
    let said = Stream::new(COUNTER, KIT).hear_all(&frames);
    let told = said[600..900].iter().position(|s| s.held != 0).expect("told");
    assert!(told <= 20, "{told} frames");
    assert!(said[600 + told..900].iter().all(|s| s.held == 1 << 3 && s.doubt.is_none()));
    assert!(said[..600].iter().chain(&said[901..]).all(|s| s.held == 0));
}

#[test]
fn a_module_that_sends_faster_than_it_measures_is_not_frozen() {
    // Each measurement is sent four times.
    let slow = Kit { rate_hz: 2.5, ..KIT };
    let measured = slow.frames(400.0, 37);
    let frames: Vec<Sent> = KIT
        .frames(400.0, 37)
        .into_iter()
        .map(|f| Sent { ranges_m: measured[(f.count / 4) as usize].ranges_m.clone(), ..f })
        .collect();
    let said = Stream::new(COUNTER, KIT).hear_all(&frames);
    assert_eq!(count(&said[40..], Some(Doubt::Frozen)), 0);
    assert!(said.iter().all(|s| s.held == 0));
}

#[test]
fn a_module_that_starts_anew_is_believed_again_after_a_second() {
    for layout in [COUNTER, CLOCK, CLOCK_ONLY] {
        let mut frames = KIT.frames(120.0, 41);
        // Off for three seconds at 60 s, then counter and clock from nought.
        frames.retain(|f| !(60.0..63.0).contains(&f.measured_s));
        let mut stream = Stream::new(layout, KIT);
        let mut said = Vec::new();
        for frame in &frames {
            let anew = Sent { count: frame.count.saturating_sub(630), ..frame.clone() };
            if frame.measured_s < 60.0 {
                said.push(stream.hear(frame));
            } else {
                let shifted = Sent { measured_s: frame.measured_s - 63.0, ..anew };
                said.push(Said { sent_s: frame.measured_s, ..stream.hear(&shifted) });
            }
        }
        let settled = said.iter().position(|s| s.sent_s > 60.0 && s.doubt.is_none()).expect("settles");
        let took_s = said[settled].sent_s - 63.0;
        assert!((0.9..=1.6).contains(&took_s), "{layout}: {took_s}");
        assert_eq!(count(&said[settled..], None), said.len() - settled, "{layout}");
    }
}

#[test]
fn several_frames_of_one_read_get_spread_stamps() {
    for layout in [PLAIN, COUNTER, CLOCK] {
        // Three at a time.
        let mut frames = KIT.frames(60.0, 43);
        for three in frames.chunks_mut(3) {
            let when = three.last().expect("three").arrives_s;
            three.iter_mut().for_each(|f| f.arrives_s = when);
        }
        let said = Stream::new(layout, KIT).hear_all(&frames);
        let settled = &said[60..];
        assert_eq!(count(settled, None), settled.len(), "{layout}");
        for two in settled.windows(2) {
            let apart = two[1].measured_at.since(two[0].measured_at).secs_f64();
            assert!((0.04..=0.16).contains(&apart), "{layout}: {apart} {two:?}");
        }
    }
}

#[test]
fn lost_frames_are_no_doubt_when_the_counter_says_so() {
    let mut dice = Dice(47);
    for layout in [COUNTER, CLOCK] {
        let mut frames = KIT.frames(600.0, 47);
        frames.retain(|_| dice.unit() > 0.2);
        let said = Stream::new(layout, KIT).hear_all(&frames);
        assert_eq!(count(&said[20..], None), said.len() - 20, "{layout}");
    }
}

#[test]
fn a_pace_that_changes_for_good_is_learned() {
    for layout in [PLAIN, COUNTER, CLOCK] {
        for rate_hz in [5.0, 20.0] {
            let mut frames = KIT.frames(60.0, 53);
            let begin = frames.len() as u64;
            let other = Kit { rate_hz, ..KIT };
            frames.extend(other.frames(60.0, 53).into_iter().map(|f| Sent {
                measured_s: f.measured_s + 60.0,
                arrives_s: f.arrives_s + 60.0,
                count: f.count + begin,
                ..f
            }));
            let said = Stream::new(layout, KIT).hear_all(&frames);
            let end: Vec<Said> = said.iter().filter(|s| s.arrives_s > 66.0).copied().collect();
            assert_eq!(count(&end, None), end.len(), "{layout} to {rate_hz} Hz");
        }
    }
}

#[test]
fn a_single_frame_out_of_row_costs_itself_alone() {
    let mut frames = KIT.frames(60.0, 59);
    frames[300].count += 77;
    frames[400].count = frames[400].count.saturating_sub(200);
    let said = Stream::new(COUNTER, KIT).hear_all(&frames);
    assert_eq!(count(&said[20..], None), said.len() - 22);
    assert_eq!(count(&said[20..], Some(Doubt::Unsettled)), 2);
}

#[test]
fn a_link_that_was_away_is_settled_at_once_where_counter_or_clock_explain_it() {
    for (layout, most_s) in [(COUNTER, 0.2), (CLOCK, 0.2), (PLAIN, 1.6)] {
        let mut frames = KIT.frames(60.0, 61);
        frames.retain(|f| !(30.0..34.0).contains(&f.measured_s));
        let mut stream = Stream::new(layout, KIT);
        let mut said = Vec::new();
        for frame in &frames {
            if (34.0..34.05).contains(&frame.measured_s) {
                stream.fresh.link_changed();
            }
            said.push(stream.hear(frame));
        }
        let back = said.iter().find(|s| s.sent_s >= 34.0 && s.doubt.is_none()).expect("settles");
        assert!(back.sent_s - 34.0 <= most_s, "{layout}: {}", back.sent_s - 34.0);
    }
}
