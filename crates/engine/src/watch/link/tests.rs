use super::*;

fn at(ms: i64) -> Timestamp {
    Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(ms))
}

/// Twenty-byte frames, ten a second, for `seconds` from `from_ms`; `cut` of them damaged.
fn stream(
    watch: &mut KitWatch,
    from_ms: i64,
    seconds: i64,
    counts: &mut LinkCounts,
    cut: f64,
) -> Vec<KitChange> {
    let mut changes = Vec::new();
    for k in 0..2 * seconds {
        let bad = (5.0 * cut * (k + 1) as f64) as u64 - (5.0 * cut * k as f64) as u64;
        counts.bytes += 100;
        counts.frames += 5 - bad;
        counts.bad_checksum += bad;
        counts.skipped_bytes += 20 * bad;
        changes.extend(watch.feed(at(from_ms + 500 * k), true, *counts));
    }
    changes
}

#[test]
fn no_byte_for_two_and_a_half_seconds_is_a_cable_out() {
    let (mut watch, mut counts) = (KitWatch::new(), LinkCounts::default());
    assert!(stream(&mut watch, 0, 30, &mut counts, 0.0).is_empty());
    let mut out = Vec::new();
    for k in 0..8 {
        out.extend(watch.feed(at(30_000 + 500 * k), true, counts));
    }
    // The last byte came at 29.5 s.
    assert_eq!(out, [KitChange { at: at(32_000), finding: KitFinding::CableOut, over: false }]);
    assert_eq!(watch.findings(), [KitFinding::CableOut]);
    let back = stream(&mut watch, 34_000, 5, &mut counts, 0.0);
    assert_eq!(back, [KitChange { at: at(34_000), finding: KitFinding::CableOut, over: true }]);
}

#[test]
fn a_link_that_is_down_is_a_cable_out_even_before_the_first_byte() {
    let mut watch = KitWatch::new();
    let mut out = Vec::new();
    for k in 0..6 {
        out.extend(watch.feed(at(500 * k), false, LinkCounts::default()));
    }
    assert_eq!(out, [KitChange { at: at(2_000), finding: KitFinding::CableOut, over: false }]);
}

#[test]
fn damaged_frames_are_told_with_their_share_and_end_with_hysteresis() {
    let (mut watch, mut counts) = (KitWatch::new(), LinkCounts::default());
    assert!(stream(&mut watch, 0, 60, &mut counts, 0.02).is_empty(), "a few are nothing");
    let begun = stream(&mut watch, 60_000, 60, &mut counts, 0.2);
    let [KitChange { finding: KitFinding::FramesCut { share }, over: false, .. }] = begun[..] else {
        panic!("{begun:?}");
    };
    assert!((0.05..0.2).contains(&share));
    let [KitFinding::FramesCut { share }] = watch.findings() else { panic!() };
    assert!((share - 0.2).abs() < 0.03, "{share}");
    assert!(stream(&mut watch, 120_000, 80, &mut counts, 0.03).is_empty(), "not well enough yet");
    let over = stream(&mut watch, 200_000, 80, &mut counts, 0.0);
    assert!(
        matches!(over[..], [KitChange { finding: KitFinding::FramesCut { .. }, over: true, .. }]),
        "{over:?}"
    );
}

#[test]
fn totals_that_begin_anew_are_no_damage() {
    let (mut watch, mut counts) = (KitWatch::new(), LinkCounts::default());
    stream(&mut watch, 0, 30, &mut counts, 0.0);
    let mut fresh = LinkCounts::default();
    assert!(stream(&mut watch, 30_000, 30, &mut fresh, 0.0).is_empty());
}
