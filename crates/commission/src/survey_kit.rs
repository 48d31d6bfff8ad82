//! A survey of the shed by a repeating noise (invented).

use hereabout_core::{AnchorId, Site, SiteDraft};
use hereabout_fixtures::{Noise, SHED_M};
pub(crate) use hereabout_fixtures::{
    SHED_OFFSETS_M as OFFSETS_M, SHED_SPOTS_M as SPOTS_M, shed_epochs as epochs, stamp,
};

use crate::survey::{Spot, SurveySession};

pub(crate) fn site(anchors: usize) -> Site {
    hereabout_fixtures::site(draft_of(anchors))
}

pub(crate) fn draft_of(anchors: usize) -> SiteDraft {
    SiteDraft { range_fields: None, ..hereabout_fixtures::draft(&SHED_M[..anchors]) }
}

pub(crate) fn spot(k: usize, seconds: f64) -> Spot {
    let from = 100.0 * k as f64;
    let at_m = [SPOTS_M[k][0], SPOTS_M[k][1], 0.9];
    Spot { name: format!("spot {k}"), at_m, from: stamp(from), to: stamp(from + seconds) }
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
