//! A survey of the shed by a repeating noise (invented).

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Epoch, Micros, RangeReading, Site, SiteDraft, TagId, Timestamp};
use hereabout_fixtures::{Noise, SHED_M};

use crate::survey::{Spot, SurveySession};

pub(crate) const OFFSETS_M: [f64; 8] = [0.12, -0.05, 0.2, 0.0, -0.11, 0.07, 0.3, -0.02];
pub(crate) const SPOTS_M: [[f64; 2]; 5] = [[2.0, 2.0], [12.0, 2.5], [11.5, 7.0], [3.0, 7.5], [7.0, 4.5]];

pub(crate) fn site(anchors: usize) -> Site {
    hereabout_fixtures::site(draft_of(anchors))
}

pub(crate) fn draft_of(anchors: usize) -> SiteDraft {
    SiteDraft { range_fields: None, ..hereabout_fixtures::draft(&SHED_M[..anchors]) }
}

pub(crate) fn stamp(s: f64) -> Timestamp {
    Timestamp::default().plus(Micros::from_secs_f64(s))
}

pub(crate) fn spot(k: usize, seconds: f64) -> Spot {
    let from = 100.0 * k as f64;
    let at_m = [SPOTS_M[k][0], SPOTS_M[k][1], 0.9];
    Spot { name: format!("spot {k}"), at_m, from: stamp(from), to: stamp(from + seconds) }
}

/// What the kit says while the tag stands at `at_m` from `from_s` on.
pub(crate) fn epochs(at_m: [f64; 3], from_s: f64, seconds: f64, noise: &mut Noise) -> Vec<Epoch> {
    let n = (seconds * 10.0) as usize;
    let epoch = |i: usize| {
        let reading = |(k, a): (usize, &[f64; 3])| {
            let d = (0..3).map(|c| (at_m[c] - a[c]).powi(2)).sum::<f64>().sqrt();
            let raw_range_m = Some(d + OFFSETS_M[k] + 0.05 * noise.normal());
            RangeReading { anchor: AnchorId(k as u16), raw_range_m }
        };
        let readings: ArrayVec<RangeReading, 8> = SHED_M.iter().enumerate().map(reading).collect();
        let readings = readings.into_iter().collect();
        Epoch::new(stamp(from_s + i as f64 / 10.0), TagId(0), None, readings)
    };
    (0..n).map(epoch).collect()
}

/// A whole session; the tag really stands `shift_m(k)` to the east of the stated place.
pub(crate) fn session(site: &Site, spots: usize, shift_m: impl Fn(usize, f64) -> f64) -> SurveySession {
    session_as_typed(site, spots, shift_m, |_, at_m| at_m)
}

/// The same with places that were typed otherwise than they were meant.
pub(crate) fn session_as_typed(
    site: &Site,
    spots: usize,
    shift_m: impl Fn(usize, f64) -> f64,
    typed: impl Fn(usize, [f64; 3]) -> [f64; 3],
) -> SurveySession {
    let mut noise = Noise(7);
    let mut session = SurveySession::new(site, None);
    for k in 0..spots {
        let spot = spot(k, 60.0);
        assert!(session.begin(Spot { at_m: typed(k, spot.at_m), ..spot.clone() }));
        for half in [0.0, 30.0] {
            let mut at_m = spot.at_m;
            at_m[0] += shift_m(k, half);
            for epoch in epochs(at_m, 100.0 * k as f64 + half, 30.0, &mut noise) {
                session.take(&epoch);
            }
        }
    }
    session
}

/// A session in which the path from a board to a place is too long, board by board and place by place.
pub(crate) fn blocked_session(site: &Site, spots: usize, blocked: &[(usize, u16, f64)]) -> SurveySession {
    let (mut noise, mut session) = (Noise(9), SurveySession::new(site, None));
    for k in 0..spots {
        let spot = spot(k, 60.0);
        session.begin(spot.clone());
        for mut epoch in epochs(spot.at_m, 100.0 * k as f64, 60.0, &mut noise) {
            for r in &mut epoch.readings {
                for (_, _, m) in blocked.iter().filter(|b| (b.0, AnchorId(b.1)) == (k, r.anchor)) {
                    r.raw_range_m = r.raw_range_m.map(|raw| raw + m);
                }
            }
            session.take(&epoch);
        }
    }
    session
}
