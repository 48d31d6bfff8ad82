//! Proof of accuracy: what the engine published while a tag stood at checkpoints, judged by [`Proof::verify`].
//!
//! Memory is bounded like that of a survey session; what finds no room is counted ([`Proof::left_out`]).

use hereabout_core::{
    Anchor, Dimension, Epoch, JudgedEpoch, PositionReport, RangeReading, Site, TagId, TagState,
};
use hereabout_solve::calibrate::adjust::AnchorLevel;
use hereabout_solve::calibrate::occupation::{
    OccupationReading, OccupationRefusal, OccupationSettings, TimedRange, measure_occupation,
};
use hereabout_solve::verify::{Checkpoint, PublishedFix, StatedAnchor, Verification, VerifySettings, verify};

use crate::survey::{MAX_RANGES, Spot, SurveySession, occupation_settings};

/// What the engine published while a tag stood at checkpoints.
#[derive(Clone, Debug)]
pub struct Proof {
    dimension: Dimension,
    wanted: Option<TagId>,
    spots: Vec<Spot>,
    fixes: Vec<Vec<PublishedFix>>,
    /// Position reports of each checkpoint, located or not.
    reports: Vec<usize>,
    /// Positions in all of it, how many there may be, and how many found no room, by checkpoint.
    kept: usize,
    most: usize,
    left_out: Vec<usize>,
    /// Corrected ranges, gathered like raw ones.
    corrected: SurveySession,
}

impl Proof {
    /// Nothing published yet. Of `tag` only, or of whatever tag there is.
    pub fn new(site: &Site, tag: Option<TagId>) -> Proof {
        Proof::with_room(site, tag, MAX_RANGES)
    }

    /// The same with room for `most` positions.
    pub(crate) fn with_room(site: &Site, tag: Option<TagId>, most: usize) -> Proof {
        Proof {
            dimension: site.dimension(),
            wanted: tag,
            spots: Vec::new(),
            fixes: Vec::new(),
            reports: Vec::new(),
            kept: 0,
            most,
            left_out: Vec::new(),
            corrected: SurveySession::new(site, tag),
        }
    }

    /// Another checkpoint; beyond [`crate::survey::MAX_SPOTS`] it is left out and `false` comes back.
    pub fn begin(&mut self, spot: Spot) -> bool {
        let room = self.corrected.begin(spot.clone());
        if room {
            self.spots.push(spot);
            self.fixes.push(Vec::new());
            self.reports.push(0);
            self.left_out.push(0);
        }
        room
    }

    /// Takes a position report of the tag in question.
    pub fn take_position(&mut self, report: &PositionReport) {
        if self.wanted.is_some_and(|tag| tag != report.tag) {
            return;
        }
        for (k, _) in self.spots.iter().enumerate().filter(|(_, s)| s.holds(report.at)) {
            self.reports[k] += 1;
            let located = report.place().filter(|_| report.state() == TagState::Located);
            let Some(place) = located else { continue };
            if self.kept < self.most {
                let (position_m, covariance_m2) = (place.position_m, place.covariance_m2);
                self.fixes[k].push(PublishedFix { position_m, covariance_m2 });
                self.kept += 1;
            } else {
                self.left_out[k] += 1;
            }
        }
    }

    /// Takes the ranges of an epoch, corrected, as far as they speak of the present.
    pub fn take_ranges(&mut self, epoch: &JudgedEpoch) {
        let readings = epoch.ranges.iter().map(|r| RangeReading {
            anchor: r.anchor,
            raw_range_m: r.range_m.filter(|_| r.verdict.is_fresh()),
        });
        let readings = readings.collect();
        let (at, tag, frame_seq) = (epoch.at, epoch.tag, epoch.frame_seq);
        self.corrected.take(&Epoch::new(at, tag, frame_seq, readings));
    }

    /// The checkpoints so far.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    /// Positions of a checkpoint that found no room, so that the proof does not rest on them: there may be
    /// [`MAX_RANGES`] in all.
    pub fn left_out(&self, spot: usize) -> usize {
        self.left_out.get(spot).copied().unwrap_or(0)
    }

    /// Position reports of a checkpoint, and the located ones that the proof rests on.
    pub fn counts(&self, spot: usize) -> (usize, usize) {
        (self.reports.get(spot).copied().unwrap_or(0), self.fixes.get(spot).map_or(0, Vec::len))
    }

    /// Horizontal errors of every position at its checkpoint, metres, smallest first.
    pub fn errors_m(&self) -> Vec<f64> {
        let error = |at: [f64; 3], f: &PublishedFix| {
            let [x, y] = [0, 1].map(|c| f.position_m[c] - at[c]);
            (x * x + y * y).sqrt()
        };
        let all = self.spots.iter().zip(&self.fixes);
        let mut errors: Vec<f64> =
            all.flat_map(|(spot, fixes)| fixes.iter().map(|f| error(spot.at_m, f))).collect();
        errors.sort_by(f64::total_cmp);
        errors
    }

    /// Tags, extent and ranges of what came in.
    pub fn heard(&self) -> &SurveySession {
        &self.corrected
    }

    /// Judges it. `calibration_places_m` are the places that the calibration used.
    pub fn verify(
        &self,
        site: &Site,
        calibration_places_m: &[[f64; 3]],
        required_ce95_m: Option<f64>,
    ) -> Verification {
        let stated = |a: &Anchor| StatedAnchor { at_m: a.at_m, offset_se_m: a.correction.offset_se_m };
        let anchors: Vec<StatedAnchor> = site.anchors().iter().map(stated).collect();
        let settings = occupation_settings(site);
        let checkpoint = |(k, spot): (usize, &Spot)| {
            let level = |(anchor, ranges): (usize, &[TimedRange])| {
                let r = measured(ranges, &settings)?;
                Some(AnchorLevel { anchor, level_m: r.level_m, se_m: r.se_m })
            };
            let levels = self.corrected.boards(k).into_iter().enumerate().filter_map(level).collect();
            Checkpoint { at_m: spot.at_m, fixes: self.fixes[k].clone(), levels }
        };
        let checkpoints: Vec<Checkpoint> = self.spots.iter().enumerate().map(checkpoint).collect();
        let settings = VerifySettings { required_ce95_m, ..VerifySettings::new(self.dimension) };
        verify(&anchors, &checkpoints, calibration_places_m, &settings)
    }
}

/// A level that may explain something: taken, or refused only because it is short or rough (its standard error
/// says so).
fn measured(ranges: &[TimedRange], settings: &OccupationSettings) -> Option<OccupationReading> {
    match measure_occupation(ranges, settings) {
        Ok(r) => Some(r),
        Err(refused) => {
            let mild = |r: &OccupationRefusal| {
                matches!(r, OccupationRefusal::TooUncertain { .. } | OccupationRefusal::TooFewRanges { .. })
            };
            refused.reading.filter(|_| refused.reasons.iter().all(mild))
        }
    }
}

#[cfg(test)]
mod tests;
