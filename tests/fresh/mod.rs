//! Fresh or not at all: what is old, frozen, repeated or stalled is never shown as a position one may act on.
//!
//! Each test is a fault, played in real time at the real daemon by an own kit ([`kit`], [`script`]), with a gate that obeys
//! `valid_until` and nothing else ([`gate`], [`stage`]). The cart's place is known at any time, so the gate's answers are
//! held against the truth. A *lie* is a time in which the gate may be open while the cart is outside by more than the
//! protection radius. None may last longer than a second where frames carry a counter or a clock ([`LIE_S`]); without
//! either the worst is reported and bounded ([`LIE_WITHOUT_S`]).
//!
//! [`own`] tests the tools themselves. A row with several layouts plays them side by side, and tells all that is wrong with all of them.

mod campaign;
mod gate;
mod kit;
mod own;
mod script;
mod stage;

use std::fmt::Debug;
use std::sync::atomic::{AtomicU64, Ordering};

use hereabout_core::{Doubt, Verdict};
use serde_json::Value;

use crate::support::{Daemon, wait_for};
use kit::{Drive, Kit, Layout, Random, Zone};
use script::{Fault, Script, What};
use stage::{Seen, Stage, Way, Wire};

/// The longest lie with a counter or a clock, seconds.
const LIE_S: f64 = 1.0;
/// The longest lie with neither, seconds.
const LIE_WITHOUT_S: f64 = 3.5;
/// In the zone in front of the roller door, and out of it, metres.
const IN_M: [f64; 2] = [11.0, 2.0];
const OUT_M: [f64; 2] = [11.0, 8.0];
const FOR_EVER_S: f64 = f64::INFINITY;

/// A cart that stands in the zone and leaves at that second, at 2 m/s.
fn leaving(at_s: f64) -> Drive {
    Drive::parked(IN_M).then(at_s, OUT_M, 2.0)
}

/// The limit for a layout.
fn limit_s(layout: Layout) -> f64 {
    if layout == Layout::Neither { LIE_WITHOUT_S } else { LIE_S }
}

/// Plays a row in all its variants at the same time, and tells everything that is wrong.
fn side_by_side<V: Debug + Sync>(variants: &[V], row: impl Fn(&V) -> Vec<String> + Sync) {
    let row = &row;
    let complaints: Vec<String> = std::thread::scope(|scope| {
        let runs: Vec<_> = variants.iter().map(|v| (v, scope.spawn(move || row(v)))).collect();
        let told = |(v, run): (&V, std::thread::ScopedJoinHandle<'_, Vec<String>>)| {
            let found = run.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            found.into_iter().map(move |c| format!("{v:?}: {c}")).collect::<Vec<_>>()
        };
        runs.into_iter().flat_map(told).collect()
    });
    assert!(complaints.is_empty(), "\n{}", complaints.join("\n"));
}

/// Something that must hold, and what to say when it does not.
fn unless(holds: bool, complaint: impl FnOnce() -> String) -> Option<String> {
    (!holds).then(complaint)
}

/// The lie rule; a gate that never opens can't lie, so it must have opened.
fn lies(seen: &Seen, zone: Zone, most_s: f64) -> Vec<String> {
    let found = seen.judge(zone);
    let lie = format!(
        "the gate lied for {:.2} s in all, at most {:.2} s on end, from {:.2} s on (bytes were up to {:.2} s late)",
        found.lies_s, found.longest_s, found.longest_from_s, seen.late_s
    );
    println!("{lie}; open {:.1} s, cart inside {:.1} s", found.open_s, found.inside_s);
    let too_long = unless(found.longest_s <= most_s, || format!("{lie}: {most_s} s are allowed"));
    let never = unless(found.rightly_open_s > 0.5, || format!("the gate was hardly ever open: {found:?}"));
    too_long.into_iter().chain(never).collect()
}

/// Whether a text names ranges that came again.
fn says_again(text: &str) -> bool {
    let text = text.to_lowercase();
    ["frozen", "repeated"].iter().any(|word| text.contains(word))
}

fn problems(daemon: &Daemon) -> String {
    daemon.json("/v1/status")["problems"].to_string()
}

/// The latest state of the tag over HTTP; `none` when it is not served at all.
fn tag_state(daemon: &Daemon) -> String {
    let (status, _, body) = daemon.get("/v1/tags/0");
    let tag: Value = serde_json::from_str(&body).unwrap_or_default();
    if status == 200 { tag["state"].as_str().unwrap_or("?").to_owned() } else { "none".to_owned() }
}

/// What is still served of a tag as if it had a position.
fn served_as_current(daemon: &Daemon) -> Vec<String> {
    let state = tag_state(daemon);
    let metrics = daemon.get("/metrics").2;
    let located = metrics.lines().find(|l| l.starts_with("hereabout_tag_located{tag=\"0\"}"));
    let in_metrics = located.filter(|l| !l.ends_with(" 0") && !l.ends_with(" 0.0"));
    let zone = daemon.json("/v1/zones/roller%20door")["state"].clone();
    [
        unless(["lost", "none"].contains(&state.as_str()), || format!("/v1/tags/0 is {state}")),
        in_metrics.map(|l| format!("/metrics has {l}")),
        unless(zone == "unknown", || format!("/v1/zones has {zone}")),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// When the last message of this kind came that is as asked.
fn last_s(seen: &Seen, kind: &str, is: impl Fn(&Value) -> bool) -> Option<f64> {
    seen.messages(kind).filter(|(_, m)| is(m)).map(|(at_s, _)| at_s).last()
}

fn frozen(layout: Layout, what: What) -> Vec<String> {
    const FROM_S: f64 = 5.0;
    let kit = Kit::new(41, layout, leaving(4.8));
    let mut stage = Stage::start(Script::new(kit, &[Fault::new(FROM_S, FOR_EVER_S, what)], 11.0), Wire::Tcp);
    stage.until(10.5);
    let (told, state) = (problems(stage.daemon()), tag_state(stage.daemon()));
    let seen = stage.end();
    let until_s = FROM_S + 1.5;
    let open_s = seen.gate(Zone::Door).opened(kit::micros(11.0)).last().map_or(0.0, |(_, to)| kit::secs(*to));
    let located_s = last_s(&seen, "position", |m| m["state"] == "located").unwrap_or(0.0);
    let event = seen.messages("event").any(|(_, m)| m["kind"] == "kit" && says_again(&m.to_string()));
    let uses = seen.most_uses_of_one_set();
    let counted = what == What::SameFrame && layout != Layout::Neither;
    let doubt = if counted { Doubt::Repeated } else { Doubt::Frozen };
    let more = [
        unless(open_s <= until_s, || format!("the gate was open until {open_s:.2} s")),
        unless(located_s <= until_s, || format!("positions were located until {located_s:.2} s")),
        unless(state != "located", || format!("/v1/tags/0 is {state}")),
        unless(says_again(&told), || format!("no problem names it: {told}")),
        unless(event, || "no event of kind kit tells it".to_owned()),
        unless(uses <= 10, || format!("the log has one set of ranges used {uses} times")),
        has_verdict(&seen, None, &[Verdict::Doubted(doubt)]),
    ];
    lies(&seen, Zone::Door, LIE_S).into_iter().chain(more.into_iter().flatten()).collect()
}

#[test]
fn the_same_frame_for_ever_opens_nothing() {
    side_by_side(&[Layout::Counter, Layout::CounterAndClock, Layout::Neither], |layout| {
        frozen(*layout, What::SameFrame)
    });
}

#[test]
fn the_same_ranges_under_a_running_counter_open_nothing() {
    side_by_side(&[Layout::Counter, Layout::CounterAndClock], |layout| frozen(*layout, What::SameRanges));
}

#[test]
fn one_held_range_is_told_and_the_others_go_on() {
    let kit = Kit::new(43, Layout::Counter, leaving(9.0));
    let held = Fault::new(4.0, FOR_EVER_S, What::HeldRange { anchor: 2 });
    let seen = Stage::start(Script::new(kit, &[held], 14.0), Wire::Tcp).end();
    let located_s = last_s(&seen, "position", |m| m["state"] == "located").unwrap_or(0.0);
    let event = seen.messages("event").any(|(_, m)| m["anchor"] == 2 && says_again(&m.to_string()));
    let more = [
        has_verdict(&seen, Some(2), &[Verdict::Held]),
        has_verdict(&seen, Some(1), &[Verdict::Held])
            .is_none()
            .then(|| "anchor 1 was called held".to_owned()),
        unless(located_s > 13.5, || format!("no position after {located_s:.2} s")),
        unless(event, || "no event about anchor 2 tells it".to_owned()),
    ];
    let found: Vec<String> =
        lies(&seen, Zone::Door, LIE_S).into_iter().chain(more.into_iter().flatten()).collect();
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn a_still_tag_on_a_coarse_kit_is_never_called_frozen() {
    let mut kit = Kit::new(44, Layout::Counter, Drive::parked(IN_M));
    (kit.noise_m, kit.step_m) = (0.01, 0.1);
    let mut stage = Stage::start(Script::new(kit, &[], 14.0), Wire::Tcp);
    stage.until(13.5);
    let told = problems(stage.daemon());
    let seen = stage.end();
    let open_s = seen.judge(Zone::Door).open_s;
    assert!(open_s > 10.0, "the gate was open for {open_s:.1} s of 14 s");
    assert!(!says_again(&told), "{told}");
    let named = seen.messages("event").find(|(_, m)| says_again(&m.to_string()));
    assert!(named.is_none(), "{named:?}");
}

#[test]
fn a_backlog_at_three_times_the_pace_opens_nothing() {
    // Without counter and clock more is allowed, so the stall is longer.
    let rows = [(Layout::Counter, 6.0), (Layout::CounterAndClock, 6.0), (Layout::Neither, 13.0)];
    side_by_side(&rows, |(layout, stall_s)| {
        const FROM_S: f64 = 5.0;
        let over_s = FROM_S + stall_s;
        let kit = Kit::new(45, *layout, leaving(over_s - 1.5));
        let stall = Fault::new(FROM_S, *stall_s, What::Stall { pace: 3.0 });
        let seen = Stage::start(Script::new(kit, &[stall], over_s + 0.5 * stall_s + 1.0), Wire::Tcp).end();
        let mut found = lies(&seen, Zone::Door, limit_s(*layout));
        if *layout != Layout::Neither {
            found.extend(no_old_position(&seen));
        }
        found.extend(has_verdict(&seen, None, &[Doubt::Old, Doubt::Unsettled].map(Verdict::Doubted)));
        found
    });
}

/// Nothing older than 0.3 s is published as current: at 2 m/s that is 0.6 m, and 0.4 m are left for noise. Live it counts
/// by its arrival and while it holds, in the log by its own stamp.
fn no_old_position(seen: &Seen) -> Vec<String> {
    let told = |old: Vec<(f64, f64)>, how: &str| {
        let worst_m = old.iter().map(|(_, m)| *m).fold(0.0, f64::max);
        let first_s = old.first().map(|(at_s, _)| *at_s)?;
        Some(format!("{} {how}, up to {worst_m:.1} m off, first at {first_s:.2} s", old.len()))
    };
    let current = told(seen.false_positions(1.0), "old positions came as current");
    let logged = told(seen.falsely_dated(1.0), "old positions are in the log as of a later time");
    current.into_iter().chain(logged).collect()
}

/// The log has one of these verdicts.
fn has_verdict(seen: &Seen, anchor: Option<u16>, wanted: &[Verdict]) -> Option<String> {
    let found = seen.verdicts(anchor);
    unless(wanted.iter().any(|v| found.contains(v)), || {
        format!("the log has none of the verdicts {wanted:?}, but {found:?}")
    })
}

#[test]
fn what_waited_in_a_pseudo_terminal_opens_nothing() {
    // The cart leaves while the daemon is stopped.
    let kit = Kit::new(46, Layout::Counter, leaving(9.0));
    let stopped = Fault::new(5.0, 8.0, What::Stop);
    let seen = Stage::start(Script::new(kit, &[stopped], 17.0), Wire::Pty).end();
    let found: Vec<String> =
        lies(&seen, Zone::Door, LIE_S).into_iter().chain(no_old_position(&seen)).collect();
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn near_an_anchor_what_waited_in_a_pseudo_terminal_opens_nothing() {
    // Such a zone is armed a minute after the tag was first heard.
    let drive = Drive::parked([12.0, 1.0]).then(64.0, [12.0, 9.7], 4.0);
    let stopped = Fault::new(63.0, 8.0, What::Stop);
    let script = Script::new(Kit::new(47, Layout::Counter, drive), &[stopped], 76.0);
    let found = lies(&Stage::start(script, Wire::Pty).end(), Zone::Post, LIE_S);
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn old_frames_sent_again_open_nothing() {
    let layouts = [Layout::Counter, Layout::CounterAndClock];
    let mut rows: Vec<(Layout, f64, bool)> =
        layouts.iter().flat_map(|l| [(*l, 8.0, false), (*l, 8.0, true)]).collect();
    // More than half a turn of the counter.
    rows.push((Layout::Counter, 15.0, false));
    side_by_side(&rows, |(layout, age_s, reconnect)| {
        // The cart has been outside for a while when the frames of its stay come again.
        let from_s = age_s + 4.0;
        let kit = Kit::new(48, *layout, leaving(8.0));
        let mut faults = vec![Fault::new(from_s, 4.0, What::Resend { age_s: *age_s })];
        if *reconnect {
            faults.insert(0, Fault::new(from_s - 0.3, 0.3, What::Reconnect));
        }
        let seen = Stage::start(Script::new(kit, &faults, from_s + 6.0), Wire::Tcp).end();
        let uses = seen.most_uses_of_one_set();
        let verdict = has_verdict(&seen, None, &[Doubt::Old, Doubt::Repeated].map(Verdict::Doubted));
        let twice = unless(uses <= 1, || format!("the log has one set of ranges used {uses} times"));
        lies(&seen, Zone::Door, LIE_S).into_iter().chain(twice).chain(verdict).collect()
    });
}

#[test]
fn bytes_without_a_frame_keep_no_position_alive() {
    side_by_side(&[(Wire::Tcp, What::Noise), (Wire::Udp, What::Empty)], |(wire, what)| {
        const FROM_S: f64 = 4.0;
        let kit = Kit::new(49, Layout::Counter, leaving(FROM_S + 0.5));
        let script = Script::new(kit, &[Fault::new(FROM_S, FOR_EVER_S, *what)], 10.0);
        let mut stage = Stage::start(script, *wire);
        stage.until(FROM_S + 5.0);
        let served = served_as_current(stage.daemon());
        let seen = stage.end();
        let said = |kind, state| {
            seen.messages(kind).any(|(at_s, m)| at_s > FROM_S && at_s < FROM_S + 5.0 && m["state"] == state)
        };
        let more = [
            unless(said("position", "lost"), || "no message said that the tag is lost".to_owned()),
            unless(said("zone", "unknown"), || "no message said that the zone is unknown".to_owned()),
        ];
        let told = lies(&seen, Zone::Door, LIE_S).into_iter().chain(more.into_iter().flatten());
        served.into_iter().chain(told).collect()
    });
}

/// How a new configuration comes.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Change {
    /// The site file is read again: an anchor stands a centimetre elsewhere.
    Hangup,
    /// New offsets.
    Post,
}

impl Change {
    fn make(self, stage: &Stage) {
        match self {
            Change::Hangup => {
                let text = std::fs::read_to_string(stage.site()).unwrap();
                let moved = text.replace("at_m = [0.0, 0.0, 2.6]", "at_m = [0.01, 0.0, 2.6]");
                assert_ne!(moved, text);
                std::fs::write(stage.site(), moved).unwrap();
                stage.daemon().signal(rustix::process::Signal::HUP);
            }
            Change::Post => {
                let text = r#"{"anchors":[{"id":0,"offset_m":0.01}]}"#;
                let (status, body) = stage.daemon().post("/v1/calibrations", text);
                assert_eq!(status, 200, "{body}");
            }
        }
    }
}

/// A change while the tag has been off for a second; it comes back later.
fn changed_while_off(change: Change, off: What) -> Vec<String> {
    const OFF_S: f64 = 4.0;
    const BACK_S: f64 = 9.0;
    const CHANGED_S: f64 = OFF_S + 1.2;
    let kit = Kit::new(50, Layout::Counter, Drive::parked(IN_M));
    let script = Script::new(kit, &[Fault::new(OFF_S, BACK_S - OFF_S, off)], 12.0);
    let mut stage = Stage::start(script, Wire::Tcp);
    stage.until(CHANGED_S);
    change.make(&stage);
    stage.until(BACK_S - 0.3);
    let mut found = served_as_current(stage.daemon());
    let anchors = stage.daemon().json("/v1/anchors");
    let never = anchors.to_string().matches("\"never_heard\"").count();
    found.extend(unless(never == 0, || format!("{never} times never_heard in /v1/anchors")));
    stage.until(12.0);
    let state = tag_state(stage.daemon());
    found.extend(unless(state == "located", || format!("with frames again /v1/tags/0 is {state}")));
    let seen = stage.end();
    let numbers: Vec<u64> = seen.messages("position").map(|(_, m)| m["seq"].as_u64().unwrap()).collect();
    let back = numbers.windows(2).find(|w| w[1] <= w[0]);
    found.extend(back.map(|w| format!("seq went from {} to {} on a live stream", w[0], w[1])));
    // Offsets alone may leave the track as it is; another site begins it anew, and says so.
    let after: Vec<&Value> =
        seen.messages("position").filter(|(at_s, _)| *at_s > CHANGED_S).map(|(_, m)| m).collect();
    let first = after.iter().position(|m| m["state"] == "located").unwrap_or(after.len());
    let says = after.iter().take(first + 1).any(|m| m["restarted"] == true);
    found.extend(unless(says || change == Change::Post, || "no position says restarted".to_owned()));
    found
}

#[test]
fn a_changed_site_keeps_no_position_alive_and_forgets_no_anchor() {
    side_by_side(&[What::NoRanges, What::Silence], |off| changed_while_off(Change::Hangup, *off));
}

#[test]
fn new_offsets_keep_no_position_alive_and_forget_no_anchor() {
    side_by_side(&[What::NoRanges, What::Silence], |off| changed_while_off(Change::Post, *off));
}

#[test]
fn silence_is_not_ready() {
    const FROM_S: f64 = 3.0;
    let kit = Kit::new(51, Layout::Counter, Drive::parked(IN_M));
    let script = Script::new(kit, &[Fault::new(FROM_S, 11.0, What::Silence)], 17.0);
    let mut stage = Stage::start(script, Wire::Tcp);
    stage.until(FROM_S - 0.2);
    assert_eq!(stage.daemon().get("/readyz").0, 200, "frames come");
    stage.until(FROM_S + 10.0);
    let (status, _, body) = stage.daemon().get("/readyz");
    assert_eq!(status, 503, "after 10 s without a byte: {body}");
    let problem: Value = serde_json::from_str(&body).unwrap();
    let why = problem["detail"].as_str().unwrap();
    assert!(why.contains("byte") || why.contains("heard") || why.contains("silent"), "{why}");
    wait_for("frames, and that the daemon is ready", || {
        (stage.daemon().get("/readyz").0 == 200).then_some(())
    });
    stage.end();
}

#[test]
fn two_halves_over_a_reconnect_are_no_frame() {
    const CUT: usize = 9;
    let folder = tempfile::tempdir().unwrap();
    let (mut way, port) = Way::new(Wire::Tcp, folder.path());
    let site = folder.path().join("site.toml");
    std::fs::write(&site, kit::site_text(Layout::Counter, &port)).unwrap();
    let daemon = Daemon::start(&site, &["--no-log"]);
    let kit = Kit::new(52, Layout::Counter, Drive::parked(IN_M).then(0.0, OUT_M, 2.0));
    let frames = kit.frames(3.0);
    let bytes = |i: usize| Layout::Counter.encode(&frames[i]);
    let sum = |b: &[u8]| b.iter().fold(0_u8, |s, v| s.wrapping_add(*v));
    // The counter of the second frame is such that both beginnings have one sum.
    let first = bytes(0);
    let mut second = frames[25];
    second.seq = second.seq.wrapping_add(u32::from(sum(&first[..CUT]).wrapping_sub(sum(&bytes(25)[..CUT]))));
    let second = Layout::Counter.encode(&second);
    let count = |key: &str| daemon.json("/v1/status")["decoder"][key].as_u64().unwrap_or(0);
    let mut sent = 0;
    let mut send = |way: &mut Way, piece: &[u8]| {
        wait_for("the daemon's connection", || way.accept().then_some(()));
        way.send(piece);
        sent += piece.len() as u64;
        wait_for("the bytes", || (count("bytes") == sent).then_some(()));
    };
    send(&mut way, &bytes(1));
    send(&mut way, &first[..CUT]);
    way.close(true);
    wait_for("the loss of the link", || {
        (daemon.json("/v1/status")["link"]["state"] == "waiting").then_some(())
    });
    way.close(false);
    send(&mut way, &second[CUT..]);
    send(&mut way, &bytes(26));
    assert_eq!(count("frames"), 2, "the first and the last one are frames; the two halves are none");
    daemon.stop();
}

#[test]
fn healthy_kits_of_every_pace_open_the_gate_and_never_lie() {
    side_by_side(&[1.0, 2.0, 10.0, 40.0], |rate_hz| {
        let out_and_in = leaving(4.0).then(8.0, IN_M, 2.0);
        let mut kit = Kit::new(53, Layout::Counter, out_and_in);
        kit.rate_hz = *rate_hz;
        // Five intervals until the age is known, and some more to earn the zone.
        let until_s = if *rate_hz < 2.0 { 40.0 } else { 20.0 };
        let seen = Stage::start(Script::new(kit, &[], until_s), Wire::Tcp).end();
        let found = seen.judge(Zone::Door);
        let hardly = unless(found.rightly_open_s > 0.5 * found.inside_s, || {
            format!("open for {:.1} of {:.1} s inside", found.rightly_open_s, found.inside_s)
        });
        lies(&seen, Zone::Door, LIE_S).into_iter().chain(hardly).collect()
    });
}

/// Daemons that run at the same time.
const AT_A_TIME: usize = 6;
/// Scripts by chance.
const SCRIPTS: u64 = 50;

/// Plays one of them; its faults with the longest lie, if that is too long, and how long the gate was rightly open.
fn by_chance(seed: u64) -> (Option<String>, f64) {
    let layout = if seed.is_multiple_of(2) { Layout::Counter } else { Layout::CounterAndClock };
    let until_s = Random::new(!seed).between(6.0, 10.0);
    let script = Script::random(seed, layout, until_s);
    let faults = script.faults.clone();
    let seen = Stage::start(script, Wire::Tcp).end();
    let found = seen.judge(Zone::Door);
    let complaint = unless(found.longest_s <= LIE_S, || {
        format!(
            "script {seed}, {layout:?}: {:.2} s of lies, {:.2} s on end from {:.2} s on, bytes up to {:.2} s late: {faults:?}",
            found.lies_s, found.longest_s, found.longest_from_s, seen.late_s
        )
    });
    (complaint, found.rightly_open_s)
}

#[test]
fn fifty_scripts_by_chance_open_nothing() {
    let next = AtomicU64::new(0);
    let work = || std::iter::from_fn(|| Some(next.fetch_add(1, Ordering::Relaxed)).filter(|n| *n < SCRIPTS));
    let outcomes: Vec<(Option<String>, f64)> = std::thread::scope(|scope| {
        let workers: Vec<_> =
            (0..AT_A_TIME).map(|_| scope.spawn(|| work().map(by_chance).collect::<Vec<_>>())).collect();
        workers.into_iter().flat_map(|w| w.join().unwrap_or_else(|p| std::panic::resume_unwind(p))).collect()
    });
    let open_s: f64 = outcomes.iter().map(|(_, s)| s).sum();
    let complaints: Vec<String> = outcomes.into_iter().filter_map(|(c, _)| c).collect();
    assert!(complaints.is_empty(), "{} scripts lied\n{}", complaints.len(), complaints.join("\n"));
    assert!(open_s > 0.5 * SCRIPTS as f64, "the gates were hardly ever open: {open_s:.1} s");
}
