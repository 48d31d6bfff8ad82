//! The computer's clock is set while the daemon runs: stamps follow, and nothing holds for longer or shorter.

use std::sync::Arc;

use hereabout_core::{Micros, PositionReport, Timestamp, ZoneState};
use hereabout_engine::{AnchorTable, Output, ZoneReport, ZoneWhy};
use serde_json::Value;

use super::fixtures::*;
use crate::{ApiSettings, ClockStatus, Hub, LinkView, stream::message::NextMessage};

/// The session's clock stands half a second before the reports of the fixtures run out.
const SESSION_NOW: Timestamp = T.plus(Micros::from_millis(100));

fn set(hub: &Hub, by_s: f64, synchronised: Option<bool>) {
    let utc_minus_session = Micros::from_secs_f64(by_s);
    let changed_at = SESSION_NOW.plus(utc_minus_session);
    hub.set_clock(ClockStatus { utc_minus_session, changed_at, synchronised });
}

fn by_the_hub(hub: &Hub, session: Timestamp) -> ApiSettings {
    let clock = hub.clone();
    ApiSettings { now: Arc::new(move || clock.utc(session)), ..settings() }
}

async fn json(hub: &Hub, session: Timestamp, path: &str) -> Value {
    let (_, _, text) = get(&app_with(hub, by_the_hub(hub, session)), path).await;
    serde_json::from_str(&text).expect("JSON")
}

/// Everything that holds or is old, which no setting of a clock may change.
async fn lengths(hub: &Hub, session: Timestamp) -> Vec<Value> {
    let mut found = Vec::new();
    for path in ["/v1/tags/0", "/v1/tags/3"] {
        let tag = json(hub, session, path).await;
        found.extend([&tag["state"], &tag["age_s"], &tag["valid_for_s"]].map(Clone::clone));
    }
    let zone = json(hub, session, "/v1/zones/roller%20door").await;
    found.extend([zone["state"].clone(), zone["valid_for_s"].clone()]);
    let anchors = json(hub, session, "/v1/anchors").await;
    found.extend(anchors["anchors"].as_array().unwrap().iter().map(|a| a["state"].clone()));
    let text = get(&app_with(hub, by_the_hub(hub, session)), "/v1/anchors.txt").await.2;
    found.extend(text.lines().filter(|l| l.contains(" s  ") || l.starts_with("Link")).map(Value::from));
    let svg = get(&app_with(hub, by_the_hub(hub, session)), "/v1/plan.svg?notes=no").await.2;
    found.push(svg.matches("t-trail").count().into());
    let minutes = json(hub, session, "/v1/anchors/2").await["minutes"].as_array().unwrap().len();
    found.push(minutes.into());
    found
}

fn yard() -> Hub {
    let hub = busy_hub();
    for k in 0..=20 {
        let at = seconds_before(10.0 - 0.5 * f64::from(k));
        hub.publish(&Output::Position(PositionReport { at, ..located(4182 + u64::from(k as u32), 0) }));
    }
    hub.publish(&Output::Zone(inside(9, 0)));
    minutes(2).into_iter().for_each(|m| hub.publish(&Output::Minute(m)));
    hub
}

#[tokio::test]
async fn what_is_kept_holds_for_as_long_as_before() {
    for session in [SESSION_NOW, T.plus(Micros::from_millis(501)), T.plus(Micros::from_millis(1_450))] {
        let hub = yard();
        let before = lengths(&hub, session).await;
        for by_s in [30.0, -3_600.0, 0.25, 0.0, 86_400.0 * 365.0] {
            set(&hub, by_s, Some(true));
            assert_eq!(lengths(&hub, session).await, before, "set to {by_s} s");
        }
        // And what comes after the change is moved like it.
        hub.publish(&Output::Position(located(5_000, 0)));
        hub.publish(&Output::Position(lost(5_001, 3)));
        hub.publish(&Output::Zone(inside(10, 0)));
        hub.publish(&Output::Anchors(table().into()));
        assert_eq!(lengths(&hub, session).await, before);
    }
}

#[tokio::test]
async fn stamps_are_utc_from_then_on() {
    let hub = yard();
    set(&hub, 30.0, Some(true));
    assert_eq!(json(&hub, SESSION_NOW, "/v1/tags/0").await["time"], "2026-05-04T09:13:01.204512Z");
    let settling = ZoneWhy::Settling { until: T.plus(Micros::from_millis(60_000)) };
    hub.publish(&Output::Zone(ZoneReport { state: ZoneState::Unknown, why: settling, ..inside(11, 0) }));
    let zone = json(&hub, SESSION_NOW, "/v1/zones/roller%20door").await;
    assert!(zone["words"].as_str().unwrap().contains("2026-05-04T09:14:01.204512Z"), "{zone}");
    hub.publish(&Output::Anchors(AnchorTable { at: SESSION_NOW, ..table() }.into()));
    let anchors = json(&hub, SESSION_NOW, "/v1/anchors").await;
    assert_eq!(anchors["time"], "2026-05-04T09:13:01.304512Z");
    assert_eq!(anchors["anchors"][3]["since"], "2026-05-04T09:12:01.204512Z");
    let since = seconds_before(1.0);
    hub.set_link(LinkView { since, ..waiting(0.0) });
    let status = json(&hub, SESSION_NOW, "/v1/status").await;
    assert_eq!(status["link"]["since"], "2026-05-04T09:13:00.204512Z");
    assert_eq!(status["started_at"], "2026-05-04T09:11:31.204512Z");
    assert_eq!(status["uptime_s"], 90.0012, "by the steady clock");
}

#[tokio::test]
async fn the_status_says_how_the_clock_stands() {
    let hub = busy_hub();
    let clock = async || json(&hub, SESSION_NOW, "/v1/status").await;
    let unknown = serde_json::json!({"synchronised": null, "utc_minus_session_s": 0.0, "changed_at": null});
    assert_eq!(clock().await["clock"], unknown);
    set(&hub, 0.0, Some(false));
    let status = clock().await;
    assert_eq!(
        status["clock"],
        serde_json::json!({"synchronised": false, "utc_minus_session_s": 0.0, "changed_at": null})
    );
    let problems = status["problems"].to_string();
    assert!(problems.contains("not synchronised: set up time synchronisation"), "{problems}");
    set(&hub, 30.0, Some(true));
    let status = clock().await;
    let set_at = "2026-05-04T09:13:01.304512Z";
    assert_eq!(
        status["clock"],
        serde_json::json!({"synchronised": true, "utc_minus_session_s": 30.0, "changed_at": set_at})
    );
    assert!(!status["problems"].to_string().contains("synchronis"));
    let metrics = get(&app_with(&hub, by_the_hub(&hub, SESSION_NOW)), "/metrics").await.2;
    assert!(metrics.contains("hereabout_clock_synchronised 1"), "{metrics}");
}

/// What waits in a reader's queue was said in the old scale; how old it is and how long it holds stay right.
#[tokio::test]
async fn what_waits_for_a_reader_neither_ages_nor_grows_younger() {
    let hub = busy_hub();
    let query = "/v1/live?topics=position,zone&tag=0".parse().expect("a URI");
    let settings = by_the_hub(&hub, SESSION_NOW);
    let reader = hub
        .subscribe(crate::routes::query::subscription_filter(&query).expect("a query"), &*settings.now, 64, 9)
        .expect("room");
    hub.publish(&Output::Position(located(4183, 0)));
    hub.publish(&Output::Zone(inside(3, 0)));
    set(&hub, -300.0, None);
    hub.publish(&Output::Position(located(4184, 0)));
    let mut seen = 0;
    while let (next @ NextMessage::Message(..), sending) = reader.next_message(&|| settings.sending()) {
        let message: Value = serde_json::from_str(&next.text(sending).expect("text")).expect("JSON");
        if message["seq"].is_null() {
            continue; // a zone that was never heard
        }
        assert_eq!(message["valid_for_s"], 0.4, "{message}");
        if message["type"] == "position" {
            assert_eq!(message["age_s"], 0.1, "{message}");
        }
        seen += 1;
    }
    assert_eq!(seen, 4);
}
