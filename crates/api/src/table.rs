//! `/v1/anchors.txt`: the anchors' health for people at a terminal, worst first.
//!
//! Each anchor has a row and, when something is to be done, a line of advice under it. No line is
//! longer than 80 characters.

use std::fmt::Write;

use hereabout_core::{Anchor, Timestamp};
use hereabout_engine::{AnchorHealth, AnchorState, AnchorTable};

use crate::{
    health::Finding,
    hub::{LinkState, LinkStatus, SiteInfo},
    v1::rfc3339,
};

const WIDTH: usize = 80;

/// The whole page.
pub(crate) fn anchors_text(
    site: &SiteInfo,
    source: &str,
    link: &LinkStatus,
    table: Option<&AnchorTable>,
    now: Timestamp,
) -> String {
    let link_is_up = link.state == LinkState::Connected;
    let mut out = String::new();
    line(&mut out, &format!("Anchors of {} at {}, worst first", fit(&site.name, 30), rfc3339(now)));
    line(&mut out, &link_line(source, link, now));
    line(&mut out, "");
    line(
        &mut out,
        &format!(
            "{:>5}  {:<18} {:<11} {:>9} {:>7} {:>6} {:>7} {:>8}",
            "id", "name", "state", "last", "rate Hz", "frames", "misfit", "off m"
        ),
    );
    let mut rows: Vec<_> = site
        .anchors
        .iter()
        .map(|a| (a, table.and_then(|t| t.rows.iter().find(|r| r.anchor == a.id))))
        .map(|(a, health)| (Finding::of(health), a, health))
        .collect();
    rows.sort_by_key(|(finding, ..)| finding.rank()); // stable: site order among equals
    for (finding, anchor, health) in rows {
        line(&mut out, &row(anchor, health, now));
        let advice = finding.advice(anchor.id, link_is_up);
        line(&mut out, &format!("     {}", advice.as_deref().unwrap_or("nothing to do")));
    }
    line(&mut out, "");
    line(&mut out, "last: since its last range. frames: share that had a range of it. misfit: share");
    line(&mut out, "of its ranges left out. off: mean of measured minus computed. All over 10 s.");
    out
}

fn link_line(source: &str, link: &LinkStatus, now: Timestamp) -> String {
    let held = ago(now, link.since);
    match link.state {
        LinkState::Connected => format!("Link: connected for {held}, {source}"),
        LinkState::Waiting => {
            format!("Link: WAITING for {held}: {}", link.reason.as_deref().unwrap_or(source))
        }
    }
}

fn row(anchor: &Anchor, health: Option<&AnchorHealth>, now: Timestamp) -> String {
    let state = match health.map(|h| h.state) {
        Some(AnchorState::Heard) => "heard",
        Some(AnchorState::Silent) => "silent",
        Some(AnchorState::NeverHeard) | None => "never heard",
    };
    let percent = |v: Option<f64>| v.map_or("-".into(), |v| format!("{:.0} %", v * 100.0));
    format!(
        "{:>5}  {:<18} {:<11} {:>9} {:>7} {:>6} {:>7} {:>8}",
        anchor.id.0,
        fit(&anchor.name, 18),
        state,
        health.and_then(|h| h.last_heard).map_or("-".into(), |t| ago(now, t)),
        health.map_or("-".into(), |h| format!("{:.1}", h.rate_hz)),
        percent(health.and_then(|h| h.share)),
        percent(health.and_then(|h| h.rejected_share)),
        health.and_then(|h| h.mean_residual_m).map_or("-".into(), |m| format!("{m:+.2}")),
    )
}

/// A length of time in one short word and its unit.
fn ago(now: Timestamp, then: Timestamp) -> String {
    let s = now.since(then).secs_f64().max(0.0);
    match s {
        s if s < 100.0 => format!("{s:.1} s"),
        s if s < 6_000.0 => format!("{:.0} min", s / 60.0),
        s if s < 360_000.0 => format!("{:.0} h", s / 3_600.0),
        s => format!("{:.0} d", s / 86_400.0),
    }
}

/// At most `width` characters, without anything that moves a terminal's cursor.
fn fit(text: &str, width: usize) -> String {
    let clean = || text.chars().map(|c| if c.is_control() { '?' } else { c });
    if text.chars().count() <= width {
        return clean().collect();
    }
    clean().take(width - 1).chain(['…']).collect()
}

fn line(out: &mut String, text: &str) {
    // Writing into a String does not fail.
    let _ = writeln!(out, "{}", fit(text.trim_end(), WIDTH));
}
