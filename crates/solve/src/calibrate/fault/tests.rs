//! Exact cases: without noise the shift must come out whole, however large.

use super::*;

const ANCHORS: [[f64; 3]; 5] =
    [[0.0, 0.0, 2.0], [8.0, 0.0, 2.0], [8.0, 6.0, 2.2], [0.0, 6.0, 2.1], [4.0, 0.0, 2.0]];
const OCCUPATIONS: [[f64; 3]; 6] =
    [[1.0, 1.0, 1.0], [6.5, 1.5, 1.0], [6.0, 5.0, 1.0], [2.0, 4.5, 1.0], [4.0, 3.0, 1.0], [3.0, 1.0, 1.0]];

fn observe(
    anchors: &[[f64; 3]],
    occupations: &[[f64; 3]],
    offset: impl Fn(usize) -> f64,
) -> Vec<Observation> {
    let mut all = Vec::new();
    for (occupation, p) in occupations.iter().enumerate() {
        for (anchor, a) in anchors.iter().enumerate() {
            let d = (0..3).map(|c| (p[c] - a[c]) * (p[c] - a[c])).sum::<f64>().sqrt();
            // A ripple of a millimetre, so that variances are not zero.
            let ripple = 0.001 * f64::from(u8::from((occupation + anchor) % 2 == 0));
            all.push(Observation { occupation, anchor, range_m: d + offset(anchor) + ripple, sd_m: 0.02 });
        }
    }
    all
}

const RULE: NamingRule = NamingRule { max_chance_probability: 1e-3, min_shift_m: 0.05 };

fn all_candidates() -> Vec<FaultCandidate> {
    let anchors = (0..ANCHORS.len()).flat_map(|i| {
        [
            FaultCandidate::AnchorPlace(i),
            FaultCandidate::AnchorPlaceAndOffset(i),
            FaultCandidate::AnchorOffset(i),
        ]
    });
    let places = anchors.chain((0..OCCUPATIONS.len()).map(FaultCandidate::OccupationPlace));
    places.chain([FaultCandidate::AllOffsets, FaultCandidate::AllScales]).collect()
}

fn scene<'a>(observations: &'a [Observation], offset_se_m: &'a [Option<f64>]) -> FaultModel<'a> {
    FaultModel {
        anchors_m: &ANCHORS,
        occupations_m: &OCCUPATIONS,
        observations,
        offset_se_m,
        scale: false,
        unknowns: 2,
    }
}

fn named(faults: &FaultIsolation) -> Explanation {
    match faults {
        FaultIsolation::Named(e) => *e,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_occupation_a_metre_off_comes_out_whole() {
    let mut truth = OCCUPATIONS;
    truth[2] = [5.2, 4.4, 1.0];
    let free = [None; 5];
    let seen = observe(&ANCHORS, &truth, |i| 0.1 * i as f64);
    let e = named(&scene(&seen, &free).explain(&all_candidates(), RULE));
    assert_eq!(e.candidate, FaultCandidate::OccupationPlace(2));
    assert!((e.shift_m[0] + 0.8).abs() < 0.005 && (e.shift_m[1] + 0.6).abs() < 0.005, "{e:?}");
    assert!(e.shift_m[2] == 0.0 && e.chance_probability < 1e-6);
}

#[test]
fn an_anchor_is_named_with_what_changed() {
    let known = [Some(0.01); 5];
    let mut anchors = ANCHORS;
    anchors[3] = [0.4, 5.7, 2.1];
    let seen = observe(&anchors, &OCCUPATIONS, |_| 0.0);
    let e = named(&scene(&seen, &known).explain(&all_candidates(), RULE));
    assert!(matches!(e.candidate, FaultCandidate::AnchorPlace(3)), "{e:?}");
    assert!((e.shift_m[0] - 0.4).abs() < 0.01 && (e.shift_m[1] + 0.3).abs() < 0.01, "{e:?}");

    // The same anchor, its offset taken at the wrong place as well.
    let seen = observe(&anchors, &OCCUPATIONS, |i| if i == 3 { 0.2 } else { 0.0 });
    let e = named(&scene(&seen, &known).explain(&all_candidates(), RULE));
    assert_eq!(e.candidate, FaultCandidate::AnchorPlaceAndOffset(3));
    assert!((e.shift_m[0] - 0.4).abs() < 0.02 && (e.offset_m - 0.2).abs() < 0.02, "{e:?}");

    let seen = observe(&ANCHORS, &OCCUPATIONS, |i| if i == 1 { -0.25 } else { 0.0 });
    let e = named(&scene(&seen, &known).explain(&all_candidates(), RULE));
    assert_eq!(e.candidate, FaultCandidate::AnchorOffset(1));
    assert!((e.offset_m + 0.25).abs() < 0.005 && e.shift_m == [0.0; 3], "{e:?}");
}

#[test]
fn what_all_boards_share_is_not_blamed_on_one() {
    let known = [Some(0.01); 5];
    let seen = observe(&ANCHORS, &OCCUPATIONS, |_| 0.12);
    let e = named(&scene(&seen, &known).explain(&all_candidates(), RULE));
    assert_eq!(e.candidate, FaultCandidate::AllOffsets);
    assert!((e.offset_m - 0.12).abs() < 0.005, "{e:?}");

    let mut seen = observe(&ANCHORS, &OCCUPATIONS, |_| 0.0);
    seen.iter_mut().for_each(|o| o.range_m *= 1.07);
    let e = named(&scene(&seen, &known).explain(&all_candidates(), RULE));
    assert_eq!(e.candidate, FaultCandidate::AllScales);
    assert!((e.scale_change - 0.07).abs() < 0.003, "{e:?}");
}

#[test]
fn nothing_is_named_where_nothing_is_wrong_or_nothing_can_be_known() {
    let known = [Some(0.01); 5];
    let seen = observe(&ANCHORS, &OCCUPATIONS, |_| 0.0);
    assert_eq!(scene(&seen, &known).explain(&all_candidates(), RULE), FaultIsolation::None);
    assert_eq!(scene(&[], &known).explain(&all_candidates(), RULE), FaultIsolation::None);
    // One row, all offsets free: nothing is left over.
    assert_eq!(scene(&seen[..1], &[None; 5]).explain(&all_candidates(), RULE), FaultIsolation::None);
}

#[test]
fn rivals_that_fit_alike_are_listed() {
    // Two anchors seen from one occupation: the occupation's shift explains what two offsets would, each half.
    let known = [Some(0.005); 5];
    let mut truth = OCCUPATIONS;
    truth[0] = [1.0, 1.45, 1.0];
    let seen: Vec<Observation> = observe(&ANCHORS, &truth, |_| 0.0)
        .into_iter()
        .filter(|o| o.occupation == 0 && o.anchor != 0)
        .collect();
    let faults =
        scene(&seen, &known).explain(&all_candidates(), NamingRule { max_chance_probability: 0.9, ..RULE });
    assert!(
        !matches!(faults, FaultIsolation::Named(e) if !matches!(e.candidate, FaultCandidate::OccupationPlace(0))),
        "{faults:?}"
    );
}

fn paths() -> Vec<FaultCandidate> {
    let all = (0..OCCUPATIONS.len())
        .flat_map(|occupation| (0..ANCHORS.len()).map(move |anchor| (occupation, anchor)));
    let paths = all.map(|(occupation, anchor)| FaultCandidate::Path { occupation, anchor });
    let places = (0..OCCUPATIONS.len())
        .map(FaultCandidate::OccupationPlace)
        .chain((0..ANCHORS.len()).map(FaultCandidate::AnchorPlace));
    places.chain(paths).collect()
}

#[test]
fn a_level_that_is_too_long_comes_out_whole_and_one_too_short_is_no_blocked_path() {
    let free = [None; 5];
    for (excess, named_so) in [(0.37, true), (-0.37, false)] {
        let mut seen = observe(&ANCHORS, &OCCUPATIONS, |i| 0.1 * i as f64);
        seen[5 * 4 + 2].range_m += excess;
        let faults = scene(&seen, &free).explain(&paths(), RULE);
        let path = FaultCandidate::Path { occupation: 4, anchor: 2 };
        match faults {
            FaultIsolation::Named(e) if named_so => {
                assert_eq!(e.candidate, path);
                assert!((e.offset_m - excess).abs() < 0.003 && e.chance_probability < 1e-6, "{e:?}");
            }
            other => {
                assert!(
                    !named_so && !matches!(other, FaultIsolation::Named(e) if e.candidate == path),
                    "{other:?}"
                );
            }
        }
    }
}

#[test]
fn two_levels_of_one_anchor_or_occupation_are_no_wrong_place() {
    let free = [None; 5];
    // The same two excesses at one anchor, then at one occupation: the larger one is the first to be named.
    for (rows, first) in [([1, 11], (2, 1)), ([10, 11], (2, 1))] {
        let mut seen = observe(&ANCHORS, &OCCUPATIONS, |_| 0.0);
        seen[rows[0]].range_m += 0.5;
        seen[rows[1]].range_m += 0.6;
        let e = named(&scene(&seen, &free).explain(&paths(), RULE));
        assert_eq!(e.candidate, FaultCandidate::Path { occupation: first.0, anchor: first.1 });
    }
    // Without paths among the candidates (as in a verification) they are not brought up.
    let mut seen = observe(&ANCHORS, &OCCUPATIONS, |_| 0.0);
    seen[1].range_m += 0.5;
    let faults = scene(&seen, &free).explain(&all_candidates(), RULE);
    assert!(!format!("{faults:?}").contains("Path"), "{faults:?}");
}
