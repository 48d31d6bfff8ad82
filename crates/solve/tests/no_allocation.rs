//! The estimators allocate nothing once they run: memory stays flat over months.

#[path = "study_kit/kit.rs"]
#[expect(dead_code, reason = "the generator is shared with the study, which uses more of it")]
mod kit;

use allocation_counter::measure;
use hereabout_core::{Fence, Micros, Timestamp};
use hereabout_solve::RangeObs;
use hereabout_solve::snapshot::{SnapshotSettings, snapshot};
use hereabout_solve::tracker::smoother::Smoother;
use hereabout_solve::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use kit::{Kit, Nlos};

#[test]
fn tracker_and_smoother_allocate_nothing_after_they_were_made() {
    for three_d in [false, true] {
        let kit = Kit::plain("", 8, three_d, Nlos::Stretches(0.3));
        let anchors: Vec<TrackerAnchor> = kit
            .anchors
            .iter()
            .map(|a| TrackerAnchor { at_m: *a, range_sigma_m: 0.1, offset_se_m: None })
            .collect();
        let epochs: Vec<(Timestamp, Vec<TrackRange>)> = kit
            .run(60.0, 5)
            .iter()
            .map(|e| {
                let measured =
                    e.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m });
                (Timestamp::from_micros((e.t_s * 1e6) as i64), measured.collect())
            })
            .collect();
        let settings = TrackerSettings::default();
        let mut tracker = Tracker::new(settings, kit.dimension, &Fence::default(), &anchors);
        let mut smoother = Smoother::new(Micros::from_millis(1_000), settings.motion, kit.dimension);
        let mut delayed = 0;
        let used = measure(|| {
            for (at, ranges) in &epochs {
                smoother.push(&tracker.update(*at, ranges));
                while smoother.poll(*at).is_some() {
                    delayed += 1;
                }
                std::hint::black_box(tracker.predict(at.plus(Micros::from_millis(50))));
            }
        });
        assert_eq!(used.count_total, 0, "allocations in 600 epochs");
        assert_eq!(delayed, 590);
    }
}

#[test]
fn a_snapshot_allocates_nothing() {
    let kit = Kit::plain("", 8, true, Nlos::Independent(0.3));
    let settings = SnapshotSettings::default();
    let fence = Fence { area_m: vec![[0.0, 0.0], [16.0, 0.0], [16.0, 10.0], [0.0, 10.0]], up_span_m: None };
    let epochs: Vec<Vec<RangeObs>> = kit
        .run(20.0, 6)
        .iter()
        .map(|e| {
            let obs = |r: &kit::TrueRange| RangeObs {
                anchor_m: kit.anchors[r.anchor],
                range_m: r.range_m,
                sigma_m: kit.sigma_m,
            };
            e.ranges.iter().map(obs).collect()
        })
        .collect();
    let used = measure(|| {
        for ranges in &epochs {
            std::hint::black_box(snapshot(ranges, kit.dimension, &fence, &settings));
        }
    });
    assert_eq!(used.count_total, 0);
}
