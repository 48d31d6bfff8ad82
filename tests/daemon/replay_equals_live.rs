//! What is published live is what a replay of the log gives, byte for byte; and it does not matter
//! how the stream was cut or how often the engine was woken.

use std::time::Duration;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, run, wait_for, without_age};
use hereabout::site_file::SiteFile;
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::{Engine, Input, Output};
use hereabout_wire::Decoder;
use proptest::prelude::*;

#[test]
fn a_session_replayed_from_its_log_is_what_was_published() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let site = nursery::site(folder.path(), port.to_str().unwrap());
    let daemon = Daemon::start(&site, &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let mut live = Live::connect(&daemon, "topics=position");

    // A twentyfold speed and more, in stretches that are long enough to know how old frames are, with pauses that are long
    // enough for deadlines to fire in between.
    let frames = nursery::frames(180.0);
    let sender = std::thread::spawn(move || {
        for (i, frame) in frames.iter().enumerate() {
            line.send(&frame.bytes);
            std::thread::sleep(Duration::from_millis(if i % 600 == 599 { 700 } else { 5 }));
        }
        (line, frames.len())
    });
    let mut published = Vec::new();
    let reader = std::thread::spawn(move || {
        while let Ok(message) = live.next() {
            published.push(without_age(&message));
        }
        published
    });
    let (line, sent) = sender.join().unwrap();
    wait_for("the last frame", || {
        let frames = daemon.json("/v1/status")["decoder"]["frames"].as_u64().unwrap_or(0);
        (frames == sent as u64).then_some(())
    });
    daemon.stop();
    drop(line);
    let published = reader.join().unwrap();

    let log = folder.path().join("test.db");
    let (replayed, words, code) = run(&["replay", log.to_str().unwrap(), "--out", "-"]);
    assert_eq!(code, 0, "{words}");
    let replayed: Vec<&str> = replayed.lines().collect();
    let in_state = |state: &str| replayed.iter().filter(|row| row.contains(&format!("\"{state}\""))).count();
    assert!(in_state("located") > sent / 2, "{} positions of {sent} frames", replayed.len());
    assert!(in_state("coasting") > 0, "deadlines spoke as well");
    let mut told = 0;
    for message in &published {
        if message.contains("\"type\":\"missed\"") {
            continue;
        }
        assert!(replayed.contains(&message.as_str()), "published but not replayed: {message}");
        told += 1;
    }
    assert!(told * 10 >= replayed.len() * 9, "{told} of {} were heard live", replayed.len());
}

/// One chunk of the stream: when it came, its bytes.
type Chunk = (Timestamp, Vec<u8>);

fn outputs(site: &SiteFile, chunks: &[Chunk], ticks: &[Timestamp]) -> Vec<Output> {
    let spec = site.frame.clone().unwrap();
    let mut decoder = Decoder::new(spec.layout.clone());
    let mut engine = Engine::new(site.site.clone(), Some(spec));
    let mut out = Vec::new();
    let mut ticks = ticks.iter().peekable();
    for (at, bytes) in chunks {
        while let Some(tick) = ticks.next_if(|t| *t <= at) {
            engine.handle(Input::Tick(*tick));
        }
        let mut rest = &bytes[..];
        while !rest.is_empty() {
            rest = &rest[decoder.push(*at, rest)..];
            while let Some(frame) = decoder.next_frame() {
                engine.handle(Input::Frame(&frame));
            }
        }
        out.extend(std::iter::from_fn(|| engine.poll_output()));
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Frames that are cut into pieces with the stamp of their last byte, and ticks in between.
    #[test]
    fn cuts_and_wake_ups_change_nothing(
        cuts in prop::collection::vec(1usize..25, 1..400),
        wake_ups in prop::collection::vec(0i64..20_000_000, 0..300),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let site = SiteFile::load(&nursery::site(folder.path(), "/dev/null")).unwrap();
        let frames = nursery::frames(20.0);
        let whole: Vec<Chunk> = frames.iter().map(|f| (f.epoch.at, f.bytes.clone())).collect();
        let mut pieces = Vec::new();
        let mut cut = cuts.iter().cycle();
        for (at, bytes) in &whole {
            let mut rest = &bytes[..];
            while !rest.is_empty() {
                let (piece, more) = rest.split_at((*cut.next().unwrap()).min(rest.len()));
                pieces.push((*at, piece.to_vec()));
                rest = more;
            }
        }
        let mut ticks: Vec<Timestamp> =
            wake_ups.iter().map(|us| whole[0].0.plus(Micros::from_micros(*us))).collect();
        ticks.sort();
        let once = outputs(&site, &whole, &[]);
        prop_assert!(once.len() > 400);
        prop_assert_eq!(once, outputs(&site, &pieces, &ticks));
    }
}
