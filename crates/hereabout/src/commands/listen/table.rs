//! The live table of `listen` as lines of text, for any width.
//!
//! ```text
//! Larkfield nursery  sim://scenario.toml  connected
//! 10.0 frames a second, 412 so far, 41 s; Ctrl-C stops
//!
//!    id  name             range m    Hz frames spread m  last minute
//!     0  shed corner        4.213  10.0  100 %    0.042  ▃▄▅▆▇█▇▆▅▄▃▂▁
//! ```
//! Fits 80 columns; from [`WIDE`] columns on there are more. What is odd stands below, in words.

use hereabout_commission::hearing::{HeardAnchor, HearingTable};
use hereabout_core::AnchorState;
use hereabout_ingest::LinkStatus;
use hereabout_words::hearing::{self, Names};
use hereabout_words::link as link_words;

use crate::picture::sparkline::sparkline;
use crate::terminal::{Line, Look, wrap};

/// From here on there are columns for the age, the nearest and the farthest range.
const WIDE: usize = 110;
/// Characters of a line before the picture of the last minute, without and with the wide columns.
const BEFORE_MINUTE: [usize; 2] = [56, 82];
/// More characters for a minute would only repeat its seconds.
const MAX_MINUTE_S: usize = hereabout_commission::hearing::MINUTE_S;
/// The picture's scale spans at least this, so that noise is a flat line.
const MIN_SPAN_M: f64 = 1.0;
const NAME_CHARS: usize = 16;

/// All that is shown.
pub(super) struct View<'a> {
    pub(super) title: &'a str,
    pub(super) port: &'a str,
    pub(super) link: Option<&'a LinkStatus>,
    pub(super) names: &'a Names,
    /// Good frames so far.
    pub(super) frames: u64,
    /// Bytes so far.
    pub(super) bytes: u64,
    /// Since the first frame.
    pub(super) seconds: f64,
    pub(super) several_tags: bool,
    pub(super) table: &'a HearingTable,
    /// What speaks against the site, in words.
    pub(super) site_fault: Option<&'a str>,
}

impl View<'_> {
    /// The lines for a terminal of so many columns, none of them longer.
    pub(super) fn lines(&self, columns: usize) -> Vec<Line> {
        let width = columns.saturating_sub(1).max(20);
        let mut lines = vec![Line::new(Look::Bold, self.head()), Line::new(Look::Plain, self.counts())];
        if let Some(LinkStatus::Waiting { reason }) = self.link {
            warn(
                &mut lines,
                &format!("waiting: {}: {}", link_words::words(reason), link_words::advice(reason)),
                width,
            );
        }
        lines.push(Line::new(Look::Plain, ""));
        lines.push(Line::new(Look::Bold, heading(columns)));
        lines.extend(self.table.rows.iter().map(|row| self.row(row, columns)));
        if !self.table.warnings.is_empty() || self.site_fault.is_some() {
            lines.push(Line::new(Look::Plain, ""));
        }
        if let Some(site_fault) = self.site_fault {
            warn(&mut lines, site_fault, width);
        }
        for warning in &self.table.warnings {
            warn(&mut lines, &hearing::line(warning, self.names, self.several_tags), width);
        }
        for line in &mut lines {
            line.text = line.text.chars().take(width).collect::<String>().trim_end().to_owned();
        }
        lines
    }

    fn head(&self) -> String {
        let link = match self.link {
            Some(LinkStatus::Connected { .. }) => "connected",
            Some(LinkStatus::Waiting { .. }) => "waiting",
            None => "opening",
        };
        format!("{}  {}  {link}", self.title, self.port)
    }

    fn counts(&self) -> String {
        format!(
            "{:.1} frames a second, {} so far, {} bytes, {:.0} s; Ctrl-C stops",
            self.table.frames_hz, self.frames, self.bytes, self.seconds
        )
    }

    fn row(&self, row: &HeardAnchor, columns: usize) -> Line {
        let heard = row.state == AnchorState::Heard;
        let id =
            if self.several_tags { format!("{}/{}", row.tag, row.anchor) } else { row.anchor.to_string() };
        let name: String = self.names.name(row.anchor).chars().take(NAME_CHARS).collect();
        let range = number(row.range_m.filter(|_| heard), 3);
        let share = number(row.share.map(|s| 100.0 * s), 0);
        let spread = number(row.spread_m.filter(|_| heard), 3);
        let mut text =
            format!("{id:>5}  {name:<NAME_CHARS$} {range:>8} {:>5.1} {share:>4} % {spread:>8}", row.rate_hz);
        if columns >= WIDE {
            let ago = number(row.ago.map(|a| a.secs_f64()), 1);
            let [near, far] = [0, 1].map(|i| number(row.span_m.map(|s| s[i]), 2));
            text += &format!(" {ago:>7} {near:>8} {far:>8}");
        }
        let picture = sparkline(&row.minute_m, minute_chars(columns), MIN_SPAN_M);
        let look = match row.state {
            AnchorState::Heard => Look::Plain,
            AnchorState::NeverHeard => Look::Faint,
            AnchorState::Silent => Look::Warning,
        };
        Line::new(look, format!("{text}  {picture}"))
    }
}

fn heading(columns: usize) -> String {
    let name = "name";
    let mut text = format!(
        "{:>5}  {name:<NAME_CHARS$} {:>8} {:>5} {:>6} {:>8}",
        "id", "range m", "Hz", "frames", "spread m"
    );
    if columns >= WIDE {
        text += &format!(" {:>7} {:>8} {:>8}", "heard s", "nearest", "farthest");
    }
    text + "  last minute"
}

/// Room for the picture of the last minute.
fn minute_chars(columns: usize) -> usize {
    let before = BEFORE_MINUTE[usize::from(columns >= WIDE)];
    columns.saturating_sub(before + 1).min(MAX_MINUTE_S)
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}

fn warn(lines: &mut Vec<Line>, text: &str, width: usize) {
    let wrapped = wrap(&format!("! {text}"), width, "  ");
    lines.extend(wrapped.into_iter().map(|line| Line::new(Look::Warning, line)));
}

#[cfg(test)]
mod tests;
