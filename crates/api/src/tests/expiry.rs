//! What has run out, in every view: none serves it as current.

use axum::http::StatusCode;
use hereabout_core::{AnchorId, AnchorState, Micros, TagState};
use hereabout_engine::{AnchorTable, Output};
use serde_json::Value;

use super::fixtures::*;
use crate::{Hub, stream::filter::SubscriptionFilter};

/// Tag 0 located, tag 3 lost, tag 5 coasting, tag 6 ambiguous; zone 0 is inside; five anchors.
fn yard() -> Hub {
    let hub = busy_hub();
    hub.publish(&Output::Position(in_state(TagState::Coasting, located(4183, 5))));
    hub.publish(&Output::Position(in_state(TagState::Ambiguous, located(4184, 6))));
    hub.publish(&Output::Zone(inside(9, 0)));
    hub
}

async fn text(hub: &Hub, s: f64, path: &str) -> String {
    let (status, _, text) = get(&app_at(hub, s), path).await;
    assert_eq!(status, StatusCode::OK, "{path}: {text}");
    text
}

async fn json(hub: &Hub, s: f64, path: &str) -> Value {
    serde_json::from_str(&text(hub, s, path).await).expect("JSON")
}

/// Checks that a position message says nothing but that it ran out half a second after [`T`].
fn is_expired(message: &Value, seq: u64) {
    assert_eq!(message["seq"], seq, "{message}");
    assert_eq!((&message["state"], &message["no_fix"]["code"]), (&"lost".into(), &"expired".into()));
    for key in [
        "position_m",
        "covariance_m2",
        "radius95_m",
        "protection_radius_m",
        "velocity_mps",
        "hdop",
        "vdop",
        "pdop",
    ] {
        assert!(message[key].is_null() && message.as_object().unwrap().contains_key(key), "{key}: {message}");
    }
    assert_eq!(message["candidates"], Value::Array(Vec::new()));
    assert_eq!((&message["checked"], &message["restarted"]), (&false.into(), &false.into()));
    assert_eq!(message["used"], Value::Array(Vec::new()));
    assert_eq!(message["time"], "2026-05-04T09:12:31.704512Z");
    assert_eq!(message["valid_until"], message["time"]);
    assert_eq!(message["valid_for_s"], 0.0);
}

#[tokio::test]
async fn positions_in_both_routes_and_both_streams() {
    let hub = yard();
    for s in [0.500_001, 2.0, 3_600.0] {
        let tags = json(&hub, s, "/v1/tags").await;
        for (i, seq, id) in [(0, 4181, 0), (2, 4183, 5), (3, 4184, 6)] {
            is_expired(&tags["tags"][i], seq);
            let one = json(&hub, s, &format!("/v1/tags/{id}")).await;
            is_expired(&one, seq);
            let age_s = one["age_s"].as_f64().expect("an age");
            assert!((age_s - (s - 0.5)).abs() < 1e-6, "since it ran out: {age_s}");
        }
        assert_eq!(tags["tags"][1]["no_fix"]["code"], "too_few_ranges", "a lost tag keeps its reason");
        let query = "/v1/live?topics=position,zone".parse().expect("a URI");
        let filter: SubscriptionFilter = crate::routes::query::subscription_filter(&query).expect("a query");
        let clock = move || T.plus(Micros::from_secs_f64(s));
        let reader = hub.subscribe(filter, &clock, 64, 9).expect("room");
        let sending = || crate::v1::Sending { now: clock(), ..sending() };
        let mut opening = Vec::new();
        while let Some(text) = {
            let (next, sending) = reader.next_message(&sending);
            next.text(sending)
        } {
            opening.push(serde_json::from_str::<Value>(&text).expect("JSON"));
        }
        is_expired(&opening[0], 4181);
        is_expired(&opening[2], 4183);
        is_expired(&opening[3], 4184);
        assert_eq!((&opening[4]["state"], &opening[4]["why"]), (&"unknown".into(), &"no_data".into()));
        assert_eq!(opening[4]["valid_for_s"], 0.0);
    }
    let now = json(&hub, 0.5, "/v1/tags").await;
    let states: Vec<&Value> = now["tags"].as_array().expect("tags").iter().map(|t| &t["state"]).collect();
    assert_eq!(states, ["located", "lost", "coasting", "ambiguous"], "until the last microsecond");
}

#[tokio::test]
async fn anchors_in_all_their_routes() {
    let hub = yard();
    let row = async |s: f64, id: u16| json(&hub, s, &format!("/v1/anchors/{id}")).await;
    assert_eq!(row(1.4, 1).await["state"], "heard");
    let silent = row(1.401, 1).await; // heard last 0.1 s before T
    assert_eq!(silent["state"], "silent");
    assert_eq!(silent["since"], "2026-05-04T09:12:32.104512Z");
    assert_eq!(silent["rate_hz"], 3.2);
    assert_eq!(silent["findings"][0]["kind"], "silent");
    assert!(silent["advice"].as_str().expect("advice").contains("see /v1/status first"), "{silent}");
    let old = json(&hub, 3.001, "/v1/anchors").await;
    for id in 0..3 {
        let row = &old["anchors"][id];
        assert_eq!(row["state"], "silent");
        for key in ["rate_hz", "share", "rejected_share", "mean_residual_m"] {
            assert!(row[key].is_null() && row.as_object().unwrap().contains_key(key), "{key}: {row}");
        }
    }
    assert_eq!(old["anchors"][4]["state"], "never_heard");
    let table = text(&hub, 3.001, "/v1/anchors.txt").await;
    let line = table.lines().find(|l| l.contains("shed corner")).expect("a row");
    let words: Vec<&str> = line.split_whitespace().collect();
    assert_eq!(words, ["0", "shed", "corner", "silent", "3.0", "s", "-", "-", "-", "-"], "{table}");
    assert!(!table.lines().any(|l| l.contains("heard  ") && !l.contains("never")), "{table}");
}

#[tokio::test]
async fn metrics_know_what_has_run_out() {
    let hub = yard();
    let value = |text: &str, name: &str| {
        let line = text.lines().find(|l| l.starts_with(&format!("hereabout_{name} ")));
        line.and_then(|l| l.rsplit(' ').next()?.parse::<f64>().ok())
    };
    let now = text(&hub, 0.4, "/metrics").await;
    assert_eq!(value(&now, "tag_located{tag=\"0\"}"), Some(1.0));
    assert_eq!(value(&now, "position_radius95_meters{tag=\"0\"}"), Some(0.13));
    assert_eq!(value(&now, "anchor_heard{anchor=\"0\"}"), Some(1.0));
    assert_eq!(value(&now, "anchor_rate_hertz{anchor=\"0\"}"), Some(9.9));
    assert_eq!(value(&now, "zone_known{zone=\"roller door\"}"), Some(1.0));
    for s in [4.0, 400.0] {
        let late = text(&hub, s, "/metrics").await;
        assert_eq!(value(&late, "tag_located{tag=\"0\"}"), Some(0.0));
        assert_eq!(value(&late, "position_radius95_meters{tag=\"0\"}"), None);
        assert_eq!(value(&late, "position_age_seconds{tag=\"0\"}"), Some(s), "its age goes on");
        assert_eq!(value(&late, "anchor_heard{anchor=\"0\"}"), Some(0.0));
        for name in ["rate_hertz", "share_ratio", "rejected_ratio", "residual_meters"] {
            assert_eq!(value(&late, &format!("anchor_{name}{{anchor=\"0\"}}")), None, "{name}");
        }
        assert_eq!(value(&late, "zone_known{zone=\"roller door\"}"), Some(0.0));
        assert_eq!(value(&late, "zone_tags_inside{zone=\"roller door\"}"), Some(0.0));
    }
}

#[tokio::test]
async fn the_plan_draws_what_counts() {
    let hub = yard();
    let now = text(&hub, 0.4, "/v1/plan.svg").await;
    assert!(now.contains("Tag 0 located") && now.contains("Tag 6: one of two places"), "{now}");
    let late = text(&hub, 1.7, "/v1/plan.svg").await;
    for told in ["Tag 0: NO DATA", "Tag 5: NO DATA", "Tag 6: NO DATA", "Anchor 0 shed corner: silent since"] {
        assert!(late.contains(told), "{told}: {late}");
    }
    let later = text(&hub, 3.1, "/v1/plan.svg").await;
    assert!(later.contains("Anchor 0 shed corner: no data"), "{later}");
}

#[tokio::test]
async fn readiness_and_problems_say_the_same() {
    let hub = yard();
    assert_eq!(text(&hub, 4.9, "/readyz").await, r#"{"status":"ready"}"#);
    let (status, headers, text) = get(&app_at(&hub, 15.0), "/readyz").await;
    assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(headers["content-type"], "application/problem+json");
    let problem: Value = serde_json::from_str(&text).expect("JSON");
    assert!(
        problem["detail"]
            .as_str()
            .expect("words")
            .contains("No good frame was heard from sim://yard.toml for 15 s")
    );
    let status = json(&hub, 15.0, "/v1/status").await;
    assert_eq!(status["problems"], Value::Array(vec![problem["detail"].clone()]), "and no anchor is blamed");
    assert_eq!(status["link"]["state"], "connected");
}

#[tokio::test]
async fn a_change_of_configuration_leaves_nothing_as_current() {
    let hub = yard();
    let mut site = info().site;
    site.anchors.retain(|a| a.id.0 != 2);
    hub.set_site(site);
    let zone = json(&hub, 0.1, "/v1/zones/roller%20door").await;
    assert_eq!(zone["state"], "unknown");
    // The track is still what was said, until it runs out or the engine says more.
    assert_eq!(json(&hub, 0.1, "/v1/tags/0").await["state"], "located");
    assert_eq!(json(&hub, 0.6, "/v1/tags/0").await["state"], "lost");
    // An anchor that is gone is in no view.
    let anchors = json(&hub, 0.1, "/v1/anchors").await;
    let ids: Vec<_> = anchors["anchors"].as_array().unwrap().iter().map(|a| a["id"].clone()).collect();
    assert_eq!(ids, [0, 1, 3, 4]);
    assert_eq!(get(&app_at(&hub, 0.1), "/v1/anchors/2").await.0, StatusCode::NOT_FOUND);
    assert!(!text(&hub, 0.1, "/metrics").await.contains("anchor=\"2\""));
    assert!(!text(&hub, 0.1, "/v1/anchors.txt").await.contains("gable"));
    assert!(!text(&hub, 0.1, "/v1/plan.svg").await.contains("gable"));
    // The others run out, whatever the engine of before said last.
    assert_eq!(json(&hub, 1.6, "/v1/anchors/0").await["state"], "silent");
    // Numbers go on, and a message says that it is a new track.
    let mut again = located(4190, 0);
    again.restarted = true;
    hub.publish(&Output::Position(again));
    let tag = json(&hub, 0.1, "/v1/tags/0").await;
    assert_eq!((&tag["seq"], &tag["restarted"]), (&4190.into(), &true.into()));
}

/// Who was told that an anchor is silent, because the engine did not answer, is told when it is heard after all.
#[tokio::test]
async fn an_overdue_anchor_that_is_heard_after_all_is_told() {
    let hub = yard();
    let query = "/v1/live?topics=anchor".parse().expect("a URI");
    let late = || T.plus(Micros::from_millis(2_000));
    let reader = hub
        .subscribe(crate::routes::query::subscription_filter(&query).expect("a query"), &late, 64, 9)
        .expect("room");
    let states = || {
        let next = || {
            let (next, sending) = reader.next_message(&sending);
            let value: Value = serde_json::from_str(&next.text(sending)?).expect("JSON");
            Some((value["id"].as_u64().unwrap(), value["state"].as_str().unwrap().to_owned()))
        };
        std::iter::from_fn(next).collect::<Vec<_>>()
    };
    assert_eq!(states()[0], (0, "silent".to_owned()));
    let later = T.plus(Micros::from_millis(2_100));
    let heard = |row: &mut hereabout_engine::AnchorHealth| row.last_heard = Some(later);
    let mut next = AnchorTable { at: later, ..table() };
    next.rows.iter_mut().filter(|r| r.state == AnchorState::Heard).for_each(heard);
    hub.publish(&Output::Anchors(next.clone().into()));
    assert_eq!(states(), [(0, "heard".to_owned()), (1, "heard".to_owned()), (2, "heard".to_owned())]);
    hub.publish(&Output::Anchors(next.into()));
    assert_eq!(states(), [], "once");
    assert!(hub.site().anchors.iter().any(|a| a.id == AnchorId(2)));
}
