//! What follows from a site before the first range comes: geometry, mirror places, reach, calibration, frames whose age
//! can't be seen. Facts that many anchors share are reported once.

use hereabout_core::{AnchorId, Micros, MirrorSide, Site};
use hereabout_engine::frozen_is_detectable;
use hereabout_solve::model::congruence::congruences;
use hereabout_solve::verify::site_check::{SiteCheck, SiteFact, Stretch};
use hereabout_wire::{FieldName, FrameSpec, RangeKind};

use crate::said::{Said, Topic};

fn fact(code: &'static str, words: impl Into<String>, advice: &str) -> Said {
    Said::new(Topic::SiteFact, code, words, advice)
}

/// All facts in words, geometry first.
pub fn all(found: &SiteCheck) -> Vec<Said> {
    let mut out: Vec<Said> = found.facts.iter().filter_map(single).collect();
    out.extend(long_links(&found.facts));
    out.extend(offsets(&found.facts));
    out
}

/// Orders that are listed; a square has seven.
const ORDERS_SHOWN: usize = 7;

/// Orders of the anchors under which the site looks the same to ranges.
pub fn same_shape(site: &Site) -> Option<Said> {
    let places: Vec<[f64; 3]> = site.anchors().iter().map(|a| a.at_m).collect();
    let orders = congruences(&places, site.dimension(), site.fence());
    let ids = |order: &[u8]| {
        let ids = order.iter().filter_map(|p| site.anchors().get(usize::from(*p))).map(|a| a.id.to_string());
        ids.collect::<Vec<_>>().join("-")
    };
    let own: Vec<u8> = (0..).take(places.len()).collect();
    let shown: Vec<String> = orders.iter().take(ORDERS_SHOWN).map(|order| ids(order)).collect();
    let more = match orders.len().saturating_sub(ORDERS_SHOWN) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    (!orders.is_empty()).then(|| {
        fact(
            "same_shape",
            format!(
                "the ranges alone can't tell the order of the anchors {} from {}{more}",
                ids(&own),
                shown.join(", ")
            ),
            "put the tag at a known place once (`hereabout calibrate SITE --at E,N`), or state an area_m that the mirrored \
             places lie out of",
        )
    })
}

/// The latency timer of the source's USB serial adapter, when it matters; in the words of the reader of the port, which
/// logs the same.
pub fn latency(words: String, advice: &str) -> Said {
    fact("latency_timer", words, advice)
}

/// White noise of a good range, metres: what modules have at best counts, unless the site states less (2 to 5 cm; common
/// practice, no source).
const WHITE_NOISE_M: f64 = 0.04;

/// What can't be seen of frames that are old, sent again or frozen.
pub fn freshness(site: &Site, frame: Option<&FrameSpec>) -> Vec<Said> {
    let Some(frame) = frame else { return Vec::new() };
    let mut out = Vec::new();
    let has = |field| frame.layout.counter_max(field).is_some();
    if !has(FieldName::Seq) && !has(FieldName::Millis) {
        out.push(fact(
            "no_counter",
            "frames carry neither a counter nor a clock: old ones that are sent again at the usual pace can't be told \
             from new ones"
                .to_owned(),
            "take the module's counter (seq) or clock (millis) into the layout, if it sends one",
        ));
    }
    let stated_m = site.anchors().iter().map(|a| a.range_sigma_m).fold(WHITE_NOISE_M, f64::min);
    let step_m = 1.0 / frame.unit.per_metre();
    let whole = matches!(frame.layout.range_kind(0), Some(RangeKind::Integer { .. }));
    if whole && !frozen_is_detectable(step_m, stated_m) {
        out.push(fact(
            "frozen_unseen",
            format!("ranges come in steps of {step_m} m: a module that hangs looks like a tag at rest"),
            "let the module send finer ranges, or a counter (seq)",
        ));
    }
    out
}

fn place(at_m: [f64; 3]) -> String {
    format!("{:.1} east, {:.1} north", at_m[0], at_m[1])
}

fn percent(share: f64) -> String {
    // A tenth of a per cent is still a place where somebody may stand.
    if share < 0.01 { "less than 1 %".to_owned() } else { format!("{:.0} %", share * 100.0) }
}

/// Facts that stand for themselves.
fn single(f: &SiteFact) -> Option<Said> {
    Some(match f {
        SiteFact::WeakHdop { share, limit_hdop: limit } => fact(
            "weak_hdop",
            format!(
                "in {} of the area the position is more than {limit} times as uncertain as a range",
                percent(*share)
            ),
            "an anchor on the far side of that part would mend it; --svg draws where",
        ).sending(),
        SiteFact::NoPosition { share, at_m } => fact(
            "no_position",
            format!("{} of the area has no position, for example at {}", percent(*share), place(*at_m)),
            "add an anchor within reach of it, or make area_m smaller",
        ).sending(),
        SiteFact::NearlyOnLine { across_m, along_m, mirror } => fact(
            "nearly_on_a_line",
            format!(
                "seen from above the anchors lie nearly on a line: {across_m:.1} m across, {along_m:.1} m along"
            ),
            match mirror {
                MirrorSide::Excluded => {
                    "the area excludes the mirror places; across the line positions stay weak: move one anchor off it"
                }
                MirrorSide::Open => {
                    "a place and its mirror on the other side fit about equally well: move one anchor off the line, or state area_m on one side of it"
                }
            },
        ).sending(),
        SiteFact::NearlyOnPlane { thickness_m, mirror } => fact(
            "nearly_on_a_plane",
            format!("the anchors lie nearly in one plane, {thickness_m:.1} m thick"),
            match mirror {
                MirrorSide::Excluded => {
                    "the area and up_span_m exclude the mirror places; across the plane positions stay weak"
                }
                MirrorSide::Open => {
                    "a place and its mirror fit about equally well: put one anchor well off the plane, or state up_span_m"
                }
            },
        ).sending(),
        SiteFact::LittleHeightSpread { spread_m, need_m } => fact(
            "little_height_spread",
            format!(
                "the anchors differ by {spread_m:.1} m in height, {need_m:.1} m or more are needed for a height"
            ),
            "put some anchors low, or use dimension = \"2d\" with tag_height_m",
        ).sending(),
        SiteFact::AllAbove { least_m } => fact(
            "all_above",
            format!("every anchor is above the tag, by {least_m:.1} m or more: height is weak"),
            "put an anchor near the floor",
        ).sending(),
        SiteFact::AllBelow { least_m } => fact(
            "all_below",
            format!("every anchor is below the tag, by {least_m:.1} m or more: height is weak"),
            "put an anchor high up",
        ).sending(),
        SiteFact::FewInSight { share, at_m, have, need } => fact(
            "few_in_sight",
            format!(
                "in {} of the area fewer than {need} anchors are within 15 m, for example {have} at {}",
                percent(*share),
                place(*at_m)
            ),
            "a checked position needs that many dependably in sight (15 m: common practice); add an anchor there",
        ).sending(),
        _ => return None,
    })
}

/// The far links, one line for each degree.
fn long_links(facts: &[SiteFact]) -> Vec<Said> {
    let degree = |wanted: Stretch| {
        let far = facts.iter().filter_map(|f| match f {
            SiteFact::LongLink { anchor, farthest_m, stretch } if *stretch == wanted => {
                Some((*anchor, *farthest_m))
            }
            _ => None,
        });
        let far: Vec<(AnchorId, f64)> = far.collect();
        let most = far.iter().map(|(_, m)| *m).fold(0.0, f64::max);
        let who = list(far.iter().map(|(a, _)| *a));
        (!far.is_empty()).then(|| {
            let what = format!("{who}: up to {most:.1} m from part of the area");
            match wanted {
                Stretch::OutOfReach => fact(
                    "out_of_reach",
                    what,
                    "beyond what radios of this kind reach at best (25 to 30 m): nothing is heard there",
                ),
                Stretch::NotDependable => fact(
                    "not_dependable",
                    what,
                    "beyond what is dependable in free sight (15 m): expect gaps there",
                ),
                Stretch::NeedsSight => fact(
                    "needs_sight",
                    what,
                    "beyond what goes through obstacles (10 m): keep the line of sight free",
                ),
            }
        })
    };
    [Stretch::OutOfReach, Stretch::NotDependable, Stretch::NeedsSight]
        .into_iter()
        .filter_map(degree)
        .collect()
}

/// What is to be said about calibrations, one line for each kind.
fn offsets(facts: &[SiteFact]) -> Vec<Said> {
    let who = |pick: fn(&SiteFact) -> Option<AnchorId>| list(facts.iter().filter_map(pick));
    let missing = who(|f| if let SiteFact::OffsetMissing { anchor } = f { Some(*anchor) } else { None });
    let rough = who(|f| if let SiteFact::OffsetRough { anchor, .. } = f { Some(*anchor) } else { None });
    let mut out = Vec::new();
    if !missing.is_empty() {
        out.push(fact(
            "offset_missing",
            format!("{missing}: not calibrated"),
            "boards read 5 cm long to 30 cm short as they come (common practice): run `hereabout calibrate`",
        ));
    }
    if !rough.is_empty() {
        out.push(fact(
            "offset_rough",
            format!("{rough}: the offset is known to more than 3 cm only"),
            "calibrate at more places; more seconds at one place do not help",
        ));
    }
    out.extend(facts.iter().filter_map(|f| {
        match f {
            SiteFact::OffsetOdd { anchor, offset_m } => Some(
                fact(
                    "offset_odd",
                    format!(
                        "anchor {anchor}: an offset of {offset_m:+.2} m is a wrong coordinate, as a rule"
                    ),
                    "measure its antenna's place again, then calibrate",
                )
                .sending(),
            ),
            _ => None,
        }
    }));
    let old: Vec<(AnchorId, Micros)> = facts
        .iter()
        .filter_map(
            |f| if let SiteFact::OffsetOld { anchor, age } = f { Some((*anchor, *age)) } else { None },
        )
        .collect();
    if let Some(oldest) = old.iter().map(|(_, age)| age.secs_f64()).reduce(f64::max) {
        let ids = list(old.iter().map(|(a, _)| *a));
        let what = format!("{ids}: calibrated up to {:.0} days ago", oldest / 86_400.0);
        out.push(fact(
            "offset_old",
            what,
            "verify at checkpoints; calibrate again after changes of boards, tags or weather",
        ));
    }
    out
}

/// `anchor 3` or `anchors 0, 3, 4`; empty for none.
fn list(ids: impl Iterator<Item = AnchorId>) -> String {
    let ids: Vec<String> = ids.map(|id| id.to_string()).collect();
    match ids.as_slice() {
        [] => String::new(),
        [one] => format!("anchor {one}"),
        many => format!("anchors {}", many.join(", ")),
    }
}

#[cfg(test)]
mod tests;
