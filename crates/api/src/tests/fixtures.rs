//! Larkfield nursery: a made-up yard with five anchors, a potting cart (tag 0) and a barrow (tag 3).

use std::{net::SocketAddr, sync::Arc, time::Duration};

use axum::{
    Router,
    body::Body,
    http::{HeaderMap, Request, StatusCode},
};
use hereabout_core::{
    Anchor, AnchorId, AnchorSet, AnchorState, Correction, Dimension, Fence, JudgedEpoch, JudgedRange,
    Location, Micros, NoFixReason, OtherSite, Place, PositionReport, RejectReason, RejectedRange, TagId,
    TagPlace, TagState, Timestamp, Verdict, Zone, ZoneRule, ZoneShape, ZoneState,
};
use hereabout_engine::{
    AnchorFinding, AnchorHealth, AnchorMinute, AnchorTable, CannotTell, KitFinding, Output, PlaceAnswer,
    ZoneReport, ZoneWhy,
};
use http_body_util::BodyExt;
use tokio::task::JoinHandle;
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use tower::ServiceExt;

use crate::{
    ApiError, ApiSettings, Connectivity, Hub, HubInfo, Key, LinkView, LogStatus, Rights, SiteInfo, bind,
    routes::{App, router},
    serve,
    v1::Sending,
};

/// 2026-05-04T09:12:31.204512Z; from `date -u -d 2026-05-04T09:12:31Z +%s`.
pub(crate) const T: Timestamp = Timestamp::from_micros(1_777_885_951_204_512);

/// 1.2 ms after [`T`].
pub(crate) fn now() -> Timestamp {
    T.plus(Micros::from_micros(1_200))
}

pub(crate) fn seconds_before(s: f64) -> Timestamp {
    T.plus(Micros::from_secs_f64(-s))
}

fn anchor(id: u16, name: &str, at_m: [f64; 3]) -> Anchor {
    let correction = Correction { offset_m: 0.2, scale: 1.0, offset_se_m: (id == 2).then_some(0.004) };
    Anchor { id: AnchorId(id), name: name.into(), at_m, range_sigma_m: 0.1, slot: None, correction }
}

pub(crate) fn info() -> HubInfo {
    let door = vec![[9.0, 0.0], [13.0, 0.0], [13.0, 3.5], [9.0, 3.5]];
    HubInfo {
        version: "0.1.0".into(),
        started_at: seconds_before(90.0),
        source: "sim://yard.toml".into(),
        site: SiteInfo {
            range_units_per_m: Some(1000.0),
            others: vec![OtherSite {
                file: "north.toml".into(),
                name: "North yard".into(),
                at_m: vec![Some([0.0, 0.0, 2.6]); 5],
                tag_height_m: Some(0.9),
                unit_ratio: 1.0,
            }],
            name: "Larkfield nursery".into(),
            dimension: Dimension::TwoD { tag_height_m: 0.9 },
            fence: Fence {
                area_m: vec![[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]],
                up_span_m: None,
            },
            range_span_m: [0.01, 200.0],
            tags: Vec::new(),
            correction_limits: Default::default(),
            anchors: vec![
                anchor(0, "shed corner", [0.0, 0.0, 2.6]),
                anchor(1, "glasshouse south", [24.0, 0.0, 2.4]),
                anchor(2, "glasshouse north-west gable end", [24.0, 14.0, 2.8]),
                anchor(3, "roller door", [11.0, 0.0, 2.2]),
                anchor(4, "potting bench", [0.0, 14.0, 2.2]),
            ],
            zones: vec![
                Zone {
                    name: "roller door".into(),
                    shape: ZoneShape::Polygon { outline_m: door, holes_m: Vec::new() },
                    rule: ZoneRule::default(),
                },
                Zone {
                    name: "charger".into(),
                    shape: ZoneShape::Near { anchor: AnchorId(0), enter_m: 1.5, leave_m: 2.5 },
                    rule: ZoneRule::default(),
                },
            ],
        },
    }
}

/// The cart at a place, as in the design's example.
pub(crate) fn located(seq: u64, tag: u32) -> PositionReport {
    PositionReport {
        seq,
        tag: TagId(tag),
        at: T,
        received_at: T,
        valid_until: T.plus(Micros::from_millis(500)),
        location: Location::Located(TagPlace {
            checked: true,
            hdop: Some(0.81),
            ..TagPlace::of(
                Place {
                    position_m: [12.412_345, 5.03, 0.9],
                    covariance_m2: [[0.003_1, 0.000_2, 0.0], [0.000_2, 0.002_712_345_678, 0.0], [0.0; 3]],
                },
                0.13,
            )
        }),
        restarted: false,
        used: [0, 1, 2, 4].map(AnchorId).into_iter().collect(),
        rejected: std::iter::once(RejectedRange {
            anchor: AnchorId(3),
            residual_m: 0.92,
            why: RejectReason::TooLong,
            p_good: Some(0.0312),
        })
        .collect(),
        no_fix: None,
    }
}

/// The same report in another state.
pub(crate) fn in_state(state: TagState, report: PositionReport) -> PositionReport {
    let place = *report.location.tag_place().expect("a report with a place");
    let location = match state {
        TagState::Located => Location::Located(place),
        TagState::Coasting => Location::Coasting(place),
        TagState::Ambiguous => Location::Ambiguous([place.place; 2].into_iter().collect()),
        TagState::Lost => Location::Lost,
    };
    PositionReport { location, ..report }
}

/// A tag that too few anchors answer.
pub(crate) fn lost(seq: u64, tag: u32) -> PositionReport {
    PositionReport {
        location: Location::Lost,
        used: Default::default(),
        rejected: Default::default(),
        no_fix: Some(NoFixReason::TooFewRanges { have: 1, need: 3 }),
        ..located(seq, tag)
    }
}

pub(crate) fn epoch(tag: u32) -> JudgedEpoch {
    let range = |id, raw: Option<f64>, verdict, residual_m: Option<f64>| JudgedRange {
        anchor: AnchorId(id),
        raw_range_m: raw,
        range_m: raw.map(|r| r - 0.2),
        verdict,
        residual_m,
        standardised_residual: residual_m.map(|r| r / 0.1),
        p_good: residual_m.map(|r| if r > 0.5 { 0.0312 } else { 0.987 }),
    };
    JudgedEpoch {
        at: T,
        measured_at: T,
        doubt: None,
        tag: TagId(tag),
        frame_seq: Some(7),
        ranges: [
            range(0, Some(13.59), Verdict::Used, Some(-0.021)),
            range(3, Some(6.61), Verdict::Rejected(RejectReason::TooLong), Some(0.92)),
            range(4, None, Verdict::NoReading, None),
        ]
        .into_iter()
        .collect(),
    }
}

/// The cart is inside the roller door's zone since a while; changes by the caller.
pub(crate) fn inside(seq: u64, tag: u32) -> ZoneReport {
    ZoneReport {
        seq,
        zone: 0,
        tag: TagId(tag),
        at: T,
        valid_until: T.plus(Micros::from_millis(500)),
        state: ZoneState::Inside,
        was: ZoneState::Inside,
        since: seconds_before(3.0),
        why: ZoneWhy::Probability,
        probability: Some(0.998_765_4),
        depth_m: Some(0.421_234),
        eta_s: None,
    }
}

pub(crate) fn health(id: u16, state: AnchorState, heard_before_s: Option<f64>, rate_hz: f64) -> AnchorHealth {
    AnchorHealth {
        anchor: AnchorId(id),
        state,
        since: heard_before_s.map(|_| seconds_before(60.0)),
        last_heard: heard_before_s.map(seconds_before),
        last_range_m: heard_before_s.map(|_| 8.25),
        rate_hz,
        share: Some(rate_hz / 10.0),
        rejected_share: (rate_hz > 0.0).then_some(0.02),
        mean_residual_m: (rate_hz > 0.0).then_some(-0.013),
        sigma_m: (rate_hz > 0.0).then_some(0.061),
        nlos_share: (rate_hz > 0.0).then_some(0.08),
        findings: Default::default(),
        place: PlaceAnswer::Unchanged { limit_m: 0.3 },
        excluded: false,
    }
}

/// One anchor of each kind: fine, weak, reading long, silent, never heard.
pub(crate) fn table() -> AnchorTable {
    let mut long = health(2, AnchorState::Heard, Some(0.05), 9.8);
    long.mean_residual_m = Some(0.31);
    AnchorTable {
        at: T,
        rows: [
            health(0, AnchorState::Heard, Some(0.0), 9.9),
            health(1, AnchorState::Heard, Some(0.1), 3.2),
            long,
            health(3, AnchorState::Silent, Some(12.34), 0.0),
            health(4, AnchorState::NeverHeard, None, 0.0),
        ]
        .into_iter()
        .collect(),
        kit: Default::default(),
    }
}

/// A bad day: one moved and left out, one of two suspected and in use, one silent, one blocked, one never heard.
pub(crate) fn troubled() -> AnchorTable {
    let mut table = table();
    let set = AnchorSet::from_bits(0b11);
    let found: [(&[AnchorFinding], bool, PlaceAnswer); 5] = [
        (
            &[
                AnchorFinding::OneOf { anchors: set },
                AnchorFinding::OftenNlos {
                    share: 0.71,
                    worst_hour_utc: Some(14),
                    worst_direction_deg: Some(44.0),
                },
            ],
            false,
            PlaceAnswer::Contradicted,
        ),
        (&[AnchorFinding::OneOf { anchors: set }], false, PlaceAnswer::Contradicted),
        (
            &[AnchorFinding::Moved {
                shift_m: [0.297, 0.297],
                up_m: None,
                size_se_m: 0.04,
                direction_se_deg: Some(6.0),
            }],
            true,
            PlaceAnswer::Contradicted,
        ),
        (
            &[
                AnchorFinding::Silent,
                AnchorFinding::Flapping { times: 7, over: Micros::from_millis(600_000) },
            ],
            false,
            PlaceAnswer::CannotTell(CannotTell::TravelTooNarrow),
        ),
        (&[], false, PlaceAnswer::CannotTell(CannotTell::TravelTooNarrow)),
    ];
    for (row, (findings, set_aside, place)) in table.rows.iter_mut().zip(found) {
        row.findings = findings.iter().copied().collect();
        (row.excluded, row.place) = (set_aside, place);
    }
    table.kit.push(KitFinding::FramesCut { share: 0.12 });
    table
}

/// Three minutes of one anchor with a gap, and one in which it was not heard.
pub(crate) fn minutes(id: u16) -> Vec<AnchorMinute> {
    let minute = |before_min: i64, ranges: u32| AnchorMinute {
        from: T.plus(Micros::from_millis(-60_000 * before_min)),
        anchor: AnchorId(id),
        frames: 600,
        ranges,
        rejected: ranges / 50,
        mean_residual_m: (ranges > 0).then_some(-0.013_37),
        sd_residual_m: (ranges > 1).then_some(0.061),
        mean_range_m: (ranges > 0).then_some(8.251),
    };
    vec![minute(70, 590), minute(9, 590), minute(4, 0), minute(3, 312)]
}

pub(crate) fn connected() -> LinkView {
    LinkView { state: Connectivity::Connected, reason: None, since: seconds_before(89.0) }
}

pub(crate) fn waiting(s: f64) -> LinkView {
    let reason = Some("the port is gone: plug the primary anchor in".to_owned());
    LinkView { state: Connectivity::Waiting, reason, since: seconds_before(s) }
}

/// A hub in the middle of its work.
pub(crate) fn busy_hub() -> Hub {
    let hub = Hub::new(info());
    hub.set_link(connected());
    hub.set_decoder_counts(hereabout_core::LinkCounts {
        bytes: 18_000,
        frames: 890,
        bad_checksum: 3,
        skipped_bytes: 41,
    });
    hub.set_log(LogStatus { path: "larkfield.db".into(), rows_written: 7_104, ..LogStatus::default() });
    hub.publish(&Output::Ranges(epoch(0)));
    hub.publish(&Output::Position(located(4181, 0)));
    hub.publish(&Output::Position(lost(4182, 3)));
    hub.publish(&Output::Anchors(table().into()));
    hub
}

pub(crate) fn settings() -> ApiSettings {
    // The steady clock agrees with the other one, and stands still like that.
    let since_start = Arc::new(|| Duration::from_micros(90_001_200));
    let key = (Key::new(KEY), "larkfield.key".to_owned());
    let rights = Arc::new(Rights::new(Ok(key), Some("larkfield.socket".to_owned()), Vec::new()));
    ApiSettings { since_start, rights, ..ApiSettings::new(Arc::new(now)) }
}

/// The key of [`settings`].
pub(crate) const KEY: &str = "q83vEjRWeJCrze8SNFZ4kKvN7xI0VniQq83vEjRWeJA";

/// The moment at which things leave by these settings.
pub(crate) fn sending() -> Sending {
    settings().sending()
}

/// The service over `hub` at this many seconds after [`T`].
pub(crate) fn app_at(hub: &Hub, s: f64) -> Router {
    app_with(hub, ApiSettings { now: Arc::new(move || T.plus(Micros::from_secs_f64(s))), ..settings() })
}

pub(crate) fn app(hub: &Hub) -> Router {
    app_with(hub, settings())
}

pub(crate) fn app_with(hub: &Hub, settings: ApiSettings) -> Router {
    router(App {
        hub: hub.clone(),
        settings: Arc::new(settings),
        shutdown: CancellationToken::new(),
        tracker: TaskTracker::new(),
    })
}

/// Status, header and text of the answer.
pub(crate) async fn ask(app: &Router, request: Request<Body>) -> (StatusCode, HeaderMap, String) {
    let answer = app.clone().oneshot(request).await.expect("a router does not fail");
    let (parts, body) = answer.into_parts();
    let bytes = body.collect().await.expect("a whole body").to_bytes();
    (parts.status, parts.headers, String::from_utf8(bytes.to_vec()).expect("UTF-8"))
}

pub(crate) async fn get(app: &Router, path: &str) -> (StatusCode, HeaderMap, String) {
    ask(app, Request::get(path).body(Body::empty()).expect("a request")).await
}

/// A server on a free port of loopback.
pub(crate) struct Served {
    pub(crate) addr: SocketAddr,
    pub(crate) shutdown: CancellationToken,
    pub(crate) ended: JoinHandle<Result<(), ApiError>>,
}

pub(crate) async fn served(hub: &Hub, settings: ApiSettings) -> Served {
    let listener = bind(SocketAddr::from(([127, 0, 0, 1], 0))).await.expect("a free port");
    let addr = listener.local_addr().expect("an address");
    let shutdown = CancellationToken::new();
    let ended = tokio::spawn(serve(listener, hub.clone(), settings, shutdown.clone()));
    Served { addr, shutdown, ended }
}

/// Keeps a failing test from hanging; says nothing about speed.
pub(crate) async fn soon<T>(what: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(20), what).await.expect("within 20 s")
}
