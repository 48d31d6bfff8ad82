//! Zones as they are served: the answer over all tags, what runs out, what is never thinned away.

use std::time::Duration;

use axum::http::StatusCode;
use hereabout_core::{Doubt, JudgedEpoch, Micros, SiteTag, TagId, ZoneState};
use hereabout_engine::{Output, TagChange, TagLife, ZoneReport, ZoneWhy};
use insta::assert_snapshot;
use serde_json::Value;

use super::fixtures::*;
use crate::{Hub, stream::filter::SubscriptionFilter, stream::message::NextMessage};

async fn json(hub: &Hub, path: &str) -> Value {
    let (status, _, text) = get(&app(hub), path).await;
    assert_eq!(status, StatusCode::OK, "{path}: {text}");
    serde_json::from_str(&text).expect("JSON")
}

fn outside(seq: u64, tag: u32) -> ZoneReport {
    ZoneReport {
        state: ZoneState::Outside,
        was: ZoneState::Outside,
        probability: Some(0.000_01),
        depth_m: Some(-6.2),
        eta_s: Some(12.345_678),
        ..inside(seq, tag)
    }
}

#[tokio::test]
async fn the_bodies_of_zones() {
    let hub = busy_hub();
    hub.publish(&Output::Zone(inside(7, 0)));
    let radius = ZoneWhy::ProtectionRadius { radius_m: Some(2.345), limit_m: 2.0 };
    hub.publish(&Output::Zone(ZoneReport { state: ZoneState::Unknown, why: radius, ..outside(8, 3) }));
    assert_snapshot!("zones", get(&app(&hub), "/v1/zones").await.2);
    assert_snapshot!("zone", get(&app(&hub), "/v1/zones/roller%20door").await.2);
    assert_snapshot!("zone_of_tag", get(&app(&hub), "/v1/zones/roller%20door?tag=3").await.2);
    assert_snapshot!("zone_never_heard", get(&app(&hub), "/v1/zones/charger").await.2);
}

#[tokio::test]
async fn any_tag_inside_is_inside_then_any_unknown_is_unknown() {
    let hub = busy_hub();
    let state = async || json(&hub, "/v1/zones/roller%20door").await["state"].clone();
    assert_eq!(state().await, "unknown", "no tag was ever heard");
    hub.publish(&Output::Zone(outside(1, 0)));
    assert_eq!(state().await, "outside");
    hub.publish(&Output::Zone(ZoneReport {
        state: ZoneState::Unknown,
        why: ZoneWhy::Undecided,
        ..outside(2, 3)
    }));
    assert_eq!(state().await, "unknown");
    hub.publish(&Output::Zone(inside(3, 5)));
    assert_eq!(state().await, "inside");
    assert_eq!(json(&hub, "/v1/zones/roller%20door?tag=0").await["state"], "outside");
    assert_eq!(json(&hub, "/v1/zones?tag=77").await["zones"][0]["tags"][0]["why"], "never_heard");
}

#[tokio::test]
async fn what_has_run_out_is_unknown_whatever_it_was() {
    for report in [inside(1, 0), outside(1, 0)] {
        for (valid_for_us, state, why) in
            [(1_200, report.state, "probability"), (1_199, ZoneState::Unknown, "no_data")]
        {
            let hub = busy_hub();
            // The clock of these tests stands 1.2 ms after the report.
            let valid_until = T.plus(Micros::from_micros(valid_for_us));
            hub.publish(&Output::Zone(ZoneReport { valid_until, ..report }));
            let zone = json(&hub, "/v1/zones/roller%20door").await;
            assert_eq!(zone["state"], format!("{state:?}").to_lowercase(), "{zone}");
            assert_eq!(zone["tags"][0]["why"], why, "{zone}");
            assert_eq!(zone["tags"][0]["seq"], 1);
            if state == ZoneState::Unknown {
                assert_eq!(zone["tags"][0]["since"], zone["tags"][0]["valid_until"]);
                assert_eq!(zone["tags"][0]["probability"], Value::Null);
            }
        }
    }
    // An unknown keeps its reason: a lost tag is heard, so "no data" would be wrong.
    let hub = busy_hub();
    let lost = ZoneReport {
        state: ZoneState::Unknown,
        why: ZoneWhy::Lost,
        valid_until: seconds_before(9.0),
        ..inside(1, 0)
    };
    hub.publish(&Output::Zone(lost));
    assert_eq!(json(&hub, "/v1/zones").await["zones"][0]["tags"][0]["why"], "lost");
}

fn lives(hub: &Hub, tag: u32, now: TagLife) {
    hub.publish(&Output::TagChanged(TagChange { at: T, tag: TagId(tag), now }));
}

const RETIRED: TagLife = TagLife::Retired { silent_for: Micros::from_millis(600_000) };

fn listed(tags: &[u32], of_zone: &[u32]) -> crate::SiteInfo {
    let mut site = info().site;
    let named = |id: &u32| SiteTag { id: TagId(*id), name: format!("cart {id}") };
    site.tags = tags.iter().map(named).collect();
    site.zones[0].rule.tags = of_zone.iter().map(|id| TagId(*id)).collect();
    site
}

#[tokio::test]
async fn a_zone_is_outside_only_when_every_tag_that_it_is_about_is() {
    // The zone's tags, else those of the site, else the admitted ones.
    for site in [listed(&[0, 3], &[]), listed(&[0, 3, 5], &[0, 3]), listed(&[], &[0, 3]), listed(&[], &[])] {
        let hub = Hub::new(info());
        hub.set_site(site);
        let zone = async || json(&hub, "/v1/zones/roller%20door").await;
        assert_eq!(zone().await["state"], "unknown", "nothing was heard");
        lives(&hub, 0, TagLife::Admitted);
        lives(&hub, 3, TagLife::Admitted);
        hub.publish(&Output::Zone(outside(1, 0)));
        let waits = zone().await;
        assert_eq!((&waits["state"], &waits["tags"][1]["tag"]), (&"unknown".into(), &3.into()), "{waits}");
        hub.publish(&Output::Zone(outside(2, 3)));
        assert_eq!(zone().await["state"], "outside");
        hub.publish(&Output::Zone(inside(3, 3)));
        assert_eq!(zone().await["state"], "inside");
    }
}

#[tokio::test]
async fn a_retired_tag_counts_no_more_unless_it_is_listed() {
    for (site, state) in
        [(listed(&[], &[]), "outside"), (listed(&[], &[0, 3]), "unknown"), (listed(&[0, 3], &[]), "unknown")]
    {
        let hub = busy_hub();
        hub.set_site(site);
        for tag in [0, 3] {
            lives(&hub, tag, TagLife::Admitted);
            hub.publish(&Output::Zone(outside(u64::from(tag) + 1, tag)));
        }
        lives(&hub, 3, RETIRED);
        let zone = json(&hub, "/v1/zones/roller%20door").await;
        assert_eq!(zone["state"], state, "{zone}");
        if state == "unknown" {
            assert_eq!(
                (&zone["tags"][1]["why"], &zone["tags"][1]["since"]),
                (&"no_data".into(), &Value::Null)
            );
            assert!(zone["words"].as_str().expect("words").contains("fell silent"), "{zone}");
        }
        let (status, _, metrics) = get(&app(&hub), "/metrics").await;
        assert_eq!(status, StatusCode::OK);
        assert!(metrics.contains("tag=\"0\"") && !metrics.contains("tag=\"3\""), "{metrics}");
        assert_eq!(get(&app(&hub), "/v1/tags/3").await.0, StatusCode::NOT_FOUND);
        lives(&hub, 3, TagLife::Admitted);
        assert_eq!(
            json(&hub, "/v1/zones/roller%20door").await["state"],
            "unknown",
            "it is back, and not known yet"
        );
    }
}

#[tokio::test]
async fn listed_tags_are_shown_by_their_names() {
    let hub = Hub::new(info());
    hub.set_site(listed(&[0, 3], &[]));
    hub.publish(&Output::Position(located(1, 3)));
    hub.publish(&Output::Zone(inside(1, 3)));
    let text = json(&hub, "/v1/zones/roller%20door").await;
    assert_eq!(text["tags"][0]["tag_name"], "cart 3");
    assert!(text["words"].as_str().expect("words").starts_with("Tag 3 (cart 3) is inside"), "{text}");
    assert_eq!(json(&hub, "/v1/tags/3").await["tag_name"], "cart 3");
    let opening = hub.subscribe(
        crate::routes::query::subscription_filter(&"/v1/live".parse().expect("a URI")).expect("a query"),
        &now,
        64,
        9,
    );
    assert!(opening.is_some());
    assert_eq!(json(&hub, "/v1/site").await["tags"][1], serde_json::json!({"id": 3, "name": "cart 3"}));
}

#[test]
fn numbers_that_are_no_tags_reach_no_reader() {
    let hub = busy_hub();
    let query = "/v1/live?topics=range".parse().expect("a URI");
    let reader = hub
        .subscribe(crate::routes::query::subscription_filter(&query).expect("a query"), &now, 64, 9)
        .expect("room");
    let ghost = JudgedEpoch {
        at: T,
        measured_at: T,
        doubt: Some(Doubt::UnknownTag),
        tag: TagId(213),
        frame_seq: None,
        ranges: Default::default(),
    };
    hub.publish(&Output::Ranges(ghost.clone()));
    assert!(!matches!(reader.next_message(&sending).0, NextMessage::Message(..)));
    hub.publish(&Output::Ranges(JudgedEpoch { doubt: None, ..ghost }));
    assert!(matches!(reader.next_message(&sending).0, NextMessage::Message(..)));
}

#[tokio::test]
async fn a_changed_site_begins_with_unknown_zones() {
    let hub = busy_hub();
    hub.publish(&Output::Zone(inside(1, 0)));
    hub.set_site(info().site);
    assert_eq!(json(&hub, "/v1/zones/roller%20door").await["state"], "unknown");
}

fn wants(zone_name: Option<&str>, spacing: Option<Duration>) -> SubscriptionFilter {
    let query = "/v1/live?topics=zone".parse().expect("a URI");
    let filter = crate::routes::query::subscription_filter(&query).expect("a query");
    SubscriptionFilter { zone_name: zone_name.map(str::to_owned), spacing, ..filter }
}

#[test]
fn a_reader_gets_the_zone_and_tag_that_it_asked_for() {
    let hub = busy_hub();
    hub.publish(&Output::Zone(inside(1, 0)));
    hub.publish(&Output::Zone(outside(2, 3)));
    let texts = |filter: SubscriptionFilter| {
        let reader = hub.subscribe(filter, &now, 64, 9).expect("room");
        hub.publish(&Output::Zone(inside(3, 0)));
        hub.publish(&Output::Zone(ZoneReport { zone: 1, ..inside(4, 0) }));
        let next = || match reader.next_message(&sending).0 {
            NextMessage::Message(m, 0) => Some(m.text.to_string()),
            _ => None,
        };
        let of = |t: String| serde_json::from_str::<Value>(&t).expect("JSON")["seq"].clone();
        std::iter::from_fn(next).map(of).collect::<Vec<_>>()
    };
    let [two, three, four] = [2, 3, 4].map(Value::from);
    assert_eq!(texts(wants(Some("charger"), None)), [Value::Null, four.clone()]);
    assert_eq!(
        texts(wants(None, None)),
        [three.clone(), two.clone(), four.clone(), three.clone(), four.clone()]
    );
    let of_tag = SubscriptionFilter { tag: Some(TagId(3)), ..wants(Some("roller door"), None) };
    assert_eq!(texts(of_tag), [two]);
}

#[test]
fn a_change_of_state_is_neither_thinned_nor_delayed() {
    let hub = busy_hub();
    hub.publish(&Output::Zone(outside(1, 0)));
    let slow = Some(Duration::from_secs(3_600));
    let reader = hub.subscribe(wants(Some("roller door"), slow), &now, 64, 9).expect("room");
    let next = || match reader.next_message(&sending).0 {
        NextMessage::Message(m, missed) => {
            assert_eq!(missed, 0, "what was asked to be left out is not missed");
            serde_json::from_str::<Value>(&m.text).expect("JSON")["seq"].as_u64()
        }
        _ => None,
    };
    assert_eq!(next(), Some(1), "the snapshot");
    for seq in 2..10 {
        hub.publish(&Output::Zone(outside(seq, 0)));
    }
    assert_eq!(next(), None, "an hour has to pass");
    let entered = ZoneReport { was: ZoneState::Outside, ..inside(10, 0) };
    hub.publish(&Output::Zone(entered));
    hub.publish(&Output::Zone(inside(11, 0)));
    let left = ZoneReport { was: ZoneState::Inside, ..outside(12, 0) };
    hub.publish(&Output::Zone(left));
    hub.publish(&Output::Zone(outside(13, 0)));
    assert_eq!((next(), next(), next()), (Some(10), Some(12), None));
}
