//! What runs out, to the microsecond. Through every view in `tests/expiry.rs`.

use std::time::Duration;

use hereabout_core::NoFixReason;
use hereabout_engine::Output;

use super::*;
use crate::{
    Hub,
    tests::fixtures::{T, epoch, health, in_state, info, inside, located, lost, table},
    v1::{PositionBody, Sending},
};

fn at(us: i64) -> Timestamp {
    T.plus(Micros::from_micros(us))
}

/// A position with all that a position can have.
fn full(state: TagState) -> PositionReport {
    let mut report = PositionReport { restarted: true, ..located(4181, 0) };
    let place = report.location.tag_place_mut().unwrap();
    place.protection_radius_m = Some(0.5);
    place.velocity_mps = Some([0.1, 0.2, 0.0]);
    (place.vdop, place.pdop) = (Some(1.1), Some(1.3));
    in_state(state, report)
}

#[test]
fn a_position_holds_until_its_last_microsecond_and_is_lost_after_it() {
    for state in [TagState::Located, TagState::Coasting, TagState::Ambiguous] {
        let report = full(state);
        let holds = position(&report, report.valid_until);
        assert!(!holds.ran_out && !holds.expired);
        assert_eq!(*holds.report, report);
        for after_us in [1, 1_000_000, i64::MAX / 4] {
            let clock = report.valid_until.plus(Micros::from_micros(after_us));
            let gone = position(&report, clock);
            assert!(gone.ran_out && gone.expired);
            assert_eq!(gone.said_for, T, "its age goes on");
            let expected = PositionReport {
                seq: 4181,
                at: report.valid_until,
                received_at: report.valid_until,
                valid_until: report.valid_until,
                no_fix: None,
                ..lost(0, 0)
            };
            assert_eq!(*gone.report, expected, "nothing of what it said is left");
            let body: serde_json::Value =
                serde_json::from_str(&PositionBody::from_current(&gone).to_json()).unwrap();
            assert_eq!(body["no_fix"]["code"], "expired");
            assert_eq!(
                body["no_fix"]["words"],
                "nothing newer was said for as long as the last position held"
            );
        }
    }
}

#[test]
fn a_lost_tag_stays_lost_for_its_own_reason() {
    let report = lost(7, 3);
    let later = position(&report, at(60_000_000));
    assert!(later.ran_out && !later.expired);
    assert_eq!(*later.report, report);
    let code = PositionBody::from_current(&later).no_fix.unwrap();
    assert_eq!(code, NoFixReason::TooFewRanges { have: 1, need: 3 }.into());
}

#[test]
fn a_zone_holds_until_its_last_microsecond() {
    let report = inside(1, 0);
    assert_eq!(zone(&report, report.valid_until), report);
    let gone = zone(&report, at(500_001));
    assert_eq!((gone.state, gone.why, gone.since), (ZoneState::Unknown, ZoneWhy::NoData, report.valid_until));
    assert_eq!((gone.probability, gone.depth_m, gone.eta_s), (None, None, None));
    let unknown = ZoneReport { state: ZoneState::Unknown, why: ZoneWhy::Lost, ..report };
    assert_eq!(zone(&unknown, at(90_000_000)), unknown, "it keeps its reason");
}

#[test]
fn an_anchor_that_is_not_said_to_be_silent_is_silent_a_second_after_its_last_range() {
    let row = health(0, AnchorState::Heard, Some(0.2), 9.9); // heard 0.2 s before T
    let fine = anchor(&row, T, None, at(1_300_000));
    assert_eq!((&fine.health, fine.rate_hz, fine.overdue), (&row, Some(9.9), false));
    let overdue = anchor(&row, T, None, at(1_300_001));
    assert!(overdue.overdue && !overdue.no_data);
    assert_eq!(overdue.health.state, AnchorState::Silent);
    assert_eq!(overdue.health.since, Some(at(800_000)), "a second after its last range");
    assert_eq!(overdue.rate_hz, Some(9.9), "the figures are from less than three seconds ago");
    // A range that was seen since the table counts.
    let heard = anchor(&row, T, Some(at(400_000)), at(1_900_000));
    assert_eq!((heard.health.state, heard.overdue), (AnchorState::Heard, false));
    assert_eq!(heard.health.last_heard, Some(at(400_000)), "its last range, not that of the table");
    let not_for_ever = anchor(&row, T, Some(at(400_000)), at(1_900_001));
    assert_eq!(not_for_ever.health.since, Some(at(1_400_000)));
    // What the engine calls silent or never heard stays as it says.
    for row in
        [health(3, AnchorState::Silent, Some(12.0), 0.0), health(4, AnchorState::NeverHeard, None, 0.0)]
    {
        let now = anchor(&row, T, Some(T), at(9_000_000));
        assert_eq!((now.health.state, now.health.since, now.overdue), (row.state, row.since, false));
    }
}

#[test]
fn figures_of_an_old_table_are_not_known() {
    let row = health(0, AnchorState::Heard, Some(0.0), 9.9);
    assert!(anchor(&row, T, None, at(3_000_000)).rate_hz.is_some());
    let old = anchor(&row, T, None, at(3_000_001));
    assert!(old.no_data && old.overdue);
    assert_eq!(old.rate_hz, None);
    let h = &old.health;
    assert_eq!((h.share, h.rejected_share, h.mean_residual_m), (None, None, None));
    assert_eq!((h.sigma_m, h.last_range_m), (row.sigma_m, row.last_range_m), "what was learned stays");
    // Ranges keep the anchor heard; the figures are old all the same.
    let heard = anchor(&row, T, Some(at(3_000_000)), at(3_000_001));
    assert_eq!((heard.health.state, heard.rate_hz), (AnchorState::Heard, None));
    // An anchor that fell silent had a rate then; an hour later nobody has counted.
    let silent = health(3, AnchorState::Silent, Some(1.0), 7.0);
    assert_eq!(anchor(&silent, T, None, at(3_600_000_000)).rate_hz, None);
    // A kit that says nothing for long was counted to the end.
    let over = health(3, AnchorState::Silent, Some(60.0), 0.0);
    assert_eq!(anchor(&over, T, None, at(3_600_000_000)).rate_hz, Some(0.0));
}

#[test]
fn ranges_since_the_table_keep_anchors_heard_as_the_engine_counts_them() {
    let hub = Hub::new(info());
    hub.publish(&Output::Anchors(table().into()));
    let mut later = epoch(0); // used for anchor 0, rejected for 3, no reading for 4
    later.at = at(2_000_000);
    hub.publish(&Output::Ranges(later));
    let moment = hub.moment(&|| at(2_500_000));
    let states: Vec<_> = moment.current().anchors().map(|(_, now)| now.health.state).collect();
    use AnchorState::{Heard, NeverHeard, Silent};
    assert_eq!(states, [Heard, Silent, Silent, Silent, NeverHeard]);
}

#[test]
fn a_moment_is_one_for_stamps_and_steady_time() {
    let sending = Sending { now: at(100_000), since_start: Duration::from_micros(1_234_567_891_234) };
    assert_eq!(sending.age_s(T), 0.1);
    assert_eq!(sending.age_s(at(200_000)), 0.0, "never younger than it can be");
    assert_eq!(sending.valid_for_s(at(600_000)), 0.5);
    assert_eq!(sending.valid_for_s(at(99_999)), 0.0, "never less than nothing");
    assert_eq!(sending.sender_s(), 1_234_567.891_234);
}
