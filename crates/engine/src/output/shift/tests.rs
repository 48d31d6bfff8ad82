use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, AnchorState, JudgedEpoch, Location, NoFixReason, PositionReport, TagId, ZoneState,
};

use super::*;
use crate::output::{KitFinding, PlaceAnswer};

/// A stamp whose digits occur nowhere else in what is printed of an output.
const AT: Timestamp = Timestamp::from_micros(1_777_885_951_204_512);

fn position() -> PositionReport {
    PositionReport {
        seq: 7,
        tag: TagId(0),
        at: AT,
        received_at: AT,
        valid_until: AT,
        location: Location::Lost,
        restarted: false,
        used: ArrayVec::new(),
        rejected: ArrayVec::new(),
        no_fix: Some(NoFixReason::NoRanges),
    }
}

fn late(worst_hour_utc: Option<u8>) -> AnchorFinding {
    AnchorFinding::OftenNlos { share: 0.5, worst_hour_utc, worst_direction_deg: None }
}

fn row() -> AnchorHealth {
    AnchorHealth {
        anchor: AnchorId(2),
        state: AnchorState::Silent,
        since: Some(AT),
        last_heard: Some(AT),
        last_range_m: None,
        rate_hz: 0.0,
        share: None,
        rejected_share: None,
        mean_residual_m: None,
        sigma_m: None,
        nlos_share: None,
        findings: std::iter::once(late(None)).collect(),
        place: PlaceAnswer::Contradicted,
        excluded: false,
    }
}

fn zone(why: ZoneWhy) -> ZoneReport {
    ZoneReport {
        seq: 1,
        zone: 0,
        tag: TagId(0),
        at: AT,
        valid_until: AT,
        state: ZoneState::Unknown,
        was: ZoneState::Unknown,
        since: AT,
        why,
        probability: None,
        depth_m: None,
        eta_s: None,
    }
}

/// One of each kind, with [`AT`] wherever there is a stamp.
fn every_output() -> Vec<Output> {
    let anchor = AnchorId(2);
    let kit = std::iter::once(KitFinding::AnchorsGone).collect();
    vec![
        Output::Ranges(JudgedEpoch {
            at: AT,
            measured_at: AT,
            doubt: None,
            tag: TagId(0),
            frame_seq: None,
            ranges: ArrayVec::new(),
        }),
        Output::Position(position()),
        Output::Delayed(position()),
        Output::Anchors(Arc::new(AnchorTable { at: AT, rows: [row(), row()].into_iter().collect(), kit })),
        Output::AnchorChanged(AnchorChange {
            at: AT,
            anchor,
            was: AnchorState::Heard,
            now: AnchorState::Silent,
        }),
        Output::FindingChanged(FindingChange {
            at: AT,
            anchor,
            finding: late(None),
            over: false,
            instead_of: None,
        }),
        Output::KitChanged(KitChange { at: AT, finding: KitFinding::CableOut, over: true }),
        Output::Minute(AnchorMinute {
            from: AT,
            anchor,
            frames: 600,
            ranges: 590,
            rejected: 3,
            mean_residual_m: None,
            sd_residual_m: None,
            mean_range_m: None,
        }),
        Output::Zone(zone(ZoneWhy::Lost)),
        Output::Zone(zone(ZoneWhy::Settling { until: AT })),
        Output::OutOfOrder { at: AT, newest: AT },
        Output::TooManyTags { at: AT, tag: TagId(9) },
    ]
}

/// What is printed of an output names every stamp in it, those that a later change adds as well.
#[test]
fn every_stamp_moves_and_nothing_else_does() {
    let digits = |at: Timestamp| at.micros().to_string();
    for output in every_output() {
        let before = format!("{output:?}");
        assert!(before.contains(&digits(AT)), "{before}");
        for us in [30_000_000, -30_000_000, 1, -86_400_000_000 * 365] {
            let by = Micros::from_micros(us);
            let moved = output.shifted(by);
            let expected = before.replace(&digits(AT), &digits(AT.plus(by)));
            assert_eq!(format!("{moved:?}"), expected);
            assert_eq!(*moved.shifted(Micros::from_micros(-us)), output, "and back again");
            assert_eq!(format!("{output:?}"), before, "what others hold stays as it was");
        }
    }
}

#[test]
fn nothing_is_copied_for_no_shift() {
    for output in every_output() {
        assert!(matches!(output.shifted(Micros::ZERO), Cow::Borrowed(same) if std::ptr::eq(same, &output)));
    }
}

#[test]
fn an_hour_of_the_day_moves_round_midnight() {
    for (hour, by_s, expected) in [
        (14, 30, 14),
        (14, -30, 14),
        (14, 3_600, 15),
        (23, 3_600, 0),
        (0, -3_600, 23),
        (23, 10 * 86_400 - 7_200, 21),
        // Half of it and more is the next one's.
        (5, 1_799, 5),
        (5, 1_800, 6),
    ] {
        let mut finding = late(Some(hour));
        finding.shift(Micros::from_micros(by_s * 1_000_000));
        assert_eq!(finding, late(Some(expected)), "{hour} h by {by_s} s");
    }
    for us in [i64::MIN, i64::MAX] {
        let mut finding = late(Some(7));
        finding.shift(Micros::from_micros(us));
        assert!(matches!(finding, AnchorFinding::OftenNlos { worst_hour_utc: Some(0..24), .. }));
    }
}
