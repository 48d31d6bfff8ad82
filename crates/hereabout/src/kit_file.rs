//! A kit without a site: where its bytes come from and how its frames are laid out, while nobody has
//! measured the anchors' places yet. `learn --write` writes such a file, `listen` and `start` read it,
//! and the flags of the command line are read as if they stood in one.

use std::path::Path;

use clap::Args;
use hereabout_wire::FrameSpec;

use crate::site_file::{FrameText, SiteFile, SourceText};
use crate::toml_doc::Problem;

/// Source and frame layout, with the site around them when there is one.
#[derive(Clone, Debug)]
pub struct KitFile {
    /// The whole site; `None` for a file that has only `[source]` and `[frame]`.
    pub site: Option<SiteFile>,
    /// `[source]`, when given.
    pub source: Option<SourceText>,
    /// `[frame]`, when given.
    pub frame: Option<FrameSpec>,
    /// `[frame]` as written, when given.
    pub frame_text: Option<FrameText>,
}

/// The layout of the frames, on the command line.
#[derive(Args, Clone, Debug, Default)]
pub struct FrameArgs {
    /// Layout of binary frames, like "c3 5a seq:u8 range:u16le*8 sum8".
    #[arg(long, value_name = "LAYOUT", group = "frame_layout")]
    pub layout: Option<String>,
    /// Layout of delimited lines, like "'R,' tag ',' range*4".
    #[arg(long, value_name = "LAYOUT", group = "frame_layout")]
    pub layout_text: Option<String>,
    /// Layout of JSON lines, like "seq=/n range=/d/0 range=/d/1".
    #[arg(long, value_name = "LAYOUT", group = "frame_layout")]
    pub layout_json: Option<String>,
    /// Unit of the ranges: m, dm, cm or mm; cm unless given.
    #[arg(long, value_name = "UNIT", requires = "frame_layout")]
    pub unit: Option<String>,
    /// Value that means "no range", or "nan"; may be given more than once.
    #[arg(long, value_name = "VALUE", requires = "frame_layout", allow_hyphen_values = true)]
    pub no_range: Vec<String>,
}

impl FrameArgs {
    /// The `[frame]` table that the flags stand for; `None` without a layout.
    pub fn table(&self) -> Option<FrameText> {
        let given = [
            ("layout", &self.layout),
            ("layout_text", &self.layout_text),
            ("layout_json", &self.layout_json),
        ];
        let (key, layout) = given.into_iter().find_map(|(key, l)| Some((key, l.clone()?)))?;
        let no_range = self.no_range.iter().map(|word| match word.parse::<f64>() {
            Ok(number) => number_text(number),
            Err(_) => quoted(word),
        });
        Some(FrameText {
            key,
            layout,
            unit: self.unit.clone().unwrap_or_else(|| "cm".to_owned()),
            no_range: no_range.collect(),
        })
    }

    /// The flags as a kit, checked as a file would be.
    ///
    /// # Errors
    /// What is wrong with the layout, the unit or a value.
    pub fn kit(&self) -> Result<KitFile, Vec<Problem>> {
        let text = self.table().map_or_else(String::new, |table| table.toml());
        KitFile::from_text(Path::new("command line"), &text)
    }
}

/// Text as TOML writes it, quotes included.
pub fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A number as TOML writes it.
pub fn number_text(number: f64) -> String {
    if number.is_nan() { "nan".to_owned() } else { format!("{number}") }
}
