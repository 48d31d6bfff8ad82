use super::*;
use crate::tests::fixtures::{T, in_state, located, lost};
use hereabout_core::TagState;

fn at(s: f64) -> Timestamp {
    T.plus(Micros::from_secs_f64(s))
}

fn minute(k: i64) -> AnchorMinute {
    AnchorMinute {
        from: T.plus(Micros::from_millis(60_000 * k)),
        anchor: AnchorId(2),
        frames: 600,
        ranges: 590,
        rejected: 12,
        mean_residual_m: Some(0.01),
        sd_residual_m: Some(0.05),
        mean_range_m: Some(8.0),
    }
}

#[test]
fn an_hour_of_minutes_is_kept_and_gaps_stay_gaps() {
    let mut history = History::default();
    (0..200).filter(|k| !(170..180).contains(k)).for_each(|k| history.minute(&minute(k)));
    let now = minute(200).from;
    let found = history.minutes_of(AnchorId(2), now);
    assert_eq!((found.len(), found[0].from, found[49].from), (50, minute(140).from, minute(199).from));
    assert_eq!(history.minutes_of(AnchorId(2), minute(250).from).len(), 10, "an hour later the rest is old");
    assert!(history.minutes_of(AnchorId(3), now).is_empty());
    // A clock that stands still cannot fill the memory.
    (0..1_000).for_each(|_| history.minute(&minute(300)));
    assert_eq!(history.minutes_of(AnchorId(2), minute(300).from).len(), MAX_MINUTES);
}

#[test]
fn a_trail_is_the_last_minute_thinned_and_bounded() {
    let mut history = History::default();
    for k in 0..3_000 {
        let mut report = located(k, 0);
        report.at = at(k as f64 * 0.1);
        report.location.tag_place_mut().unwrap().place.position_m[0] = k as f64 * 0.08;
        history.position(&Arc::new(report));
    }
    let tags = history.tags_at(at(299.9));
    let trail = &tags[&TagId(0)].trail;
    assert!(trail.len() <= MAX_POINTS && trail.len() > 150, "{}", trail.len());
    assert!(trail.iter().all(|p| at(299.9).since(p.at) <= TRAIL));
    assert!(trail.iter().zip(trail.iter().skip(1)).all(|(a, b)| b.at.since(a.at) >= SPACING && !b.starts));
    assert!(history.tags_at(at(400.0))[&TagId(0)].trail.is_empty(), "a silent tag's trail fades");
    // No time passes, every report jumps: still bounded.
    for k in 0..2_000 {
        history.position(&Arc::new(PositionReport { restarted: true, at: at(300.0), ..located(k, 0) }));
    }
    assert!(history.tags_at(at(300.0))[&TagId(0)].trail.len() <= MAX_POINTS);
}

#[test]
fn a_trail_breaks_where_nobody_knows_the_way() {
    let mut history = History::default();
    let sequence = [
        located(1, 0),
        located(2, 0),
        lost(3, 0),
        located(4, 0),
        PositionReport { restarted: true, ..located(5, 0) },
        located(6, 0),
    ];
    for (k, report) in sequence.into_iter().enumerate() {
        history.position(&Arc::new(PositionReport { at: at(k as f64), ..report }));
    }
    let tags = history.tags_at(at(6.0));
    let starts: Vec<bool> = tags[&TagId(0)].trail.iter().map(|p| p.starts).collect();
    assert_eq!(starts, [true, false, true, true, false]);
    assert_eq!(tags[&TagId(0)].latest.seq, 6);
}

#[test]
fn tags_without_end_are_bounded_and_places_that_are_none_are_left_out() {
    let mut history = History::default();
    for tag in 0..2_000 {
        let at = at(f64::from(tag));
        history.position(&Arc::new(PositionReport { at, ..located(1, tag) }));
    }
    assert_eq!(history.tags_at(at(2_000.0)).len(), MAX_REMEMBERED_TAGS);
    let mut report = located(1, 0);
    report.location.tag_place_mut().unwrap().place.position_m[1] = f64::NAN;
    assert_eq!(known_place(&report), None);
    assert_eq!(known_place(&in_state(TagState::Ambiguous, located(1, 0))), None);
}
