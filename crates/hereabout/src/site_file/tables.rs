//! The tables of a site file as they are written, before anything in them is judged.

use std::path::PathBuf;

use hereabout_core::{Anchor, AnchorId, Correction, SiteTag, TagId};
use serde::Deserialize;

use crate::access::socket_file::SocketChoice;
use crate::site_file::kit_text::{FrameText, SourceText};
use crate::toml_doc::{number_text, quoted};

#[derive(Deserialize)]
pub(super) struct RawSite {
    pub(super) site: RawSiteTable,
    pub(super) track: Option<RawTrack>,
    pub(super) source: Option<RawSource>,
    pub(super) frame: Option<RawFrame>,
    #[serde(default)]
    pub(super) anchor: Vec<RawAnchor>,
    #[serde(default)]
    pub(super) zone: Vec<RawZone>,
    #[serde(default)]
    pub(super) tag: Vec<RawTag>,
    pub(super) log: Option<RawLog>,
    pub(super) api: Option<RawApi>,
}

#[derive(Deserialize)]
pub(super) struct RawKit {
    pub(super) source: Option<RawSource>,
    pub(super) frame: Option<RawFrame>,
}

#[derive(Deserialize)]
pub(super) struct RawSiteTable {
    pub(super) name: String,
    pub(super) dimension: String,
    pub(super) tag_height_m: Option<f64>,
    pub(super) area_m: Option<Vec<[f64; 2]>>,
    pub(super) up_span_m: Option<[f64; 2]>,
    pub(super) range_sigma_m: Option<f64>,
    pub(super) range_span_m: Option<[f64; 2]>,
    pub(super) required_ce95_m: Option<f64>,
    pub(super) tag_height_se_m: Option<f64>,
    pub(super) max_offset_m: Option<f64>,
}

#[derive(Deserialize)]
pub(super) struct RawTrack {
    pub(super) estimator: Option<String>,
    pub(super) delayed_s: Option<f64>,
    pub(super) lost_after_s: Option<f64>,
    pub(super) lost_radius95_m: Option<f64>,
    pub(super) slow_error_m: Option<f64>,
    pub(super) tag_offset_m: Option<f64>,
    pub(super) max_age_s: Option<f64>,
    pub(super) tag_forgotten_after_s: Option<f64>,
}

#[derive(Deserialize)]
pub(super) struct RawSource {
    pub(super) port: String,
    pub(super) baud: Option<u32>,
    pub(super) dtr: Option<bool>,
}

impl RawSource {
    pub(super) fn read(self) -> SourceText {
        SourceText { port: self.port, baud: self.baud.unwrap_or(115_200), dtr: self.dtr }
    }
}

#[derive(Deserialize)]
pub(super) struct RawFrame {
    pub(super) layout: Option<String>,
    pub(super) layout_text: Option<String>,
    pub(super) layout_json: Option<String>,
    pub(super) unit: String,
    pub(super) no_range: Option<OneOrMany>,
}

impl RawFrame {
    /// The table as it would be written again; `None` without exactly one layout.
    pub(super) fn table(&self) -> Option<FrameText> {
        let named = [
            ("layout", &self.layout),
            ("layout_text", &self.layout_text),
            ("layout_json", &self.layout_json),
        ];
        let (key, layout) = named.into_iter().find_map(|(key, l)| Some((key, l.clone()?)))?;
        let word = |w: &RawNoRange| match w {
            RawNoRange::Number(v) => number_text(*v),
            RawNoRange::Text(t) => quoted(t),
        };
        let no_range = match &self.no_range {
            None => Vec::new(),
            Some(OneOrMany::One(one)) => vec![word(one)],
            Some(OneOrMany::Many(many)) => many.iter().map(word).collect(),
        };
        Some(FrameText { key, layout, unit: self.unit.clone(), no_range })
    }

    /// The layout as one line, for the log.
    pub(super) fn text(&self) -> String {
        let named = [
            ("layout", &self.layout),
            ("layout_text", &self.layout_text),
            ("layout_json", &self.layout_json),
        ];
        let lines = named.iter().filter_map(|(k, v)| v.as_ref().map(|v| format!("{k} = {v:?}")));
        lines.chain([format!("unit = {:?}", self.unit)]).collect::<Vec<_>>().join("; ")
    }
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "expected a number, \"nan\", or a list of these")]
pub(super) enum OneOrMany {
    One(RawNoRange),
    Many(Vec<RawNoRange>),
}

#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum RawNoRange {
    Number(f64),
    Text(String),
}

#[derive(Deserialize)]
pub(super) struct RawAnchor {
    pub(super) id: u16,
    pub(super) name: Option<String>,
    pub(super) at_m: [f64; 3],
    pub(super) range_sigma_m: Option<f64>,
    pub(super) slot: Option<usize>,
}

impl RawAnchor {
    pub(super) fn anchor(&self, range_sigma_m: f64) -> Anchor {
        Anchor {
            id: AnchorId(self.id),
            name: self.name.clone().unwrap_or_else(|| format!("anchor {}", self.id)),
            at_m: self.at_m,
            range_sigma_m: self.range_sigma_m.unwrap_or(range_sigma_m),
            slot: self.slot,
            correction: Correction::NONE,
        }
    }
}

#[derive(Deserialize)]
pub(super) struct RawTag {
    pub(super) id: u32,
    pub(super) name: Option<String>,
}

impl RawTag {
    pub(super) fn tag(&self) -> SiteTag {
        let name = self.name.clone().unwrap_or_else(|| format!("tag {}", self.id));
        SiteTag { id: TagId(self.id), name }
    }
}

#[derive(Deserialize)]
pub(super) struct RawZone {
    pub(super) name: String,
    pub(super) polygon_m: Option<Vec<[f64; 2]>>,
    #[serde(default)]
    pub(super) holes_m: Vec<Vec<[f64; 2]>>,
    pub(super) circle: Option<RawCircle>,
    pub(super) near: Option<RawNear>,
    pub(super) margin_m: Option<f64>,
    pub(super) enter_after_s: Option<f64>,
    pub(super) leave_after_s: Option<f64>,
    pub(super) max_protection_radius_m: Option<f64>,
    pub(super) allow_unchecked: Option<bool>,
    #[serde(default)]
    pub(super) tags: Vec<u32>,
}

impl RawZone {
    /// The keys given that only a zone that goes by the position has a use for.
    pub(super) fn keys_of_no_effect_near(&self) -> impl Iterator<Item = &'static str> {
        let given = [
            ("holes_m", !self.holes_m.is_empty()),
            ("margin_m", self.margin_m.is_some()),
            ("enter_after_s", self.enter_after_s.is_some()),
            ("leave_after_s", self.leave_after_s.is_some()),
            ("max_protection_radius_m", self.max_protection_radius_m.is_some()),
            ("allow_unchecked", self.allow_unchecked.is_some()),
        ];
        given.into_iter().filter_map(|(key, is_given)| is_given.then_some(key))
    }
}

#[derive(Deserialize)]
pub(super) struct RawCircle {
    pub(super) at_m: [f64; 2],
    pub(super) radius_m: f64,
}

#[derive(Deserialize)]
pub(super) struct RawNear {
    pub(super) anchor: u16,
    pub(super) enter_m: f64,
    pub(super) leave_m: f64,
}

#[derive(Deserialize)]
pub(super) struct RawLog {
    pub(super) path: PathBuf,
}

#[derive(Deserialize)]
pub(super) struct RawApi {
    pub(super) listen: Option<String>,
    pub(super) socket: Option<SocketChoice>,
}
