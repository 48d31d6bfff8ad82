//! Text on a drawing, and text that is cut to a number of columns.

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use hereabout_core::is_plain;

use crate::xml::escaped;

/// Text with a light rim, so that it can be read on any colour.
pub fn label(x: f64, y: f64, side: &str, fill: &str, text: &str) -> String {
    let text: String = text.chars().take(28).collect();
    rimmed(x, y, side, &format!("fill=\"{fill}\" stroke=\"#fff\""), &text)
}

/// Text with a rim; `paint` are the attributes that colour both.
pub fn rimmed(x: f64, y: f64, side: &str, paint: &str, text: &str) -> String {
    format!(
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{side}\" {paint} stroke-width=\"3\" \
         stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>\n",
        escaped(text)
    )
}

/// At most `width` columns, without anything that moves a terminal's cursor or turns the writing round.
pub fn fit(text: &str, width: usize) -> String {
    let clean: String = text.chars().map(|c| if is_plain(c) { c } else { '?' }).collect();
    // Signs without a width (accents of their own) are few in any name; without end they are no name.
    if clean.width() <= width && clean.chars().count() <= 4 * width {
        return clean;
    }
    let mut kept = String::new();
    let mut used = 1; // the ellipsis
    for c in clean.chars().take(4 * width) {
        used += c.width().unwrap_or(0);
        if used > width {
            break;
        }
        kept.push(c);
    }
    kept.push('…');
    kept
}
