//! What the hub keeps, and whom it tells.

use std::time::Duration;

use hereabout_core::{AnchorState, Micros, TagId};
use hereabout_engine::{AnchorFinding, KitFinding, Output, PlaceAnswer};

use crate::tests::fixtures::*;
use crate::{
    Hub, MAX_REMEMBERED_TAGS, stream::filter::SubscriptionFilter, stream::message::NextMessage,
    stream::subscription::Subscription,
};

fn everything() -> SubscriptionFilter {
    SubscriptionFilter {
        position: true,
        delayed: true,
        range: true,
        anchor: true,
        link: true,
        zone: false,
        event: false,
        after: None,
        tag: None,
        zone_name: None,
        spacing: None,
        nonce: None,
    }
}

/// The texts that wait.
fn texts(reader: &Subscription) -> Vec<String> {
    let mut texts = Vec::new();
    while let (NextMessage::Message(message, missed), _) = reader.next_message(&sending) {
        assert_eq!(missed, 0);
        texts.push(message.text.to_string());
    }
    texts
}

#[test]
fn only_so_many_tags_are_kept_and_the_oldest_goes() {
    let hub = Hub::new(info());
    for i in 0..2 * MAX_REMEMBERED_TAGS as u32 {
        let mut report = located(u64::from(i) + 1, i);
        report.at = T.plus(Micros::from_millis(i.into()));
        hub.publish(&Output::Position(report));
    }
    let tags = hub.snapshot().tags;
    assert_eq!(tags.len(), MAX_REMEMBERED_TAGS);
    assert_eq!(tags.keys().next(), Some(&TagId(MAX_REMEMBERED_TAGS as u32)));
}

#[test]
fn an_anchor_is_told_of_when_its_state_changes_and_only_then() {
    let hub = busy_hub();
    let reader = hub.subscribe(everything(), &|| T, 64, 1).unwrap();
    texts(&reader);
    let mut next = table();
    next.rows[0].rate_hz = 7.0;
    hub.publish(&Output::Anchors(next.clone().into()));
    assert_eq!(texts(&reader), [""; 0]);
    next.rows[3].state = AnchorState::Heard;
    next.rows[4].state = AnchorState::Heard;
    hub.publish(&Output::Anchors(next.into()));
    let told = texts(&reader);
    assert_eq!(told.len(), 2);
    assert!(told[0].starts_with(r#"{"type":"anchor","id":3,"name":"roller door""#), "{}", told[0]);
    assert!(told[1].contains(r#""id":4"#), "{}", told[1]);
}

#[test]
fn an_anchor_is_told_of_when_a_finding_comes_or_goes_but_not_when_its_figures_do() {
    let hub = busy_hub();
    let reader = hub.subscribe(everything(), &|| T, 64, 1).unwrap();
    texts(&reader);
    let moved = |e| AnchorFinding::Moved {
        shift_m: [e, 0.1],
        up_m: None,
        size_se_m: 0.04,
        direction_se_deg: Some(6.0),
    };
    let mut next = table();
    for (change, told) in [
        (Some(moved(0.4)), 1),
        (Some(moved(0.41)), 0),
        (Some(AnchorFinding::OffsetChanged { by_m: 0.2, se_m: 0.02 }), 1),
        (None, 1),
    ] {
        next.rows[2].findings = change.into_iter().collect();
        hub.publish(&Output::Anchors(next.clone().into()));
        assert_eq!(texts(&reader).len(), told, "{change:?}");
    }
    next.rows[0].excluded = true;
    hub.publish(&Output::Anchors(next.clone().into()));
    next.rows[1].place = PlaceAnswer::Contradicted;
    hub.publish(&Output::Anchors(next.into()));
    assert_eq!(texts(&reader).len(), 2);
}

#[test]
fn a_link_that_waits_for_the_same_reason_is_told_once() {
    let hub = busy_hub();
    let reader = hub
        .subscribe(SubscriptionFilter { position: false, anchor: false, ..everything() }, &|| T, 64, 1)
        .unwrap();
    assert_eq!(texts(&reader).len(), 1);
    hub.set_link(waiting(2.0));
    hub.set_link(waiting(1.0)); // the next try, which failed alike
    let told = texts(&reader);
    assert_eq!(told.len(), 1);
    assert!(told[0].contains(r#""since":"2026-05-04T09:12:29.204512Z""#), "{}", told[0]);
    hub.set_link(connected());
    assert_eq!(texts(&reader).len(), 1);
}

#[test]
fn between_snapshot_and_changes_nothing_is_lost_or_told_twice() {
    let hub = busy_hub();
    let filter =
        SubscriptionFilter { anchor: false, link: false, range: false, tag: Some(TagId(0)), ..everything() };
    let reader = hub.subscribe(filter, &|| T, 64, 1).unwrap();
    hub.publish(&Output::Position(located(4183, 0)));
    hub.publish(&Output::Position(lost(4184, 3)));
    hub.publish(&Output::Ranges(epoch(0)));
    let seqs: Vec<_> = texts(&reader).iter().map(|t| t[25..29].to_owned()).collect();
    assert_eq!(seqs, ["4181", "4183"]);
}

#[test]
fn a_subscription_ends_when_it_is_dropped() {
    let hub = busy_hub();
    let first = hub.subscribe(everything(), &|| T, 64, 2).unwrap();
    let _second = hub
        .subscribe(SubscriptionFilter { spacing: Some(Duration::from_secs(1)), ..everything() }, &|| T, 64, 2)
        .unwrap();
    assert!(hub.subscribe(everything(), &|| T, 64, 2).is_none());
    drop(first);
    assert_eq!(hub.snapshot().subscribers, 1);
    assert!(hub.subscribe(everything(), &|| T, 64, 2).is_some());
}

#[tokio::test]
async fn what_the_bytes_tell_of_the_kit_is_served_with_what_the_engine_tells() {
    let hub = busy_hub();
    hub.set_link_findings(&[KitFinding::CableOut]);
    let text = get(&app(&hub), "/v1/anchors").await.2;
    let anchors: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(anchors["kit"][0]["kind"], "cable_out", "{text}");
    hub.publish(&Output::Anchors(table().into()));
    assert_eq!(get(&app(&hub), "/v1/anchors").await.2, text, "a new table does not end it");
    assert!(get(&app(&hub), "/v1/anchors.txt").await.2.contains("The kit as a whole:"));
    hub.set_link_findings(&[]);
    assert!(!get(&app(&hub), "/v1/anchors").await.2.contains("cable_out"));
}
