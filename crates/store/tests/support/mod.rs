//! A small session of the nursery's yard, made up: a potting cart that rolls along the roller door.

use hereabout_core::{
    AnchorId, JudgedEpoch, JudgedRange, Location, Place, PositionReport, RejectReason, RejectedRange, TagId,
    TagPlace, Timestamp, Verdict,
};
use hereabout_engine::Output;

use super::SessionStart;

/// 2026-05-04T09:00:00Z.
pub(crate) const START_US: i64 = 1_777_885_200_000_000;

/// Stamp of frame `n` (from 1) at 10 Hz.
pub(crate) fn at(n: u64) -> Timestamp {
    Timestamp::from_micros(START_US + i64::try_from(n).expect("small") * 100_000)
}

/// The beginning of a session.
pub(crate) fn start() -> SessionStart {
    SessionStart {
        started_at: Timestamp::from_micros(START_US),
        site_text: String::new(),
        calibration_text: None,
        frame_layout: String::new(),
        source: "sim://yard.toml".into(),
        program_version: "0.1.0".into(),
        other_sites: None,
    }
}

/// Eight ranges, one missing and one too long.
pub(crate) fn ranges(n: u64) -> JudgedEpoch {
    let judged = (0..8).map(|i| {
        let raw = f64::from(i) * 1.37 + (n as f64 * 0.1).sin() + 3.0;
        let verdict = match i {
            3 => Verdict::Rejected(RejectReason::TooLong),
            6 => Verdict::NoReading,
            _ => Verdict::Used,
        };
        let known = i != 6;
        JudgedRange {
            anchor: AnchorId(i),
            raw_range_m: known.then_some(raw),
            range_m: known.then_some(raw - 0.154),
            verdict,
            residual_m: known.then_some((n as f64 + f64::from(i)).cos() * 0.05),
            standardised_residual: known.then_some((n as f64 + f64::from(i)).cos() * 0.5),
            p_good: known.then_some(if i == 3 { 0.02 } else { 0.98 }),
        }
    });
    let frame_seq = Some(u32::try_from(n % 256).expect("small"));
    JudgedEpoch {
        at: at(n),
        measured_at: at(n),
        doubt: None,
        tag: TagId(0),
        frame_seq,
        ranges: judged.collect(),
    }
}

/// The position report that goes with [`ranges`].
pub(crate) fn position(n: u64) -> PositionReport {
    let epoch = ranges(n);
    let of = |v: fn(&Verdict) -> bool| epoch.ranges.iter().filter(move |r| v(&r.verdict));
    PositionReport {
        seq: n,
        tag: TagId(0),
        at: epoch.at,
        received_at: epoch.at,
        valid_until: at(n + 5),
        location: Location::Located(TagPlace {
            checked: true,
            velocity_mps: Some([0.41, -0.02, 0.0]),
            hdop: Some(0.81),
            ..TagPlace::of(place(n as f64), 0.13)
        }),
        restarted: n.is_multiple_of(7),
        used: of(|v| *v == Verdict::Used).map(|r| r.anchor).collect(),
        rejected: of(|v| matches!(v, Verdict::Rejected(_)))
            .map(|r| RejectedRange {
                anchor: r.anchor,
                residual_m: r.residual_m.expect("rejected ranges have one"),
                why: RejectReason::TooLong,
                p_good: r.p_good,
            })
            .collect(),
        no_fix: None,
    }
}

/// Some place.
pub(crate) fn place(x: f64) -> Place {
    let covariance_m2 = [[0.0031, 0.0002, 0.0], [0.0002, 0.0027, 0.0], [0.0, 0.0, 0.0]];
    Place { position_m: [12.0 + x.sin(), 5.0 + x.cos(), 0.9], covariance_m2 }
}

/// Both outputs of frame `n`.
pub(crate) fn outputs(n: u64) -> [Output; 2] {
    [Output::Ranges(ranges(n)), Output::Position(position(n))]
}
