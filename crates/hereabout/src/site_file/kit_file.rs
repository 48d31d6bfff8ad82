//! A kit without a site: where its bytes come from and how its frames are laid out, while nobody has
//! measured the anchors' places yet. `learn --write` writes such a file, `listen` and `start` read it,
//! and the flags of the command line are read as if they stood in one.

use std::path::Path;

use clap::Args;
use hereabout_wire::FrameSpec;

use crate::site_file::{FrameText, SiteFile, SourceText, frame_table, has_only_a_kit, kit_tables};
use crate::toml_doc::{Document, Problem, number_text, quoted};

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

impl KitFile {
    /// Reads a site file, or a file that has only `[source]` and `[frame]`.
    ///
    /// # Errors
    /// Every problem that was found.
    pub fn load(path: &Path) -> Result<KitFile, Vec<Problem>> {
        let document = Document::read(path)?;
        if has_only_a_kit(&document.text) {
            return KitFile::from_text(path, &document.text);
        }
        let site = SiteFile::load(path)?;
        let frame_text = frame_table(&document)?;
        Ok(KitFile { source: site.source.clone(), frame: site.frame.clone(), frame_text, site: Some(site) })
    }

    /// The same from a text without a site; `name` is for messages.
    ///
    /// # Errors
    /// As [`KitFile::load`].
    pub fn from_text(name: &Path, text: &str) -> Result<KitFile, Vec<Problem>> {
        let document = Document { file: name.to_owned(), text: text.to_owned() };
        let (source, frame, frame_text) = kit_tables(&document)?;
        Ok(KitFile { site: None, source, frame, frame_text })
    }
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
