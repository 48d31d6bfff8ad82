//! Events as they are served: pages, kinds, and readers that resume. Live ones over WebSocket are in `live.rs`, those
//! over Server-Sent Events in `sse.rs`.

use axum::http::StatusCode;
use hereabout_core::{AnchorId, AnchorState, Micros, SiteDraft, SiteTag, TagId, TrackSettings, ZoneState};
use hereabout_engine::{AnchorChange, FindingChange, KitChange, Output, TagChange, TagLife, ZoneReport};
use hereabout_words::samples::{every_finding, every_kit_finding};
use insta::assert_snapshot;
use serde_json::Value;

use super::fixtures::*;
use crate::{
    Hub,
    v1::{BeforeName, EventDraft, EventsKeptIn, LostWhat, RunBefore},
};

async fn page(hub: &Hub, query: &str) -> Value {
    let (status, _, text) = get(&app(hub), &format!("/v1/events{query}")).await;
    assert_eq!(status, StatusCode::OK, "{query}: {text}");
    serde_json::from_str(&text).expect("JSON")
}

fn seqs(page: &Value) -> Vec<u64> {
    page["events"].as_array().expect("events").iter().filter_map(|e| e["seq"].as_u64()).collect()
}

const RETIRED: TagLife = TagLife::Retired { silent_for: Micros::from_millis(600_000) };

/// One event of each kind, and each finding.
fn drafts() -> Vec<EventDraft> {
    let info = info();
    let draft = SiteDraft {
        name: info.site.name,
        dimension: info.site.dimension,
        fence: info.site.fence,
        anchors: info.site.anchors,
        zones: info.site.zones,
        range_span_m: info.site.range_span_m,
        track: TrackSettings::default(),
        range_fields: None,
        required_ce95_m: None,
        tag_height_se_m: None,
        tags: vec![SiteTag { id: TagId(3), name: "potting cart".into() }],
        correction_limits: Default::default(),
    };
    let (site, _) = draft.validate().expect("a site");
    let site = site.with_range_unit(info.site.range_units_per_m).with_others(info.site.others);
    let anchor = AnchorId(2);
    let mut restarted = located(9, 0);
    restarted.restarted = true;
    let mut outputs = vec![
        Output::Zone(ZoneReport { was: ZoneState::Unknown, ..inside(1, 0) }),
        Output::AnchorChanged(AnchorChange {
            at: T,
            anchor: AnchorId(3),
            was: AnchorState::Heard,
            now: AnchorState::Silent,
        }),
        Output::Position(restarted),
        Output::TagChanged(TagChange { at: T, tag: TagId(3), now: TagLife::Admitted }),
        Output::TagChanged(TagChange { at: T, tag: TagId(3), now: RETIRED }),
        Output::TagChanged(TagChange { at: T, tag: TagId(7), now: RETIRED }),
        // These are no events.
        Output::Zone(inside(2, 0)),
        Output::Position(located(10, 0)),
        Output::Anchors(table().into()),
    ];
    let over = |i: usize| i % 2 == 1;
    outputs.extend(every_finding(0.4).into_iter().enumerate().map(|(i, finding)| {
        Output::FindingChanged(FindingChange { at: T, anchor, finding, over: over(i), instead_of: None })
    }));
    outputs.extend(
        every_kit_finding(0.4)
            .into_iter()
            .enumerate()
            .map(|(i, finding)| Output::KitChanged(KitChange { at: T, finding, over: over(i) })),
    );
    let before = |ended, seq, missing| RunBefore { ended, seq, missing };
    let runs = [
        before(BeforeName::None, None, Some(0)),
        before(BeforeName::Stopped, Some(1_796_000_000_004), Some(0)),
        before(BeforeName::Stopped, Some(1_796_000_000_004), Some(3)),
        before(BeforeName::CutOff, Some(1_796_000_000_004), None),
        RunBefore::UNKNOWN,
    ];
    let mut drafts: Vec<EventDraft> =
        runs.into_iter().map(|run| EventDraft::start(T, "0.1.0", "Larkfield nursery", run)).collect();
    drafts.push(EventDraft::link(T, None));
    drafts.extend(outputs.iter().filter_map(|o| EventDraft::from_output(o, &site)));
    drafts.extend([
        EventDraft::link(T, Some("the port is gone: plug the primary anchor in")),
        EventDraft::configuration(T, "read again on SIGHUP"),
        EventDraft::calibration(T, "set over HTTP"),
        EventDraft::clock(T, Micros::from_millis(30_000), Micros::from_millis(30_000), Some(false)),
        EventDraft::clock(T, Micros::from_micros(-1_500), Micros::from_micros(29_998_500), None),
        EventDraft::clock(T, Micros::ZERO, Micros::from_micros(29_998_500), Some(true)),
        EventDraft::data_lost(T, LostWhat::LogFrames, 4, 9),
        EventDraft::data_lost(T, LostWhat::LogPositions, 1, 1),
        EventDraft::data_lost(T, LostWhat::LogEvents, 2, 2),
        EventDraft::data_lost(T, LostWhat::OutOfOrder, 1, 1),
        EventDraft::data_lost(T, LostWhat::TooManyTags, 1, 1),
        EventDraft::data_lost(T, LostWhat::DamagedFrames, 12, 12),
        EventDraft::stop(T),
    ]);
    drafts
}

#[tokio::test]
async fn every_kind_of_event() {
    let hub = Hub::new(info());
    drafts().iter().for_each(|d| hub.count_event(d));
    let page = page(&hub, "?after=0").await;
    let lines: Vec<String> =
        page["events"].as_array().expect("events").iter().map(ToString::to_string).collect();
    let findings = every_finding(0.4).len() + every_kit_finding(0.4).len();
    assert_eq!(lines.len(), 2 + 6 + findings + 17);
    // The order of fields is that of the text itself.
    let text = get(&app(&hub), "/v1/events?after=0").await.2;
    assert_snapshot!("events", text.replace("},{\"type\"", "},\n{\"type\""));
}

#[tokio::test]
async fn an_event_from_the_log_is_the_one_that_was_published() {
    let (counted, logged) = (Hub::new(info()), Hub::new(info()));
    logged.set_events_kept_in(EventsKeptIn::Log);
    for (seq, draft) in (1..).zip(drafts()) {
        counted.count_event(&draft);
        logged.publish_event(seq, draft.at, draft.kind.name(), &draft.detail);
        assert!(draft.detail.chars().count() <= 4096, "the log keeps no more");
    }
    let (counted, logged) = (page(&counted, "?limit=1000").await, page(&logged, "?limit=1000").await);
    assert_eq!(counted["events"], logged["events"]);
    assert_eq!((&counted["kept_in"], &logged["kept_in"]), (&"memory".into(), &"log".into()));
    assert_eq!(counted["kept_since"], "2026-05-04T09:11:01.204512Z");
    assert_eq!(logged["kept_since"], Value::Null);
}

#[tokio::test]
async fn an_event_of_a_log_of_before_keeps_its_free_text() {
    let hub = Hub::new(info());
    for (seq, detail) in [(5, "waiting: the \"port\" is gone"), (6, "{}"), (7, "[1]"), (8, "{\"words\":1")] {
        hub.publish_event(seq, T, "link", detail);
    }
    let page = page(&hub, "").await;
    assert_eq!(seqs(&page), [5, 6, 7, 8]);
    assert_eq!(page["events"][0]["words"], "waiting: the \"port\" is gone");
    assert_eq!(page["events"][3]["words"], "{\"words\":1");
}

#[test]
fn the_longest_words_still_fit_the_log_and_stay_whole() {
    for nasty in ["\"", "\\", "\n", "\u{7}", "ü", "🌱"] {
        let long = nasty.repeat(100_000);
        for draft in [
            EventDraft::link(T, Some(&long)),
            EventDraft::start(T, &long, &long, RunBefore::UNKNOWN),
            EventDraft::configuration(T, &long),
        ] {
            assert!(draft.detail.chars().count() <= 4096, "{}", draft.detail.chars().count());
            serde_json::from_str::<Value>(&draft.to_json()).expect("JSON");
        }
    }
}

#[tokio::test]
async fn pages_go_on_where_the_one_before_ended() {
    let hub = Hub::new(info());
    let stop = EventDraft::stop(T);
    (0..250).for_each(|_| hub.count_event(&stop));
    let first = page(&hub, "?after=0").await;
    assert_eq!(seqs(&first), (1..=100).collect::<Vec<_>>());
    let second = page(&hub, &format!("?after={}&limit=1000", first["next_after"])).await;
    assert_eq!(seqs(&second), (101..=250).collect::<Vec<_>>());
    let last = page(&hub, "?after=250").await;
    assert_eq!((seqs(&last), last["next_after"].as_u64()), (vec![], Some(250)));
    assert_eq!(seqs(&page(&hub, "?limit=3").await), [248, 249, 250], "without a number the newest");
    assert!(last.get("no_longer_kept").is_none() && last.get("numbers_anew").is_none());
}

#[tokio::test]
async fn what_is_gone_and_who_is_ahead_is_told() {
    let hub = Hub::new(info());
    let empty = page(&hub, "?after=3").await;
    assert_eq!((&empty["numbers_anew"], &empty["oldest"]), (&0.into(), &Value::Null));
    let draft = EventDraft::stop(T);
    (100..5_000).for_each(|seq| hub.publish_event(seq, T, "stop", &draft.detail));
    let page_0 = page(&hub, "?after=0&limit=2").await;
    let oldest = 5_000 - u64::from(crate::MAX_EVENTS);
    assert_eq!(page_0["no_longer_kept"], serde_json::json!({"from": 1, "to": oldest - 1}));
    assert_eq!(seqs(&page_0), [oldest, oldest + 1]);
    assert_eq!((page_0["oldest"].as_u64(), page_0["newest"].as_u64()), (Some(oldest), Some(4_999)));
    let ahead = page(&hub, "?after=9000&limit=1").await;
    assert_eq!((ahead["numbers_anew"].as_u64(), seqs(&ahead)), (Some(4_999), vec![oldest]));
}
