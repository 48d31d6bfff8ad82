use hereabout_core::geometry::vector::distance_m;
use hereabout_core::{
    AnchorId, AnchorState, Correction, Dimension, Estimator, Frame, Micros, NoFixReason, Place, RangeReading,
    RejectReason, SiteDraft, TagState, TrackSettings, Verdict, Word,
};
use hereabout_wire::{FrameSpec, Layout, NoRange, Unit};
use proptest::prelude::*;

use super::*;
use crate::output::AnchorFinding;

/// The first 5 anchors of the yard.
const YARD: [[f64; 3]; 5] = *hereabout_fixtures::YARD_M.first_chunk().unwrap();
const TAG: [f64; 3] = [9.0, 5.0, 0.9];

fn site_of(places: &[[f64; 3]], fields: usize) -> Site {
    draft_of(places, fields, Dimension::TwoD { tag_height_m: 0.9 }).validate().expect("a valid site").0
}

fn draft_of(places: &[[f64; 3]], fields: usize, dimension: Dimension) -> SiteDraft {
    SiteDraft { dimension, range_fields: Some(fields), ..hereabout_fixtures::draft(places) }
}

fn at(ms: i64) -> Timestamp {
    Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(ms))
}

/// True ranges from `from_m`, with changes by anchor index: a new value, or `None` for no range.
fn epoch(ms: i64, places: &[[f64; 3]], from_m: [f64; 3], changes: &[(usize, Option<f64>)]) -> Epoch {
    let reading = |(i, p): (usize, &[f64; 3])| RangeReading {
        anchor: AnchorId(i as u16),
        raw_range_m: changes.iter().find(|(k, _)| *k == i).map_or(Some(distance_m(*p, from_m)), |c| c.1),
    };
    Epoch::new(at(ms), TagId(0), None, places.iter().enumerate().map(reading).collect())
}

fn drain(engine: &mut Engine) -> Vec<Output> {
    std::iter::from_fn(|| engine.poll_output()).collect()
}

fn positions(outputs: &[Output]) -> Vec<PositionReport> {
    outputs.iter().filter_map(|o| if let Output::Position(p) = o { Some(p.clone()) } else { None }).collect()
}

fn judged(outputs: &[Output]) -> Vec<JudgedRange> {
    outputs
        .iter()
        .filter_map(|o| if let Output::Ranges(e) = o { Some(e.ranges.to_vec()) } else { None })
        .flatten()
        .collect()
}

/// The default: the tracker.
fn yard_engine() -> Engine {
    Engine::new(site_of(&YARD, YARD.len()), None)
}

fn engine_with(estimator: Estimator) -> Engine {
    Engine::new(site_of(&YARD, YARD.len()).with_estimator(estimator), None)
}

const ALL: [Estimator; 3] = [Estimator::Tracker, Estimator::Snapshot, Estimator::Plain];

#[test]
fn a_clean_epoch_gives_a_checked_fix_at_the_tag() {
    for estimator in ALL {
        let mut engine = engine_with(estimator);
        engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &[])));
        let out = drain(&mut engine);
        let [p] = &positions(&out)[..] else { panic!("one position") };
        assert_eq!(
            (p.seq, p.state(), p.checked(), p.no_fix),
            (1, TagState::Located, true, None),
            "{estimator:?}"
        );
        assert!(distance_m(p.place().expect("a place").position_m, TAG) < 1e-3, "{estimator:?}");
        assert_eq!(p.used.len(), 5, "{estimator:?}");
        assert_eq!(p.valid_until, at(500));
        assert_eq!(p.protection_radius_m().is_some(), estimator != Estimator::Plain);
        assert_eq!(p.velocity_mps().is_some(), estimator == Estimator::Tracker);
        let fits =
            |r: &JudgedRange| r.verdict == Verdict::Used && r.residual_m.expect("residual").abs() < 1e-3;
        assert!(judged(&out).iter().all(fits), "{estimator:?}");
    }
}

#[test]
fn every_range_gets_the_verdict_it_deserves() {
    for estimator in ALL {
        let mut engine = engine_with(estimator);
        let late = distance_m(YARD[2], TAG) + 2.0;
        let changes = [(0, None), (2, Some(late))];
        engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &changes)));
        let out = drain(&mut engine);
        let verdicts: Vec<Verdict> = judged(&out).iter().map(|r| r.verdict).collect();
        let rejected = Verdict::Rejected(RejectReason::TooLong);
        let expected = [Verdict::NoReading, Verdict::Used, rejected, Verdict::Used, Verdict::Used];
        assert_eq!(verdicts, expected, "{estimator:?}");
        let p = &positions(&out)[0];
        assert_eq!(p.used[..], [AnchorId(1), AnchorId(3), AnchorId(4)], "{estimator:?}");
        // The belief in other subsets draws the place a little, so the residual is not 2 m exactly.
        assert!((p.rejected[0].residual_m - 2.0).abs() < 0.1, "{estimator:?}: {:?}", p.rejected);
        assert_eq!(p.rejected[0].p_good.is_some(), estimator != Estimator::Plain);

        let changes = [(0, Some(655.35)), (1, None), (2, None), (3, None), (4, None)];
        engine.handle(Input::Epoch(&epoch(1_500, &YARD, TAG, &changes)));
        let out = drain(&mut engine);
        let verdicts: Vec<Verdict> = judged(&out).iter().map(|r| r.verdict).collect();
        let silent = Verdict::AnchorSilent;
        assert_eq!(verdicts, [Verdict::OutOfSpan, silent, silent, silent, silent], "{estimator:?}");
        let last = positions(&out).pop().expect("a position");
        assert_eq!(last.no_fix, Some(NoFixReason::NoRanges), "{estimator:?}");
        assert_ne!(last.state(), TagState::Located, "{estimator:?}");
    }
}

#[test]
fn too_few_ranges_are_counted() {
    let mut engine = engine_with(Estimator::Plain);
    let changes = [(0, None), (1, None), (2, None), (3, None)];
    engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &changes)));
    let out = drain(&mut engine);
    assert_eq!(judged(&out)[4].verdict, Verdict::NoFix);
    assert_eq!(positions(&out)[0].no_fix, Some(NoFixReason::TooFewRanges { have: 1, need: 3 }));
}

#[test]
fn a_jump_is_followed_and_told() {
    let mut engine = yard_engine();
    let mut restarts = Vec::new();
    let there = [15.0, 9.0, 0.9];
    for k in 0..60 {
        let from = if k < 40 { TAG } else { there };
        engine.handle(Input::Epoch(&epoch(100 * k, &YARD, from, &[])));
        let p = positions(&drain(&mut engine)).remove(0);
        if p.restarted {
            restarts.push(k);
        }
        if k >= 45 {
            assert!(distance_m(p.place().expect("a place").position_m, there) < 0.1, "frame {k}");
        }
    }
    assert_eq!(restarts.len(), 1, "{restarts:?}");
    assert!((40..44).contains(&restarts[0]), "{restarts:?}");
}

#[test]
fn the_delayed_stream_comes_later_with_its_own_stamps_and_all_of_it() {
    let mut draft_site = site_of(&YARD, YARD.len());
    assert_eq!(draft_site.track().delayed, None);
    draft_site = draft_site.with_delayed(Micros::from_millis(1_000));
    let mut engine = Engine::new(draft_site, None);
    let mut epochs = Vec::new();
    let mut delayed = Vec::new();
    for k in 0..50 {
        engine.handle(Input::Epoch(&epoch(100 * k, &YARD, [9.0 + 0.08 * k as f64, 5.0, 0.9], &[])));
        for output in drain(&mut engine) {
            match output {
                Output::Position(p) => epochs.push(p.at),
                Output::Delayed(p) => {
                    assert!(at(100 * k).since(p.at) >= Micros::from_millis(1_000), "it has waited");
                    delayed.push(p);
                }
                _ => {}
            }
        }
    }
    // The tag goes quiet: what still waits comes with its deadlines.
    engine.handle(Input::Tick(at(20_000)));
    delayed.extend(drain(&mut engine).into_iter().filter_map(|o| match o {
        Output::Delayed(p) => Some(p),
        _ => None,
    }));
    let stamps: Vec<Timestamp> = delayed.iter().map(|p| p.at).collect();
    assert_eq!(stamps, epochs, "one for each epoch, in order");
    assert_eq!(delayed.iter().map(|p| p.seq).collect::<Vec<_>>(), (1..=50).collect::<Vec<u64>>());
    let last = delayed[40].place().expect("a place").position_m;
    assert!(distance_m(last, [9.0 + 0.08 * 40.0, 5.0, 0.9]) < 0.05, "{last:?}");
}

#[test]
fn the_table_shows_what_the_tracker_learned() {
    let mut engine = yard_engine();
    for k in 0..300 {
        let noise = |i: usize| ((k * 7 + i * 13) % 11) as f64 * 0.02 - 0.1;
        let changes: Vec<_> = (0..5).map(|i| (i, Some(distance_m(YARD[i], TAG) + noise(i)))).collect();
        engine.handle(Input::Epoch(&epoch(100 * k as i64, &YARD, TAG, &changes)));
        drain(&mut engine);
    }
    for row in engine.anchor_table().expect("a table").rows {
        // Eleven values 2 cm apart, evenly used: σ = 2 cm · √((11² − 1)/12) = 6.3 cm.
        assert!((0.04..0.09).contains(&row.sigma_m.expect("learned")), "{row:?}");
        assert!(row.nlos_share.expect("learned") < 0.1, "{row:?}");
    }
}

#[test]
fn a_site_says_how_much_of_an_error_stays() {
    let radius_m = |slow_error_m, tag_offset_m| {
        let mut draft = draft_of(&YARD, 5, Dimension::TwoD { tag_height_m: 0.9 });
        draft.track = TrackSettings { slow_error_m, tag_offset_m, ..TrackSettings::default() };
        let mut engine = Engine::new(draft.validate().expect("valid").0, None);
        for k in 0..100 {
            engine.handle(Input::Epoch(&epoch(100 * k, &YARD, TAG, &[])));
        }
        positions(&drain(&mut engine)).pop().expect("a position").radius95_m().expect("located")
    };
    let usual = radius_m(None, None);
    assert_eq!(radius_m(Some(0.04), Some(0.08)), usual, "what it takes unless told");
    let [none, slow, tag] =
        [radius_m(Some(0.0), Some(0.0)), radius_m(Some(0.3), None), radius_m(None, Some(0.5))];
    assert!(none < usual && usual < slow && usual < tag, "{none} {usual} {slow} {tag}");
}

#[test]
fn offsets_and_scales_are_taken_out_and_the_raw_range_is_kept() {
    let correction = Correction { offset_m: -0.3, scale: 1.05, offset_se_m: Some(0.01) };
    let site = site_of(&YARD, 5).with_corrections(&[correction; 5]);
    let mut engine = Engine::new(site, None);
    let raw: Vec<(usize, Option<f64>)> =
        (0..5).map(|i| (i, Some(distance_m(YARD[i], TAG) * 1.05 - 0.3))).collect();
    engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &raw)));
    let out = drain(&mut engine);
    assert!(distance_m(positions(&out)[0].place().expect("a place").position_m, TAG) < 1e-6);
    let first = judged(&out)[0];
    assert_eq!(first.raw_range_m, raw[0].1);
    assert!((first.range_m.expect("corrected") - distance_m(YARD[0], TAG)).abs() < 1e-9);
}

#[test]
fn a_tag_that_goes_quiet_coasts_and_is_then_lost_at_its_due_instants() {
    let mut engine = engine_with(Estimator::Plain);
    engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &[])));
    drain(&mut engine);
    engine.handle(Input::Tick(at(60_000)));
    let reports = positions(&drain(&mut engine));
    let told: Vec<(Timestamp, TagState)> = reports.iter().map(|p| (p.at, p.state())).collect();
    // 0.5 m/s of drift passes the 2 m limit of the 95 % radius between 1.5 s and 2 s.
    let coasting = TagState::Coasting;
    assert_eq!(
        told,
        [(at(500), coasting), (at(1_000), coasting), (at(1_500), coasting), (at(2_000), TagState::Lost)]
    );
    let radii: Vec<Option<f64>> = reports.iter().map(|p| p.radius95_m()).collect();
    assert!(radii[0] < radii[1] && radii[1] < radii[2] && radii[3].is_none(), "{radii:?}");
    assert!(reports.iter().all(|p| p.no_fix == Some(NoFixReason::NoRanges)));
    assert_eq!(reports[3].place(), None);
    assert_eq!(reports[3].valid_until, reports[3].at);
    assert_eq!(reports.iter().map(|p| p.seq).collect::<Vec<_>>(), [2, 3, 4, 5]);
}

#[test]
fn a_tracked_tag_that_goes_quiet_is_lost_in_the_end() {
    for estimator in ALL {
        let mut engine = engine_with(estimator);
        for k in 0..100 {
            engine.handle(Input::Epoch(&epoch(100 * k, &YARD, TAG, &[])));
        }
        drain(&mut engine);
        engine.handle(Input::Tick(at(60_000)));
        let reports = positions(&drain(&mut engine));
        let (last, before) = reports.split_last().expect("reports");
        assert!(
            before.iter().all(|p| p.state() == TagState::Coasting && p.place().is_some()),
            "{estimator:?}"
        );
        assert!(
            !before.is_empty() && last.state() == TagState::Lost && last.place().is_none(),
            "{estimator:?}"
        );
        assert!(last.at <= at(9_900 + 3_000), "{estimator:?}: lost after 3 s at the latest");
        let radii: Vec<f64> = before.iter().filter_map(|p| p.radius95_m()).collect();
        assert!(radii.windows(2).all(|w| w[0] < w[1]), "{estimator:?}: {radii:?}");
        assert!(radii.iter().all(|r| *r <= 2.0), "{estimator:?}: {radii:?}");
    }
}

#[test]
fn two_anchors_without_a_fence_are_ambiguous_with_both_places() {
    let two = [YARD[0], YARD[1]];
    for estimator in ALL {
        let mut engine = Engine::new(site_of(&two, 2).with_estimator(estimator), None);
        engine.handle(Input::Epoch(&epoch(0, &two, TAG, &[])));
        let p = positions(&drain(&mut engine)).remove(0);
        let found = (p.state(), p.place(), p.no_fix);
        assert_eq!(found, (TagState::Ambiguous, None, Some(NoFixReason::TwoPlaces)), "{estimator:?}");
        let mut north: Vec<f64> = p.candidates().iter().map(|c| c.position_m[1]).collect();
        north.sort_by(f64::total_cmp);
        assert!((north[0] + 5.0).abs() < 0.02 && (north[1] - 5.0).abs() < 0.02, "{estimator:?}: {north:?}");
    }
}

#[test]
fn ranges_that_come_one_at_a_time_are_gathered() {
    for estimator in ALL {
        let mut engine = engine_with(estimator);
        let mut located = 0;
        for k in 0..20 {
            let i = k % 5;
            let mut one = epoch(100 * k as i64, &YARD, TAG, &[]);
            one.readings = [one.readings[i]].into_iter().collect();
            engine.handle(Input::Epoch(&one));
            located +=
                positions(&drain(&mut engine)).iter().filter(|p| p.state() == TagState::Located).count();
        }
        assert!(located >= 17, "{estimator:?}: {located} of 20");
    }
}

#[test]
fn an_anchor_falls_silent_exactly_a_second_after_its_last_range() {
    let mut engine = yard_engine();
    let mut changes = Vec::new();
    for k in 0..40 {
        let missing: &[(usize, Option<f64>)] = if (10..30).contains(&k) { &[(3, None)] } else { &[] };
        engine.handle(Input::Epoch(&epoch(100 * k, &YARD, TAG, missing)));
        changes.extend(drain(&mut engine).into_iter().filter_map(|o| match o {
            Output::AnchorChanged(c) if c.anchor == AnchorId(3) => Some((c.at, c.was, c.now)),
            _ => None,
        }));
    }
    let (never, heard, silent) = (AnchorState::NeverHeard, AnchorState::Heard, AnchorState::Silent);
    assert_eq!(changes, [(at(0), never, heard), (at(1_900), heard, silent), (at(3_000), silent, heard)]);
}

#[test]
fn rates_and_shares_count_the_last_ten_seconds() {
    let mut engine = yard_engine();
    for k in 0..200 {
        let missing: &[(usize, Option<f64>)] = if k % 4 == 0 { &[(1, None)] } else { &[] };
        engine.handle(Input::Epoch(&epoch(100 * k, &YARD, TAG, missing)));
        drain(&mut engine);
    }
    let table = engine.anchor_table().expect("a table");
    let full = &table.rows[0];
    assert!((full.rate_hz - 10.0).abs() < 0.2 && full.share == Some(1.0), "{full:?}");
    let sparse = &table.rows[1];
    assert!((sparse.rate_hz - 7.5).abs() < 0.2, "{sparse:?}");
    assert!((sparse.share.expect("frames") - 0.75).abs() < 0.02, "{sparse:?}");
    assert_eq!(full.rejected_share, Some(0.0));
}

#[test]
fn a_gap_of_years_costs_a_few_tables_and_not_more() {
    let mut engine = yard_engine();
    engine.handle(Input::Epoch(&epoch(0, &YARD, TAG, &[])));
    engine.handle(Input::Tick(Timestamp::from_micros(i64::MAX)));
    let tables = drain(&mut engine).iter().filter(|o| matches!(o, Output::Anchors(_))).count();
    assert!((10..=13).contains(&tables), "{tables}");
    assert_eq!(engine.poll_deadline(), None);
}

#[test]
fn an_input_from_the_past_is_told_and_left_out() {
    let mut engine = yard_engine();
    engine.handle(Input::Epoch(&epoch(1_000, &YARD, TAG, &[])));
    drain(&mut engine);
    engine.handle(Input::Epoch(&epoch(900, &YARD, TAG, &[])));
    engine.handle(Input::Tick(at(800)));
    assert_eq!(drain(&mut engine), [Output::OutOfOrder { at: at(900), newest: at(1_000) }]);
}

#[test]
fn tags_are_kept_apart_and_bounded() {
    let mut engine = yard_engine();
    for tag in 0..40 {
        let mut e = epoch(i64::from(tag), &YARD, TAG, &[]);
        e.tag = TagId(tag);
        engine.handle(Input::Epoch(&e));
    }
    let refused = drain(&mut engine).iter().filter(|o| matches!(o, Output::TooManyTags { .. })).count();
    assert_eq!(refused, 40 - MAX_TAGS);
}

#[test]
fn a_frame_is_read_through_its_layout_into_the_right_anchors() {
    let layout = Layout::parse_binary("c3 5a range:u16le*8 sum8").expect("a layout");
    let spec = FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) };
    let mut engine = Engine::new(site_of(&YARD, 8), Some(spec));
    let cm = |i: usize| (distance_m(YARD[i], TAG) * 100.0).round() as i64;
    let words = [cm(0), cm(1), 0, cm(3), cm(4), 777, 0, 0].map(Word::Int);
    let frame = Frame {
        received_at: at(0),
        empty_at: None,
        skipped_bytes: 0,
        tag: Some(3),
        seq: Some(9),
        millis: None,
        words: words.into_iter().collect(),
    };
    // How old frames are is known after a second of them.
    for k in 0..12 {
        engine.handle(Input::Frame(&Frame { received_at: at(100 * k), ..frame.clone() }));
    }
    let out = drain(&mut engine);
    assert_eq!(judged(&out)[..5], judged(&out)[5..10], "the same from the first one on");
    assert_eq!(judged(&out).len(), 12 * 5, "spare fields belong to nobody");
    assert_eq!(positions(&out)[0].no_fix, Some(NoFixReason::NotCurrent(Doubt::Unsettled)));
    let p = positions(&out).pop().expect("a position");
    assert_eq!((p.tag, p.state()), (TagId(3), TagState::Located));
    assert!(distance_m(p.place().expect("a place").position_m, TAG) < 0.02);
}

fn wild_f64() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => 0.0..40.0f64,
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(-1.0), Just(0.0), Just(1e300), Just(5e-324)],
    ]
}

fn wild_epoch() -> impl Strategy<Value = (i64, u32, Vec<(u16, Option<f64>)>)> {
    let reading = (0u16..7, prop::option::of(wild_f64()));
    (-3_000i64..30_000, 0u32..3, prop::collection::vec(reading, 0..=16))
}

/// One to sixteen anchors in 2D or 3D: anywhere, at one height, or close to one line.
fn wild_site() -> impl Strategy<Value = Site> {
    let places = prop::collection::vec([-40.0..40.0f64, -40.0..40.0f64, 0.0..9.0f64], 1..=MAX_ANCHORS);
    (places, 0..3, prop::bool::ANY, prop::bool::ANY).prop_filter_map(
        "refused",
        |(places, shape, three_d, delayed)| {
            let bend = |p: [f64; 3]| match shape {
                0 => p,
                1 => [p[0], p[1], 2.5],
                _ => [p[0], 0.01 * p[1], 0.01 * p[2]],
            };
            let places: Vec<[f64; 3]> = places.into_iter().map(bend).collect();
            let dimension = if three_d { Dimension::ThreeD } else { Dimension::TwoD { tag_height_m: 0.9 } };
            let site = draft_of(&places, places.len(), dimension).validate().ok()?.0;
            Some(if delayed { site.with_delayed(Micros::from_millis(1_000)) } else { site })
        },
    )
}

/// Time to the next epoch: a frame, none, backward, or hours to days.
fn wild_step_ms() -> impl Strategy<Value = i64> {
    prop_oneof![6 => 1i64..300, 1 => Just(0i64), 1 => -2_000i64..0, 1 => 3_600_000i64..200_000_000]
}

fn rubbish(p: &PositionReport) -> bool {
    let bad = |v: f64| !v.is_finite();
    let place = |place: &Place| {
        let c = place.covariance_m2;
        place.position_m.into_iter().any(bad)
            || c.iter().flatten().copied().any(bad)
            || (0..3).any(|i| c[i][i] < 0.0 || (0..3).any(|j| c[i][j] != c[j][i]))
    };
    let radius = |r: f64| bad(r) || r <= 0.0;
    let share = |p: f64| !(0.0..=1.0).contains(&p);
    p.place().iter().chain(p.candidates()).any(place)
        || p.radius95_m().into_iter().chain(p.protection_radius_m()).any(radius)
        || p.velocity_mps().into_iter().flatten().chain(p.dop().into_iter().flatten()).any(bad)
        || p.rejected.iter().any(|r| bad(r.residual_m) || r.p_good.is_some_and(share))
}

/// The numbers of a finding.
fn evidence(finding: &AnchorFinding) -> [f64; 4] {
    match *finding {
        AnchorFinding::DuplicateId { apart_m, share } => [apart_m, share, 0.0, 0.0],
        AnchorFinding::Misplaced { shift_m: [e, n, u], explained } => [e, n, u, explained],
        AnchorFinding::Moved { shift_m: [e, n], up_m, size_se_m, direction_se_deg } => {
            [e + up_m.unwrap_or(0.0), n, size_se_m, direction_se_deg.unwrap_or(0.0)]
        }
        AnchorFinding::OffsetChanged { by_m, se_m } => [by_m, se_m, 0.0, 0.0],
        AnchorFinding::ReadsLong { by_m } | AnchorFinding::Changed { by_m } => [by_m, 0.0, 0.0, 0.0],
        AnchorFinding::OftenNlos { share, .. } => [share, 0.0, 0.0, 0.0],
        AnchorFinding::Noisy { sigma_m, usual_m } => [sigma_m, usual_m, 0.0, 0.0],
        AnchorFinding::Drifting { m_per_day, se_m_per_day } => [m_per_day, se_m_per_day, 0.0, 0.0],
        AnchorFinding::Weak { share, expected } => [share, expected, 0.0, 0.0],
        AnchorFinding::OneOf { .. }
        | AnchorFinding::NeverHeard
        | AnchorFinding::Silent
        | AnchorFinding::Held
        | AnchorFinding::Flapping { .. } => [0.0; 4],
    }
}

/// Nothing that leaves is NaN, infinite, or a covariance that is none.
fn no_rubbish(out: &[Output]) -> Result<(), TestCaseError> {
    for output in out {
        match output {
            Output::Position(p) | Output::Delayed(p) => prop_assert!(!rubbish(p), "{p:?}"),
            Output::Ranges(e) => {
                let numbers = e
                    .ranges
                    .iter()
                    .flat_map(|r| [r.range_m, r.residual_m, r.standardised_residual, r.p_good]);
                prop_assert!(numbers.flatten().all(f64::is_finite), "{e:?}");
            }
            Output::Anchors(t) => {
                let numbers = t.rows.iter().flat_map(|r| [r.sigma_m, r.nlos_share, r.mean_residual_m]);
                prop_assert!(numbers.flatten().all(f64::is_finite), "{t:?}");
                let findings = t.rows.iter().flat_map(|r| &r.findings);
                prop_assert!(findings.flat_map(evidence).all(f64::is_finite), "{t:?}");
            }
            Output::Zone(z) => {
                prop_assert!(z.probability.is_none_or(|p| (0.0..=1.0).contains(&p)), "{z:?}");
                prop_assert!([z.depth_m, z.eta_s].into_iter().flatten().all(f64::is_finite), "{z:?}");
            }
            Output::Minute(m) => {
                let numbers = [m.mean_residual_m, m.sd_residual_m, m.mean_range_m];
                prop_assert!(numbers.into_iter().flatten().all(f64::is_finite), "{m:?}");
            }
            Output::FindingChanged(c) => {
                prop_assert!(evidence(&c.finding).into_iter().all(f64::is_finite), "{c:?}");
            }
            Output::AnchorChanged(_)
            | Output::KitChanged(_)
            | Output::OutOfOrder { .. }
            | Output::TagChanged(_)
            | Output::TooManyTags { .. } => {}
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever comes in, nothing panics, nothing that leaves is NaN, and every reading is judged.
    #[test]
    fn wild_epochs_are_survived(epochs in prop::collection::vec(wild_epoch(), 1..40)) {
        let mut engine = engine_with(ALL[epochs.len() % 3]);
        for (ms, tag, readings) in epochs {
            let readings = readings.iter().map(|(a, r)| RangeReading { anchor: AnchorId(*a), raw_range_m: *r });
            let e = Epoch::new(at(ms), TagId(tag), None, readings.collect());
            engine.handle(Input::Epoch(&e));
            let out = drain(&mut engine);
            let late = out.iter().any(|o| matches!(o, Output::OutOfOrder { .. }));
            prop_assert_eq!(judged(&out).len(), if late { 0 } else { e.readings.len() });
            no_rubbish(&out)?;
        }
    }

    /// The same for the tracker on layouts as wild as a site file allows, with stamps that repeat, go back and leap by
    /// days.
    #[test]
    fn wild_sites_and_stamps_are_survived(
        site in wild_site(),
        epochs in prop::collection::vec((wild_step_ms(), prop::collection::vec(wild_f64(), 16)), 1..60),
    ) {
        let mut engine = Engine::new(site.clone(), None);
        let mut ms = 0;
        for (step, ranges) in epochs {
            ms += step;
            let ids = site.anchors().iter().map(|a| a.id);
            let reading = |(anchor, r): (AnchorId, f64)| RangeReading { anchor, raw_range_m: Some(r) };
            let readings = ids.zip(ranges).map(reading).collect();
            engine.handle(Input::Epoch(&Epoch::new(at(ms), TagId(0), None, readings)));
            no_rubbish(&drain(&mut engine))?;
        }
        engine.handle(Input::Tick(at(ms + 100_000_000)));
        let out = drain(&mut engine);
        no_rubbish(&out)?;
        prop_assert!(positions(&out).last().is_none_or(|p| p.state() == TagState::Lost));
    }

    /// Ticks in between, however many, change nothing: deadlines carry their own instants.
    #[test]
    fn spurious_wake_ups_change_nothing(
        epochs in prop::collection::vec((0i64..900, prop::collection::vec(prop::bool::weighted(0.8), 5)), 1..60),
        ticks in prop::collection::vec(0i64..60_000, 0..200),
    ) {
        let mut feed: Vec<(i64, Option<Epoch>)> = Vec::new();
        let mut ms = 0;
        for (gap, heard) in &epochs {
            ms += gap;
            let missing: Vec<_> = heard.iter().enumerate().filter(|(_, h)| !**h).map(|(i, _)| (i, None)).collect();
            feed.push((ms, Some(epoch(ms, &YARD, TAG, &missing))));
        }
        let end = ms + 10_000;
        let run = |ticks: &[i64]| {
            let mut inputs = feed.clone();
            inputs.extend(ticks.iter().map(|t| (*t, None)));
            inputs.push((end, None));
            inputs.sort_by_key(|(t, e)| (*t, e.is_none()));
            let mut engine = yard_engine();
            let mut out = Vec::new();
            for (t, e) in &inputs {
                match e {
                    Some(e) => engine.handle(Input::Epoch(e)),
                    None => engine.handle(Input::Tick(at(*t))),
                }
                out.extend(drain(&mut engine));
            }
            out
        };
        let ticks: Vec<i64> = ticks.into_iter().filter(|t| *t <= end).collect();
        prop_assert_eq!(run(&[]), run(&ticks));
    }
}

#[test]
fn the_height_variance_of_a_flat_site_is_what_the_site_states() {
    for (stated, variance) in [(None, 0.0), (Some(0.05), 0.05 * 0.05)] {
        let mut draft = draft_of(&YARD, YARD.len(), Dimension::TwoD { tag_height_m: 0.9 });
        draft.tag_height_se_m = stated;
        let mut engine = Engine::new(draft.validate().unwrap().0, None);
        let mut seen = 0;
        for ms in (0..3_000).step_by(100) {
            engine.handle(Input::Epoch(&epoch(ms, &YARD, TAG, &[])));
            while let Some(output) = engine.poll_output() {
                if let Some(place) = match &output {
                    Output::Position(report) => report.place(),
                    _ => None,
                } {
                    assert_eq!(place.covariance_m2[2][2], variance);
                    assert_eq!((place.covariance_m2[0][2], place.covariance_m2[2][1]), (0.0, 0.0));
                    seen += 1;
                }
            }
        }
        assert!(seen > 20, "{seen}");
    }
}
