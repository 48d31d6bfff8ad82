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
use hereabout_engine::AnchorState;
use hereabout_ingest::LinkStatus;
use hereabout_words::hearing::{self, Names};
use hereabout_words::link as link_words;

use crate::sparkline::sparkline;
use crate::terminal::{Line, Look, wrap};

/// From here on there are columns for the age, the nearest and the farthest range.
const WIDE: usize = 110;
/// Characters of a line before the picture of the last minute, without and with the wide columns.
const BEFORE_MINUTE: [usize; 2] = [56, 82];
/// More characters for a minute would only repeat its seconds.
const LONGEST_MINUTE: usize = hereabout_commission::hearing::MINUTE_S;
/// The picture's scale spans at least this, so that noise is a flat line.
const LEAST_SPAN_M: f64 = 1.0;
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
    pub(super) misfit: Option<&'a str>,
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
        if !self.table.warnings.is_empty() || self.misfit.is_some() {
            lines.push(Line::new(Look::Plain, ""));
        }
        if let Some(misfit) = self.misfit {
            warn(&mut lines, misfit, width);
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
        let picture = sparkline(&row.minute_m, minute_chars(columns), LEAST_SPAN_M);
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
    columns.saturating_sub(before + 1).min(LONGEST_MINUTE)
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.decimals$}"))
}

fn warn(lines: &mut Vec<Line>, text: &str, width: usize) {
    let wrapped = wrap(&format!("! {text}"), width, "  ");
    lines.extend(wrapped.into_iter().map(|line| Line::new(Look::Warning, line)));
}

#[cfg(test)]
mod tests {
    use hereabout_commission::hearing::Hearing;
    use hereabout_core::{AnchorId, Epoch, Micros, RangeReading, TagId, Timestamp};

    use super::*;

    /// Twelve seconds of three range fields, the last of which stops half-way.
    fn table(tags: u32) -> HearingTable {
        let start = Timestamp::from_micros(1_700_000_000_000_000);
        let mut hearing = Hearing::new((0..3).map(AnchorId));
        for i in 0..=120_i64 {
            let reading = |id: u16| RangeReading {
                anchor: AnchorId(id),
                raw_range_m: (id < 2 || i < 60).then(|| 3.0 + f64::from(id) + i as f64 * 0.05),
            };
            let at = start.plus(Micros::from_millis(i * 100));
            let readings = (0..3).map(reading).collect();
            hearing.hear(&Epoch::new(at, TagId(i as u32 % tags), None, readings));
        }
        hearing.table(start.plus(Micros::from_millis(12_000)))
    }

    fn lines(tags: u32, columns: usize) -> Vec<Line> {
        lines_with(tags, columns, None)
    }

    fn lines_with(tags: u32, columns: usize, misfit: Option<&str>) -> Vec<Line> {
        let table = table(tags);
        let names = Names::of_fields(3);
        let view = View {
            misfit,
            title: "no site",
            port: "/dev/kit",
            link: Some(&LinkStatus::Connected { latency_ms: None }),
            names: &names,
            frames: 121,
            bytes: 2541,
            seconds: 12.0,
            several_tags: tags > 1,
            table: &table,
        };
        view.lines(columns)
    }

    #[test]
    fn no_line_is_longer_than_the_terminal_is_wide() {
        for columns in [20, 40, 79, 80, 109, 110, 120, 400] {
            for tags in [1, 2] {
                for line in lines(tags, columns) {
                    assert!(line.text.chars().count() < columns.max(21), "{columns}: {}", line.text);
                }
            }
        }
    }

    #[test]
    fn a_site_that_does_not_fit_stands_first_of_what_is_odd() {
        let told =
            "ranges and site file don't fit: 31 % explained. With unit = \"cm\" 97 % fit within 0.36 m";
        for columns in [40, 80, 120] {
            let lines = lines_with(1, columns, Some(told));
            assert!(lines.iter().all(|l| l.text.chars().count() < columns), "{columns}");
            let odd: Vec<&Line> = lines.iter().filter(|l| l.text.starts_with("! ")).collect();
            assert!(odd[0].look == Look::Warning && odd[0].text.contains("ranges and site file"), "{odd:?}");
            let words: String = lines.iter().map(|l| l.text.trim().to_owned() + " ").collect();
            assert!(words.contains("unit = \"cm\""), "{words}");
        }
    }

    #[test]
    fn the_picture_of_the_minute_begins_under_its_heading_at_every_width() {
        for columns in [80, 100, 120] {
            let lines = lines(1, columns);
            let place = lines[3].text.chars().position(|c| c == 'l').unwrap();
            assert_eq!(lines[3].text.chars().skip(place).collect::<String>(), "last minute");
            let picture: String = lines[4].text.chars().skip(place).collect();
            assert_eq!(picture.chars().count(), minute_chars(columns), "{picture}");
            assert_eq!(picture.trim_start().chars().last(), Some('█'), "it walks away: {picture}");
        }
    }

    #[test]
    fn an_anchor_that_vanished_is_marked_in_its_row_and_in_words() {
        let lines = lines(1, 80);
        assert_eq!(lines[6].look, Look::Warning);
        assert!(lines[6].text.contains(" - "), "{}", lines[6].text);
        let words: String = lines[8..].iter().map(|l| l.text.trim().to_owned() + " ").collect();
        assert!(words.contains("range field 2 vanished 6 s ago"), "{words}");
        assert!(words.contains("back in 2-3 s after power is usual"), "{words}");
        assert!(self::lines(1, 120)[3].text.contains("farthest"));
        assert!(self::lines(2, 80)[4].text.trim_start().starts_with("0/0"), "tags are told apart");
    }
}
