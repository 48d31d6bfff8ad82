//! What a tag is to a zone: one plain sentence, and why, for programs.

use hereabout_core::{TagId, Timestamp, ZoneState};
use hereabout_engine::{ZoneReport, ZoneWhy};

use crate::output::tag;
use crate::said::{Said, Topic};
use crate::time::{instant, rfc3339};

/// A tag that a zone is about and of which there is no report.
#[derive(Clone, Debug, PartialEq)]
pub enum Unheard {
    /// No tag at all is admitted, and the zone is about any.
    Any,
    /// It has not been heard since the start.
    Never {
        /// The number that the kit gives the tag.
        tag: TagId,
        /// What people call it, if the site lists it.
        name: Option<String>,
    },
    /// It was retired; since when it is silent.
    Silent {
        /// The number that the kit gives the tag.
        tag: TagId,
        /// What people call it, if the site lists it.
        name: Option<String>,
        /// Its last frame.
        since: Timestamp,
    },
    /// It is admitted, and nothing was said of it yet.
    NotYet {
        /// The number that the kit gives the tag.
        tag: TagId,
        /// What people call it, if the site lists it.
        name: Option<String>,
    },
}

/// What a report says about the zone of this name; `tag_name` is what people call the tag, if the site lists it.
pub fn reported(report: &ZoneReport, zone: &str, tag_name: Option<&str>) -> Said {
    Said::new(Topic::Zone, code(report.why), sentence(report, zone, tag_name), "")
}

/// What is said of the zone of this name where there is no report.
pub fn unheard(zone: &str, unheard: &Unheard) -> Said {
    let whether = |tag: &TagId, name: &Option<String>| {
        format!("Whether {} is inside {zone} is not known", tag::named(*tag, name.as_deref()))
    };
    let (code, words) = match unheard {
        Unheard::Any => (
            code(ZoneWhy::NeverHeard),
            format!("Whether a tag is inside {zone} is not known: none is heard at present."),
        ),
        Unheard::Never { tag, name } => (
            code(ZoneWhy::NeverHeard),
            format!("{}: it has not been heard since the start.", whether(tag, name)),
        ),
        Unheard::Silent { tag, name, since } => {
            (code(ZoneWhy::NoData), format!("{}: it fell silent at {}.", whether(tag, name), instant(*since)))
        }
        Unheard::NotYet { tag, name } => {
            (code(ZoneWhy::Undecided), format!("{}: it was admitted a moment ago.", whether(tag, name)))
        }
    };
    Said::new(Topic::Zone, code, words, "")
}

/// Why a zone is in its state, for programs.
pub fn code(why: ZoneWhy) -> &'static str {
    match why {
        ZoneWhy::Probability => "probability",
        ZoneWhy::Range => "range",
        ZoneWhy::Undecided => "undecided",
        ZoneWhy::Contradicted => "contradicted",
        ZoneWhy::RangeBeyond => "range_beyond",
        ZoneWhy::NeverHeard => "never_heard",
        ZoneWhy::NoData => "no_data",
        ZoneWhy::Lost => "lost",
        ZoneWhy::Ambiguous => "ambiguous",
        ZoneWhy::Coasting => "coasting",
        ZoneWhy::Unchecked => "unchecked",
        ZoneWhy::OutsideFence => "outside_fence",
        ZoneWhy::ProtectionRadius { .. } => "protection_radius",
        ZoneWhy::DuplicateId => "two_boards",
        ZoneWhy::SiteDoubted => "site_doubted",
        ZoneWhy::Changed => "changed",
        ZoneWhy::Settling { .. } => "settling",
    }
}

/// One plain sentence about a report; `tag_name` is what people call the tag.
fn sentence(report: &ZoneReport, zone: &str, tag_name: Option<&str>) -> String {
    let begins = tag::begins(report.tag, tag_name);
    match report.state {
        ZoneState::Inside => format!("{begins} is inside {zone}{}.", evidence(report)),
        ZoneState::Outside => format!("{begins} is outside {zone}{}.", evidence(report)),
        ZoneState::Unknown => {
            let tag = tag::named(report.tag, tag_name);
            format!("Whether {tag} is inside {zone} is not known: {}.", reason(report.why))
        }
    }
}

/// What speaks for inside or outside.
fn evidence(report: &ZoneReport) -> String {
    let mut parts = Vec::new();
    if report.why == ZoneWhy::Range {
        parts.push("by its range to the anchor".to_owned());
    }
    if let Some(p) = report.probability.filter(|p| p.is_finite()) {
        parts.push(format!("with a probability of {} of being inside", percent(p)));
    }
    if let Some(depth) = report.depth_m.filter(|d| d.is_finite()) {
        parts.push(format!("{:.2} m from its border", depth.abs()));
    }
    if parts.is_empty() { String::new() } else { format!(", {}", parts.join(", ")) }
}

/// A probability in words; what is not quite certain is not rounded to certainty.
fn percent(p: f64) -> String {
    match p {
        p if p > 0.999 && p < 1.0 => "more than 99.9 %".to_owned(),
        p if p > 0.0 && p < 0.001 => "less than 0.1 %".to_owned(),
        p => format!("{:.1} %", 100.0 * p),
    }
}

/// Why nobody can say.
fn reason(why: ZoneWhy) -> String {
    match why {
        ZoneWhy::Probability | ZoneWhy::Range | ZoneWhy::Undecided => {
            "it has been too close to the border to say either".to_owned()
        }
        ZoneWhy::Contradicted => {
            "the position says otherwise than before, and too few anchors agree, or not for long enough, to decide".to_owned()
        }
        ZoneWhy::RangeBeyond => {
            "its ranges are longer than the distance for leaving, but blocked or reflected ranges look like that too".to_owned()
        }
        ZoneWhy::NeverHeard => "the tag has not been heard".to_owned(),
        ZoneWhy::NoData => "nothing was heard of the tag for as long as its last position holds".to_owned(),
        ZoneWhy::Lost => "the tag has no position".to_owned(),
        ZoneWhy::Ambiguous => "two places fit".to_owned(),
        ZoneWhy::Coasting => "the position is a prediction without fresh ranges".to_owned(),
        ZoneWhy::Unchecked => "no range is left over to check the position with".to_owned(),
        ZoneWhy::OutsideFence => {
            "the position is more than a metre outside of the fence, where the site file says that tags can't be".to_owned()
        }
        ZoneWhy::ProtectionRadius { radius_m: Some(radius), limit_m } if radius.is_finite() => {
            format!("the protection radius is {radius:.2} m where the zone allows {limit_m:.2} m")
        }
        ZoneWhy::ProtectionRadius { .. } => "the position has no protection radius".to_owned(),
        ZoneWhy::DuplicateId => "two boards answer to the id of its anchor".to_owned(),
        ZoneWhy::SiteDoubted => "it is in doubt whether the ranges and the site file fit each other".to_owned(),
        ZoneWhy::Changed => "the configuration was changed, and it has to be earned again".to_owned(),
        ZoneWhy::Settling { until } => format!("it settles until {}", rfc3339(until)),
    }
}

#[cfg(test)]
mod tests;
