//! `[source]` and `[frame]` as texts that can be written again.

use crate::toml_doc::quoted;

/// The `[frame]` table as text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameText {
    /// `layout`, `layout_text` or `layout_json`.
    pub key: &'static str,
    /// The layout.
    pub layout: String,
    /// The unit.
    pub unit: String,
    /// Words for "no range", as TOML writes them.
    pub no_range: Vec<String>,
}

impl FrameText {
    /// The table, ready to be written.
    pub fn toml(&self) -> String {
        let mut out =
            format!("[frame]\n{} = {}\nunit = {}\n", self.key, quoted(&self.layout), quoted(&self.unit));
        match &self.no_range[..] {
            [] => {}
            [one] => out += &format!("no_range = {one}\n"),
            many => out += &format!("no_range = [{}]\n", many.join(", ")),
        }
        out
    }
}

/// The `[source]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceText {
    /// A device path or a URL.
    pub port: String,
    /// Baud of a serial port.
    pub baud: u32,
    /// What becomes of a serial port's DTR and RTS at opening, as [`hereabout_ingest::Source::Serial`] has it.
    pub dtr: Option<bool>,
}
