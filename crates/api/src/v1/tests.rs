use hereabout_core::{
    AnchorId, Dimension, Doubt, Location, Micros, NoFixReason, Place, PositionReport, RejectReason,
    RejectedRange, TagPlace, TagState, Timestamp,
};
use hereabout_engine::ZoneWhy;

use super::*;
use crate::tests::fixtures::{T, epoch, in_state, inside, located, lost, sending};

/// The design's own example, but for numbers: this report has all optional fields.
fn full() -> PositionReport {
    let report = located(4182, 0);
    let place = TagPlace {
        protection_radius_m: Some(0.31),
        velocity_mps: Some([0.41, -0.02, -0.000_04]),
        vdop: Some(1.2),
        pdop: Some(1.45),
        ..*report.location.tag_place().unwrap()
    };
    PositionReport { location: Location::Located(place), ..report }
}

#[test]
fn a_position_has_the_fields_of_the_design_in_their_order() {
    let text = PositionBody::from_report(&full(), Some(sending())).to_json();
    insta::assert_snapshot!(text, @r#"{"type":"position","seq":4182,"tag":0,"time":"2026-05-04T09:12:31.204512Z","valid_until":"2026-05-04T09:12:31.704512Z","state":"located","position_m":[12.4123,5.03,0.9],"covariance_m2":[[0.0031,0.0002,0.0],[0.0002,0.00271235,0.0],[0.0,0.0,null]],"radius95_m":0.13,"protection_radius_m":0.31,"checked":true,"restarted":false,"velocity_mps":[0.41,-0.02,0.0],"hdop":0.81,"vdop":1.2,"pdop":1.45,"used":[0,1,2,4],"rejected":[{"anchor":3,"residual_m":0.92,"why":"too long","p_good":0.0312}],"candidates":[],"no_fix":null,"age_s":0.0012,"valid_for_s":0.4988,"sender_s":90.0012}"#);
}

#[test]
fn an_ambiguous_position_gives_both_places_and_the_reason() {
    let place = |y: f64| Place {
        position_m: [3.0, y, 0.9],
        covariance_m2: [[0.01, 0.0, 0.0], [0.0, 0.04, 0.0], [0.0; 3]],
    };
    let report = PositionReport {
        location: Location::Ambiguous([place(2.5), place(-2.5)].into_iter().collect()),
        no_fix: Some(NoFixReason::TwoPlaces),
        rejected: std::iter::once(RejectedRange {
            anchor: AnchorId(3),
            residual_m: f64::NAN,
            why: RejectReason::NotCredible,
            p_good: None,
        })
        .collect(),
        ..located(7, 3)
    };
    insta::assert_snapshot!(PositionBody::from_report(&report, None).to_json());
}

#[test]
fn the_live_text_is_the_replayed_one_with_what_the_sending_knows_at_its_end() {
    for report in [full(), located(1, 0), lost(2, 9)] {
        let replayed = PositionBody::from_report(&report, None).to_json();
        assert!(!replayed.contains("age_s") && !replayed.contains("valid_for_s"));
        let tail = Tail::Holds { at: Some(report.at), until: report.valid_until };
        for us in [0, 1, 1_200, 499_999, 500_000, 86_400_000_000, -5] {
            let sending = Sending { now: T.plus(Micros::from_micros(us)), ..sending() };
            let live = PositionBody::from_report(&report, Some(sending)).to_json();
            assert_eq!(tail.put(&replayed, sending), live);
            assert!(live.starts_with(replayed.trim_end_matches('}')), "replay cuts it off at its end");
            let live: serde_json::Value = serde_json::from_str(&live).unwrap();
            let left_s = (500_000 - us).max(0) as f64 / 1e6;
            assert_eq!(
                (&live["age_s"], &live["valid_for_s"]),
                (&(us.max(0) as f64 / 1e6).into(), &left_s.into())
            );
        }
    }
}

#[test]
fn a_zone_gets_the_same_at_its_end() {
    let report = inside(5, 0);
    let body = ZoneReportBody::from_report(&report, "roller door");
    let live = body.clone().sent(report.valid_until, sending()).to_json();
    let tail = Tail::Holds { at: None, until: report.valid_until };
    assert_eq!(tail.put(&body.to_json(), sending()), live);
    assert!(live.ends_with(r#","valid_for_s":0.4988,"sender_s":90.0012}"#), "{live}");
}

#[test]
fn what_is_not_known_is_null_and_never_zero() {
    let value = |r: &PositionReport| -> serde_json::Value {
        serde_json::from_str(&PositionBody::from_report(r, None).to_json()).unwrap()
    };
    let nothing = value(&lost(1, 0));
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
        assert!(nothing[key].is_null() && nothing.as_object().unwrap().contains_key(key), "{key}");
    }
    let mut broken = full();
    let place = broken.location.tag_place_mut().unwrap();
    place.place = Place { position_m: [1.0, f64::NAN, 0.9], covariance_m2: [[f64::INFINITY; 3]; 3] };
    place.hdop = Some(f64::INFINITY);
    place.velocity_mps = Some([0.0, 0.0, f64::NEG_INFINITY]);
    let broken = value(&broken);
    for key in ["position_m", "covariance_m2", "hdop", "velocity_mps"] {
        assert!(broken[key].is_null(), "{key}");
    }
}

#[test]
fn every_state_has_the_same_keys() {
    let keys = |report: &PositionReport| -> Vec<String> {
        let body: serde_json::Value =
            serde_json::from_str(&PositionBody::from_report(report, None).to_json()).unwrap();
        body.as_object().unwrap().keys().cloned().collect()
    };
    let all = keys(&full());
    for key in ["protection_radius_m", "vdop", "pdop", "candidates", "no_fix"] {
        assert!(all.iter().any(|k| k == key), "{key}");
    }
    for state in [TagState::Located, TagState::Coasting, TagState::Ambiguous, TagState::Lost] {
        assert_eq!(keys(&in_state(state, located(1, 0))), all);
        assert_eq!(keys(&in_state(state, full())), all);
    }
    assert_eq!(keys(&lost(1, 0)), all);
}

#[test]
fn the_height_variance_of_a_flat_site_is_what_was_stated_or_null_and_never_zero() {
    let variance = |stated: f64| {
        let mut report = full();
        report.location.tag_place_mut().unwrap().place.covariance_m2[2][2] = stated;
        PositionBody::from_report(&report, None).covariance_m2.unwrap()
    };
    assert_eq!(variance(0.0)[2], [Some(0.0), Some(0.0), None]);
    assert_eq!(variance(0.0025)[2], [Some(0.0), Some(0.0), Some(0.0025)]);
    assert!(variance(0.0)[0][0].is_some() && variance(0.0)[1][1].is_some());
}

#[test]
fn every_reason_has_its_own_code_and_says_what_to_do() {
    let reasons = [
        NoFixReason::NoRanges,
        NoFixReason::TooFewRanges { have: 2, need: 3 },
        NoFixReason::WeakGeometry,
        NoFixReason::TwoPlaces,
        NoFixReason::Inconsistent,
        NoFixReason::NotConverged,
    ];
    let codes: std::collections::BTreeSet<_> = reasons.map(|r| json(&NoFixBody::from(r).code)).into();
    assert_eq!(codes.len(), reasons.len());
    assert!(reasons.iter().all(|r| NoFixBody::from(*r).words.contains(": ")));
}

#[test]
fn ranges_keep_every_verdict() {
    insta::assert_snapshot!(RangesBody::from(&epoch(0)).to_json(), @r#"{"type":"range","tag":0,"time":"2026-05-04T09:12:31.204512Z","measured_time":"2026-05-04T09:12:31.204512Z","frame_seq":7,"ranges":[{"anchor":0,"raw_range_m":13.59,"range_m":13.39,"verdict":"used","residual_m":-0.021,"standardised_residual":-0.21,"p_good":0.987},{"anchor":3,"raw_range_m":6.61,"range_m":6.41,"verdict":"rejected","why":"too long","residual_m":0.92,"standardised_residual":9.2,"p_good":0.0312},{"anchor":4,"raw_range_m":null,"range_m":null,"verdict":"no_reading","residual_m":null,"standardised_residual":null}]}"#);
}

#[test]
fn numbers_are_rounded_and_short() {
    assert_eq!(round_1e4(12.345_649_9), Some(12.3456));
    assert_eq!(round_1e4(-0.000_01).map(|v| v.to_string()).as_deref(), Some("0"));
    assert_eq!(round_1e8(0.123_456_789), Some(0.123_456_79));
    assert_eq!(round_1e4(1e300), Some(1e300));
    assert_eq!(round_1e4(1e305), Some(1e305));
    for v in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert_eq!((round_1e4(v), round_1e8(v)), (None, None));
    }
}

#[test]
fn a_3d_site_has_no_tag_height() {
    let mut site = crate::tests::fixtures::info().site;
    site.dimension = Dimension::ThreeD;
    site.fence.up_span_m = Some([0.0, 2.2]);
    let body = SiteBody::from(&site);
    assert_eq!((body.dimension, body.tag_height_m, body.up_span_m), ("3d", None, Some([0.0, 2.2])));
}

/// The names of the bodies are the codes of the words: two lists, kept equal here.
#[test]
fn names_of_reasons_are_the_codes_of_their_words() {
    let doubts = [Doubt::Old, Doubt::Repeated, Doubt::Frozen, Doubt::Unsettled, Doubt::UnknownTag];
    let reasons = [
        NoFixReason::NoRanges,
        NoFixReason::TooFewRanges { have: 2, need: 3 },
        NoFixReason::WeakGeometry,
        NoFixReason::TwoPlaces,
        NoFixReason::Inconsistent,
        NoFixReason::NotConverged,
    ];
    for reason in reasons.into_iter().chain(doubts.map(NoFixReason::NotCurrent)) {
        let code = hereabout_words::position::no_fix(reason).code;
        assert_eq!(json(&NoFixCode::from(reason)), format!("\"{code}\""));
    }
    assert_eq!(json(&NoFixCode::Expired), format!("\"{}\"", hereabout_words::position::expired().code));
    let whys = [
        ZoneWhy::Probability,
        ZoneWhy::Range,
        ZoneWhy::Undecided,
        ZoneWhy::Contradicted,
        ZoneWhy::RangeBeyond,
        ZoneWhy::NeverHeard,
        ZoneWhy::NoData,
        ZoneWhy::Lost,
        ZoneWhy::Ambiguous,
        ZoneWhy::Coasting,
        ZoneWhy::Unchecked,
        ZoneWhy::OutsideFence,
        ZoneWhy::ProtectionRadius { radius_m: None, limit_m: 1.0 },
        ZoneWhy::DuplicateId,
        ZoneWhy::SiteDoubted,
        ZoneWhy::Changed,
        ZoneWhy::Settling { until: Timestamp::from_micros(0) },
    ];
    for why in whys {
        let name = ZoneWhyName::from(why);
        assert_eq!(json(&name), format!("\"{}\"", hereabout_words::zone::code(why)));
    }
}

#[test]
fn the_counters_have_a_place_for_the_name_of_every_verdict() {
    for verdict in hereabout_core::Verdict::ALL {
        assert!(VerdictName::ALL.contains(&verdict.into()), "{verdict:?}");
    }
}
