//! Body of `POST /v1/calibrations`: what is asked for, and what is in force.

use hereabout_core::{AnchorId, Correction, plausible::Implausible};
use hereabout_words::plausible::correction;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::number::round_1e4;
use crate::state::site_info::SiteInfo;

/// Corrections of boards: true range = (raw - offset_m) / scale.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CalibrationsBody {
    /// One for each board, each once.
    pub anchors: Vec<AnchorCalibrationBody>,
}

/// The correction of one board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AnchorCalibrationBody {
    /// The anchor's id.
    pub id: u16,
    /// How much the board reads too long, metres; half a metre either way at most, unless the site says otherwise
    /// (`[site] max_offset_m`).
    pub offset_m: f64,
    /// Its metre; 1 unless given; 0.9 to 1.1.
    #[serde(default = "one")]
    pub scale: f64,
    /// Standard error of the offset, metres, not larger than an offset may be; null when it is not known.
    #[serde(default)]
    pub offset_se_m: Option<f64>,
}

fn one() -> f64 {
    1.0
}

impl CalibrationsBody {
    /// The corrections, or in words what is wrong with them for this site.
    pub(crate) fn corrections(&self, site: &SiteInfo) -> Result<Vec<(AnchorId, Correction)>, String> {
        if self.anchors.is_empty() {
            return Err("No anchor is named.".to_owned());
        }
        let one = |(i, a): (usize, &AnchorCalibrationBody)| {
            let id = AnchorId(a.id);
            if !site.anchors.iter().any(|known| known.id == id) {
                return Err(format!("The site has no anchor {id}."));
            }
            if self.anchors[..i].iter().any(|b| b.id == a.id) {
                return Err(format!("Anchor {id} is there twice."));
            }
            Ok((id, Correction { offset_m: a.offset_m, scale: a.scale, offset_se_m: a.offset_se_m }))
        };
        let corrections: Vec<(AnchorId, Correction)> =
            self.anchors.iter().enumerate().map(one).collect::<Result<_, String>>()?;
        let bad: Vec<(&AnchorId, Implausible)> = corrections
            .iter()
            .flat_map(|(id, c)| site.correction_limits.judge(c).map(move |i| (id, i)))
            .collect();
        let offsets = bad.iter().any(|(_, i)| matches!(i, Implausible::Offset { .. }));
        let bad: Vec<String> =
            bad.iter().map(|(id, i)| format!("Anchor {id}: {}.", correction(i).words)).collect();
        if bad.is_empty() {
            return Ok(corrections);
        }
        let key = if offsets {
            " If boards really read so, [site] max_offset_m of the site file allows more."
        } else {
            ""
        };
        Err(format!("{}{key}", bad.join(" ")))
    }
}

impl From<&SiteInfo> for CalibrationsBody {
    fn from(site: &SiteInfo) -> CalibrationsBody {
        let one = |a: &hereabout_core::Anchor| AnchorCalibrationBody {
            id: a.id.0,
            offset_m: round_1e4(a.correction.offset_m).unwrap_or(0.0),
            scale: a.correction.scale,
            offset_se_m: a.correction.offset_se_m.and_then(round_1e4),
        };
        CalibrationsBody { anchors: site.anchors.iter().map(one).collect() }
    }
}
