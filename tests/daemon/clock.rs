//! The wall clock is set while the daemon runs: the engine's time goes on as before, what is published maps to UTC from
//! then on, and a replay of the log says the same, byte for byte.
//!
//! Nobody may set this machine's clock for a test, so the daemon's loop is fed by hand: frames of the nursery's kit and the
//! message that `ingest` sends when it notices. The rest is real: log, hub, service, a reader over a WebSocket.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use hereabout::daemon::pipeline::{Events, Pipeline};
use hereabout::site_file::SiteFile;
use hereabout_api::v1::RunBefore;
use hereabout_api::{ApiSettings, Hub, HubInfo, SiteInfo};
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::Engine;
use hereabout_ingest::{Chunk, ClockChange, Feed};
use hereabout_store::{EventNumbers, SessionStart, Store};
use hereabout_wire::Decoder;
use serde_json::Value;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use crate::support::nursery;
use crate::support::{Live, get, run, without_age};

/// What was published before and after the clock was set, and the log's file.
struct Heard {
    positions: Vec<String>,
    events: Vec<Value>,
    status: Value,
}

/// Plays 30 s of the kit; the wall clock is set after each of these frames to so many seconds ahead of the session.
fn play(folder: &std::path::Path, changes: &[(usize, f64)]) -> Heard {
    let site = SiteFile::load(&nursery::site(folder, "/dev/null")).unwrap();
    let log = folder.join("test.db");
    let frames = nursery::frames(30.0);
    let start = frames[0].epoch.at;
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let (feed_in, feed) = mpsc::channel(4096);
    let (_changes_in, no_changes) = mpsc::channel(1);
    let (_synchronised_in, synchronised) = watch::channel(Some(false));
    let now_us = Arc::new(AtomicI64::new(start.micros()));
    let stop = CancellationToken::new();
    let hub = Hub::new(HubInfo {
        version: "test".into(),
        started_at: start,
        source: "/dev/null".into(),
        site: SiteInfo::from(&site.site),
    });
    let (api_hub, api_now) = (hub.clone(), now_us.clone());
    let settings = ApiSettings::new(Arc::new(move || {
        api_hub.utc(Timestamp::from_micros(api_now.load(Ordering::SeqCst)))
    }));
    let (url, pipeline) = runtime.block_on(async {
        let loopback: SocketAddr = ([127, 0, 0, 1], 0).into();
        let listener = hereabout_api::bind(loopback).await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        tokio::spawn(hereabout_api::serve(listener, hub.clone(), settings, stop.clone()));
        let session = SessionStart {
            started_at: start,
            site_text: site.text.clone(),
            calibration_text: None,
            frame_layout: site.frame_text.clone().unwrap(),
            source: "/dev/null".into(),
            program_version: "test".into(),
            other_sites: None,
        };
        let store = Store::open(&log).await.unwrap();
        let numbers = EventNumbers::starting_at(1);
        let writer = store.begin_kept_session(log.clone(), session, None, numbers.clone()).await.unwrap();
        let spec = site.frame.clone().unwrap();
        let engine = Engine::new(site.site.clone(), Some(spec.clone()));
        let decoder = Decoder::new(spec.layout.clone());
        let log_path = log.display().to_string();
        let events = Events { numbers, log: Some(writer), log_path, before: RunBefore::UNKNOWN };
        (url, Pipeline::new(decoder, engine, hub.clone(), events, "/dev/null".into(), start, synchronised))
    });
    let mut live = Live::try_connect(&url, "topics=position,event").unwrap();
    let reader = std::thread::spawn(move || std::iter::from_fn(|| live.next().ok()).collect::<Vec<String>>());
    let pipeline = runtime.spawn(pipeline.run(feed, no_changes));
    for (i, frame) in frames.iter().enumerate() {
        let at = frame.epoch.at;
        now_us.store(at.micros(), Ordering::SeqCst);
        let chunk = Chunk { received_at: at, empty_at: Some(at), bytes: frame.bytes.clone() };
        feed_in.blocking_send(Feed::Bytes(chunk)).unwrap();
        if let Some((_, ahead_s)) = changes.iter().find(|(after, _)| *after == i) {
            let at = at.plus(Micros::from_millis(40));
            let utc_minus_session = Micros::from_secs_f64(*ahead_s);
            feed_in.blocking_send(Feed::Clock(ClockChange { at, utc_minus_session })).unwrap();
        }
        // The reader takes what there is now, so that nothing is left out for it.
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    let end = frames.last().unwrap().epoch.at.plus(Micros::from_millis(50));
    feed_in.blocking_send(Feed::Tick(end.plus(Micros::from_millis(600)))).unwrap();
    drop(feed_in);
    let drained = runtime.block_on(pipeline).unwrap();
    let status = serde_json::from_str(&get(&format!("{url}/v1/status")).2).unwrap();
    runtime.block_on(drained.log.unwrap().finish(drained.newest.unwrap())).unwrap();
    stop.cancel();
    let messages = reader.join().unwrap();
    let of = |m: &String, kind: &str| m.starts_with(&format!("{{\"type\":\"{kind}\""));
    let events = messages.iter().filter(|m| of(m, "event"));
    Heard {
        positions: messages.iter().filter(|m| of(m, "position")).map(|m| without_age(m)).collect(),
        events: events.map(|m| serde_json::from_str(m).unwrap()).collect(),
        status,
    }
}

fn time(message: &str) -> jiff::Timestamp {
    let value: Value = serde_json::from_str(message).unwrap();
    value["time"].as_str().unwrap().parse().unwrap()
}

#[test]
fn a_wall_clock_that_is_set_moves_what_is_published_and_replays_alike() {
    let folder = tempfile::tempdir().unwrap();
    // Set right 30 s after the board's start, and back by two at 20 s.
    let heard = play(folder.path(), &[(100, 30.0), (200, 28.0)]);
    let (out, words, code) = run(&["replay", folder.path().join("test.db").to_str().unwrap(), "--out", "-"]);
    assert_eq!(code, 0, "{words}");
    let replayed: Vec<&str> = out.lines().collect();
    assert!(heard.positions.len() > 250, "{} positions", heard.positions.len());
    for message in &heard.positions {
        assert!(replayed.contains(&message.as_str()), "published but not replayed: {message}");
    }
    let seconds = |a: &str, b: &str| time(b).duration_since(time(a)).as_secs_f64();
    let steps: Vec<f64> = heard.positions.windows(2).map(|two| seconds(&two[0], &two[1])).collect();
    let jumps: Vec<f64> = steps.iter().copied().filter(|s| !(0.0..2.0).contains(s)).collect();
    assert!(jumps.len() == 2 && (jumps[0] - 30.1).abs() < 0.2 && (jumps[1] + 1.9).abs() < 0.2, "{jumps:?}");
    // The track knows nothing of it: it neither coasts nor is given up.
    let from = heard.positions.iter().position(|m| m.contains("\"located\"")).unwrap();
    let settled = &heard.positions[from..heard.positions.len() - 2];
    assert!(settled.iter().all(|m| m.contains("\"located\"") && m.contains("\"restarted\":false")));

    let told: Vec<&Value> = heard.events.iter().filter(|e| e["kind"] == "clock").collect();
    assert_eq!(told.len(), 2, "{:?}", heard.events);
    assert_eq!(told[0]["by_s"], 30.0);
    assert_eq!(told[1]["by_s"], -2.0);
    let clock = &heard.status["clock"];
    assert_eq!((&clock["utc_minus_session_s"], &clock["synchronised"]), (&28.0.into(), &false.into()));
    let problems = heard.status["problems"].to_string();
    assert!(problems.contains("not synchronised"), "{problems}");
}

#[test]
fn a_wall_clock_that_is_not_set_is_no_event() {
    let folder = tempfile::tempdir().unwrap();
    let heard = play(folder.path(), &[]);
    assert!(heard.events.iter().all(|e| e["kind"] != "clock"), "{:?}", heard.events);
    assert_eq!(heard.status["clock"]["utc_minus_session_s"], 0.0);
}
