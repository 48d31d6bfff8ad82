//! `/v1/anchors.txt`: the anchors' health for people at a terminal, worst first.
//!
//! What is the matter with the kit as a whole stands first: with a tag that is switched off no anchor needs a
//! visit. Each anchor has a row, under it what is found, and one line of advice. No line is wider than 80
//! columns of a terminal, whatever people wrote into the site file: a sign of Chinese takes two columns, and
//! what moves a cursor or turns the direction of writing takes a question mark.

use std::fmt::Write;

use hereabout_core::{Anchor, AnchorState, Timestamp};
use hereabout_draw::text::fit;
use hereabout_engine::AnchorFinding;
use hereabout_words::time::{ago, rfc3339, span};
use hereabout_words::{CAUTION, kit, link, place};
use unicode_width::UnicodeWidthStr;

use crate::{
    current::Current,
    current::place_summary::PlaceSummary,
    health::Diagnosis,
    state::expiry::{AnchorNow, FIGURES_HOLD},
    state::{Connectivity, LinkView},
};

const WIDTH: usize = 80;
/// Before what is found, and before what to do.
const FOUND: &str = "     ";
const ADVICE: &str = "  -> ";

/// The whole page.
pub(crate) fn anchors_text(current: &Current<'_>, source: &str) -> String {
    let (site, clock) = (current.site, current.clock);
    let mut out = String::new();
    line(&mut out, &format!("Anchors of {} at {}, worst first", fit(&site.name, 30), rfc3339(clock)));
    line(&mut out, &link_line(source, &current.now.link, clock));
    stale_line(&mut out, current);
    let on_site = kit_lines(&mut out, current);
    line(&mut out, "");
    heading(&mut out);
    let around = current.around();
    let mut rows: Vec<_> = site
        .anchors
        .iter()
        .map(|a| (a, current.anchor(a)))
        .map(|(a, now)| (Diagnosis::of(a.id, now.as_ref().map(|n| &n.health), around), a, now))
        .collect();
    rows.sort_by_key(|(diagnosis, ..)| diagnosis.rank()); // stable: site order among equals
    for (diagnosis, anchor, now) in &rows {
        row(&mut out, anchor, now.as_ref(), clock);
        found(&mut out, diagnosis);
    }
    line(&mut out, "");
    places_lines(&mut out, &current.places());
    let on_site = on_site || rows.iter().any(|(d, ..)| d.said().any(|s| s.on_site));
    foot(&mut out, on_site, rows.iter().flat_map(|(d, ..)| d.findings.iter().map(|(f, _)| f)));
    out
}

fn link_line(source: &str, view: &LinkView, now: Timestamp) -> String {
    let held = ago(now, view.since);
    match view.state {
        Connectivity::Connected => link::connected_line(&held, source),
        Connectivity::Waiting => link::waiting_line(&held, view.reason.as_deref().unwrap_or(source)),
    }
}

/// Says that the table is of the past, when it is.
fn stale_line(out: &mut String, current: &Current<'_>) {
    match current.nothing_for() {
        None => line(out, "NO DATA yet: no range of any anchor was heard since the start."),
        Some(age) if age > FIGURES_HOLD => {
            let age = span(age);
            line(
                out,
                &format!("NO DATA for {age}: no range of any anchor came since. This table is of then."),
            );
        }
        Some(_) => {}
    }
}

/// What is the matter with the kit; whether that sends somebody to a place of danger.
fn kit_lines(out: &mut String, current: &Current<'_>) -> bool {
    let said: Vec<_> = current.now.kit().map(|k| kit::found(k, current.site.into())).collect();
    if !said.is_empty() {
        line(out, "");
        line(out, "The kit as a whole:");
    }
    for s in &said {
        wrapped(out, FOUND, &s.words);
        wrapped(out, ADVICE, &s.advice);
    }
    said.iter().any(|s| s.on_site)
}

fn heading(out: &mut String) {
    let names = ["state", "last", "rate Hz", "frames", "misfit", "off m"].map(str::to_owned);
    columns(out, "id", "name", &names);
}

fn row(out: &mut String, anchor: &Anchor, now: Option<&AnchorNow>, clock: Timestamp) {
    let health = now.map(|n| &n.health);
    let state = match health.map(|h| h.state) {
        Some(AnchorState::Heard) => "heard",
        Some(AnchorState::Silent) => "silent",
        Some(AnchorState::NeverHeard) | None => "never heard",
    };
    let percent = |v: Option<f64>| v.map_or("-".into(), |v| format!("{:.0} %", v * 100.0));
    let figures = [
        state.to_owned(),
        health.and_then(|h| h.last_heard).map_or("-".into(), |t| ago(clock, t)),
        now.and_then(|n| n.rate_hz).map_or("-".into(), |r| format!("{r:.1}")),
        percent(health.and_then(|h| h.share)),
        percent(health.and_then(|h| h.rejected_share)),
        health.and_then(|h| h.mean_residual_m).map_or("-".into(), |m| format!("{m:+.2}")),
    ];
    columns(out, &anchor.id.to_string(), &anchor.name, &figures);
}

fn columns(out: &mut String, id: &str, name: &str, [state, last, rate, frames, misfit, off]: &[String; 6]) {
    let name = padded(&fit(name, 18), 18);
    line(out, &format!("{id:>5}  {name} {state:<11} {last:>9} {rate:>7} {frames:>6} {misfit:>7} {off:>8}"));
}

/// What is found about one anchor, and what to do about the worst of it.
fn found(out: &mut String, diagnosis: &Diagnosis) {
    for said in diagnosis.said() {
        wrapped(out, FOUND, &said.words);
    }
    if let Some(words) = diagnosis.treated {
        wrapped(out, FOUND, words);
    }
    match diagnosis.advice() {
        Some(advice) => wrapped(out, ADVICE, advice),
        None => line(out, &format!("{FOUND}nothing to do")),
    }
}

/// What can be said of the places of all anchors that are not suspected, once.
fn places_lines(out: &mut String, places: &PlaceSummary) {
    if let Some(limit_m) = places.unchanged_m {
        let shown = place::would_have_shown(limit_m);
        wrapped(out, "", &format!("Places: no other sign of a move; {shown}."));
    }
    if let Some(not_told) = &places.undecided {
        wrapped(out, "", &format!("Places: {}.", not_told.words));
        wrapped(out, ADVICE, &not_told.advice);
    }
}

fn foot<'a>(out: &mut String, on_site: bool, mut findings: impl Iterator<Item = &'a AnchorFinding>) {
    let directed = |f: &AnchorFinding| {
        matches!(
            f,
            AnchorFinding::Moved { .. } | AnchorFinding::OftenNlos { worst_direction_deg: Some(_), .. }
        )
    };
    line(out, "last: since its last range. frames: share that had a range of it. misfit: share");
    line(out, "of its ranges left out. off: mean of measured minus computed. All over 10 s.");
    if findings.any(directed) {
        line(out, "\u{b1}: one standard error. North is where the site file's second axis points.");
    }
    if on_site {
        line(out, CAUTION);
    }
}

/// With blanks up to `width` columns.
fn padded(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(text.width())))
}

/// One line, or more where it takes more, each as far in as the first.
fn wrapped(out: &mut String, lead: &str, text: &str) {
    let indent = lead.width();
    for (i, part) in folded(text, WIDTH - indent).iter().enumerate() {
        let before = if i == 0 { lead.to_owned() } else { " ".repeat(indent) };
        line(out, &format!("{before}{part}"));
    }
}

/// A text in lines of at most `width` columns, cut at blanks where there are some.
pub(crate) fn folded(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(last) if last.width() + 1 + word.width() <= width => {
                last.push(' ');
                last.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.iter().map(|l| fit(l, width)).collect()
}

fn line(out: &mut String, text: &str) {
    // Writing into a String does not fail.
    let _ = writeln!(out, "{}", fit(text.trim_end(), WIDTH));
}

#[cfg(test)]
mod tests;
