//! A site that does not fit its ranges, in words: the likely cause, the evidence, and the line to change.
//!
//! One finding, one cause. The words say how much of the ranges the site explains, and how much it would explain with
//! one thing changed; the advice is that change, as it would stand in the site file, or what to look at where nothing is
//! written yet. What two things explain alike is said as two things. Nothing here says "calibrate": an offset that
//! is found while a place is wrong hides that place.

use hereabout_core::geometry::vector::length;
use hereabout_core::{Anchor, Dimension, OtherSite, Site};
use hereabout_solve::fit::{Cause, FitAnswer, SiteDoubt};
use hereabout_wire::Unit;

use crate::numbers::{direction_of, metres, percent, pieces};
use crate::said::{Fact, Said, Topic};

/// The code of a site that does not fit, in findings, notes and warnings.
pub const CODE: &str = "site_does_not_fit";

/// What of a site its findings name.
#[derive(Clone, Copy, Debug)]
pub struct SiteNames<'a> {
    /// The anchors, in the site's order.
    pub anchors: &'a [Anchor],
    /// 2D with the tag's height, or 3D.
    pub dimension: Dimension,
    /// How many of the unit of the ranges make a metre; `None` where they come in metres by themselves.
    pub range_units_per_m: Option<f64>,
    /// Other sites that might be meant.
    pub others: &'a [OtherSite],
}

impl<'a> From<&'a Site> for SiteNames<'a> {
    fn from(site: &'a Site) -> SiteNames<'a> {
        SiteNames {
            anchors: site.anchors(),
            dimension: site.dimension(),
            range_units_per_m: site.range_units_per_m(),
            others: site.others(),
        }
    }
}

/// A length that modules tell ranges in, or that people take for one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RangeUnit {
    /// One that the site file knows.
    Known(Unit),
    /// One that it does not know, by its name.
    Other(&'static str),
}

impl RangeUnit {
    /// As in the site file, or as people write it.
    pub fn name(self) -> String {
        match self {
            RangeUnit::Known(unit) => unit.to_string(),
            RangeUnit::Other(name) => name.to_owned(),
        }
    }
}

/// A factor this close to that of a unit is the unit.
const SAME_UNIT: f64 = 0.04;

/// The unit that the ranges come in when every one is `factor` times as long as it is taken for. (Exact by definition: the
/// international foot of 1959 is 0.3048 m, its inch a twelfth.)
pub fn unit_of(factor: f64, names: &SiteNames<'_>) -> Option<RangeUnit> {
    let one_m = factor / names.range_units_per_m.unwrap_or(1.0);
    let known = [Unit::M, Unit::Dm, Unit::Cm, Unit::Mm].map(|u| (RangeUnit::Known(u), 1.0 / u.per_metre()));
    let others = [(RangeUnit::Other("feet"), 0.3048), (RangeUnit::Other("inches"), 0.0254)];
    let near = |m: f64| one_m.is_finite() && (one_m / m - 1.0).abs() <= SAME_UNIT;
    known.into_iter().chain(others).find(|(_, m)| near(*m)).map(|(unit, _)| unit)
}

/// What is found about the site as a whole, and what to do. The fact `cause` is the code of what is wrong, once it is known.
pub fn found(doubt: &SiteDoubt, names: SiteNames<'_>) -> Said {
    let mut words = format!("ranges and site file don't fit: {} explained", percent(doubt.explained_share));
    if doubt.too_short_share >= 0.02 {
        words += &format!(", {} too short", percent(doubt.too_short_share));
    }
    let Some(named) = doubt.cause.and_then(|cause| named(&cause, names)) else {
        words += "; the cause is not found yet";
        let advice =
            "drive the tag around; check unit, order of the range fields, at_m, heights, in this order";
        return Said::new(Topic::SiteFit, CODE, words, advice).sending();
    };
    let then = format!("{} fit within {} m", percent(doubt.explained_then_share), metres(doubt.within_m));
    words += &format!(". With {} {then}", named.with);
    let cause = ("cause", Fact::Text(named.code.to_owned()));
    let said = |words, advice| Said { facts: vec![cause], ..Said::new(Topic::SiteFit, CODE, words, advice) };
    if doubt.alike == 0 {
        return Said { on_site: named.on_site, ..said(words, named.advice) };
    }
    words += &match doubt.alike {
        1 => "; so does 1 other".to_owned(),
        more => format!("; so do {more} others"),
    };
    // The line to change for one of them would be a guess.
    let advice =
        "ranges can't tell which order it is: see which board hangs where, then give each its at_m or slot";
    said(words, advice.to_owned()).sending()
}

/// An answer of the test whether ranges and site belong to each other.
pub fn answer(answer: &FitAnswer, names: SiteNames<'_>) -> Said {
    match *answer {
        FitAnswer::Fits { explained_share: explained } => Said::new(
            Topic::SiteFit,
            "site_fits",
            format!("ranges and site file fit: {:.0} % explained", 100.0 * explained),
            "",
        ),
        FitAnswer::TooEarly { keyframes, needed } => Said::new(
            Topic::SiteFit,
            "site_fit_too_early",
            format!(
                "whether ranges and site file fit can't be told yet: {keyframes} of {needed} seconds with distances of their own"
            ),
            "drive the tag around for longer: what stands still says it once",
        ),
        FitAnswer::Doubted(doubt) => found(&doubt, names),
    }
}

/// A cause in words.
struct Named {
    /// What it is, for programs.
    code: &'static str,
    /// What would have to be so, as a part of the sentence `With … 97 % fit`.
    with: String,
    /// What to change.
    advice: String,
    /// Whether that sends somebody to the anchors.
    on_site: bool,
}

impl Named {
    fn new(
        code: &'static str,
        with: impl Into<String>,
        advice: impl Into<String>,
        on_site: bool,
    ) -> Option<Named> {
        Some(Named { code, with: with.into(), advice: advice.into(), on_site })
    }
}

/// `None` when it speaks of anchors or files that the site does not have.
fn named(cause: &Cause, names: SiteNames<'_>) -> Option<Named> {
    match *cause {
        Cause::Unit { factor } => unit(factor, names),
        Cause::Scale { factor } => {
            let off = percent((factor - 1.0).abs());
            Named::new(
                "scale",
                format!("every range times {}", pieces(factor)),
                format!("tape from one anchor to another: it tells whether at_m or the kit is off by {off}"),
                true,
            )
        }
        Cause::Swapped { anchors: [a, b] } => {
            let [a, b] = [id(a, names)?, id(b, names)?];
            Named::new(
                "swapped",
                format!("anchors {a} and {b} exchanged"),
                format!("see which board hangs where; then exchange at_m (or slot) of {a} and {b}"),
                true,
            )
        }
        Cause::Reversed => Named::new(
            "reversed",
            "the range fields in the opposite order",
            "set slot of each [[anchor]] the other way round: the last field is the first anchor's",
            false,
        ),
        Cause::Order { place_of } => order(&place_of, names),
        Cause::Place { anchor, at_m } => {
            let a = names.anchors.get(anchor)?;
            Named::new(
                "place",
                format!("anchor {} standing {}", a.id, direction_of(shift(a, at_m))),
                format!("look at it first; if it hangs there: at_m = {}", place(at_m)),
                true,
            )
        }
        Cause::TwoPlaces { anchors, at_m } => two_places(anchors, at_m, names),
        Cause::AnchorHeight { anchor, up_m } => {
            let a = names.anchors.get(anchor)?;
            let at_m = place([a.at_m[0], a.at_m[1], up_m]);
            Named::new(
                "anchor_height",
                format!("anchor {} at a height of {} m", a.id, metres(up_m)),
                format!("measure its antenna's height; if it is so: at_m = {at_m}"),
                true,
            )
        }
        Cause::TagHeight { up_m } => tag_height(up_m, names.dimension),
        Cause::MirroredHeights => Named::new(
            "mirrored_heights",
            "all anchors mirrored in height about the tag",
            "check the third numbers of at_m, and tag_height_m: one zero for all, up positive; a sign is wrong",
            false,
        ),
        Cause::OtherSite { other } => {
            let other = names.others.get(other)?;
            Named::new(
                "other_site",
                format!("{} ({})", other.file, other.name),
                format!("see which kit is plugged in; if it is that one: run {} instead", other.file),
                false,
            )
        }
    }
}

fn two_places([a, b]: [usize; 2], [a_m, b_m]: [[f64; 3]; 2], names: SiteNames<'_>) -> Option<Named> {
    let [a, b] = [names.anchors.get(a)?, names.anchors.get(b)?];
    Named::new(
        "two_places",
        format!(
            "anchors {} and {} elsewhere, by {} and {} m,",
            a.id,
            b.id,
            metres(length(shift(a, a_m))),
            metres(length(shift(b, b_m)))
        ),
        format!(
            "look at them first; if they hang there: at_m = {} for {}, at_m = {} for {}",
            place(a_m),
            a.id,
            place(b_m),
            b.id
        ),
        true,
    )
}

fn unit(factor: f64, names: SiteNames<'_>) -> Option<Named> {
    let known = |name: &str| match names.range_units_per_m {
        Some(_) => Named::new(
            "unit",
            format!("unit = \"{name}\""),
            format!("set unit = \"{name}\" under [frame] in the site file"),
            false,
        ),
        None => Named::new(
            "unit",
            format!("ranges in {name}"),
            format!("these are ranges in {name}: put them into metres first (times {})", pieces(factor)),
            false,
        ),
    };
    match unit_of(factor, &names) {
        Some(RangeUnit::Known(unit)) => known(&unit.to_string()),
        Some(RangeUnit::Other(name)) => Named::new(
            "unit",
            format!("ranges in {name}"),
            "let the module send m, dm, cm or mm: [frame] unit knows no others",
            false,
        ),
        None => Named::new(
            "unit",
            format!("every range times {}", pieces(factor)),
            "no usual unit is that long: look up what the module sends, then set unit under [frame]",
            false,
        ),
    }
}

fn order(place_of: &[u8], names: SiteNames<'_>) -> Option<Named> {
    let moves = moves(place_of, names)?;
    let list = |one: &dyn Fn(u16, u16) -> String| {
        moves.iter().map(|(board, place)| one(*board, *place)).collect::<Vec<_>>().join(", ")
    };
    Named::new(
        "order",
        "the anchors in another order",
        format!(
            "see which board hangs where; then give each its at_m: {}",
            list(&|board, place| format!("{board} that of {place}"))
        ),
        true,
    )
}

/// Which boards fit the place of which others, by id; those that stay are left out. `None` when an anchor is not there.
pub fn moves(place_of: &[u8], names: SiteNames<'_>) -> Option<Vec<(u16, u16)>> {
    let of = |(anchor, place): (&Anchor, &u8)| Some((anchor.id.0, id(usize::from(*place), names)?));
    let all: Option<Vec<(u16, u16)>> = names.anchors.iter().zip(place_of).map(of).collect();
    all.map(|all| all.into_iter().filter(|(board, place)| board != place).collect())
}

fn tag_height(up_m: f64, dimension: Dimension) -> Option<Named> {
    let Dimension::TwoD { tag_height_m } = dimension else {
        return Named::new(
            "tag_height",
            "all heights moved together",
            "check the third number of each at_m",
            true,
        );
    };
    let off = metres((tag_height_m - up_m).abs());
    let way = if up_m > tag_height_m { "lower" } else { "higher" };
    Named::new(
        "tag_height",
        format!("tag_height_m = {}", metres(up_m)),
        format!(
            "measure the tag's height, and one anchor's: all anchors {off} m {way} look the same to ranges"
        ),
        true,
    )
}

/// From the stated place to another one, metres.
pub fn shift(anchor: &Anchor, at_m: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|k| at_m[k] - anchor.at_m[k])
}

/// A place as the site file has it.
pub fn place(at_m: [f64; 3]) -> String {
    let [e, n, u] = at_m.map(metres);
    format!("[{e}, {n}, {u}]")
}

/// The id of the anchor with this index.
pub fn id(index: usize, names: SiteNames<'_>) -> Option<u16> {
    names.anchors.get(index).map(|a| a.id.0)
}

#[cfg(test)]
mod tests;
