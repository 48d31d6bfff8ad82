//! One finding of every kind, for tests of whatever shows findings.
//!
//! Only with the feature `samples`. A new kind of finding gets a line here, and width, JSON and pictures are tested for it.

use hereabout_core::{
    Anchor, AnchorId, AnchorSet, Correction, Dimension, MAX_ANCHORS, Micros, OtherSite, TagId,
};
use hereabout_engine::{AnchorFinding, CannotTell, KitFinding, PlaceAnswer, Unsettled};
use hereabout_solve::fit::{Cause, SiteDoubt};

use crate::site::site_fit::SiteNames;

/// A made-up yard that findings may speak of.
#[derive(Clone, Debug)]
pub struct Yard {
    /// Its anchors.
    pub anchors: Vec<Anchor>,
    /// Another site beside it.
    pub others: Vec<OtherSite>,
}

impl Yard {
    /// Larkfield nursery: five anchors, in 2D with a tag at 0.9 m, ranges in millimetres.
    pub fn new() -> Yard {
        let anchor = |(id, at_m): (u16, [f64; 3])| Anchor {
            id: AnchorId(id),
            name: format!("post {id}"),
            at_m,
            range_sigma_m: 0.1,
            slot: None,
            correction: Correction { offset_m: 0.2, scale: 1.0, offset_se_m: None },
        };
        let places_m =
            [[0.0, 0.0, 2.6], [24.0, 0.0, 2.4], [24.0, 14.0, 2.8], [11.0, 0.0, 2.2], [0.0, 14.0, 2.2]];
        Yard {
            anchors: (0..).zip(places_m).map(anchor).collect(),
            others: vec![OtherSite {
                file: "north.toml".into(),
                name: "North yard".into(),
                at_m: vec![Some([0.0, 0.0, 2.6]); 5],
                tag_height_m: Some(0.9),
                unit_ratio: 1.0,
            }],
        }
    }

    /// What findings name of it.
    pub fn names(&self) -> SiteNames<'_> {
        SiteNames {
            anchors: &self.anchors,
            dimension: Dimension::TwoD { tag_height_m: 0.9 },
            range_units_per_m: Some(1000.0),
            others: &self.others,
        }
    }
}

impl Default for Yard {
    fn default() -> Yard {
        Yard::new()
    }
}

/// One of each kind, `x` for every length and share.
pub fn every_finding(x: f64) -> Vec<AnchorFinding> {
    let set = |indices: &[usize]| {
        let mut set = AnchorSet::default();
        indices.iter().for_each(|i| set.insert(*i));
        set
    };
    vec![
        AnchorFinding::DuplicateId { apart_m: 8.0 * x, share: x },
        AnchorFinding::Misplaced { shift_m: [10.0 * x, -3.0 * x, x], explained: 0.97 },
        AnchorFinding::Misplaced { shift_m: [0.0, 0.01 * x, -2.0 * x], explained: 0.97 },
        AnchorFinding::Misplaced { shift_m: [0.0, 0.0, -2.0 * x], explained: 0.97 },
        AnchorFinding::Moved {
            shift_m: [x, x],
            up_m: None,
            size_se_m: 0.1 * x,
            direction_se_deg: Some(15.0 * x),
        },
        AnchorFinding::Moved {
            shift_m: [-x, 0.2 * x],
            up_m: Some(x),
            size_se_m: 0.1 * x,
            direction_se_deg: None,
        },
        AnchorFinding::OffsetChanged { by_m: 0.3 * x, se_m: 0.025 * x },
        AnchorFinding::OffsetChanged { by_m: -0.3 * x, se_m: 0.025 * x },
        AnchorFinding::Moved { shift_m: [0.0; 2], up_m: Some(-x), size_se_m: x, direction_se_deg: None },
        AnchorFinding::ReadsLong { by_m: x },
        AnchorFinding::Changed { by_m: -x },
        AnchorFinding::OneOf { anchors: set(&[1, 3, 4]) },
        AnchorFinding::OneOf { anchors: set(&[0, 1, 2, 3, 4, 5, 6, 7]) },
        AnchorFinding::OneOf { anchors: set(&[]) },
        AnchorFinding::NeverHeard,
        AnchorFinding::Silent,
        AnchorFinding::Held,
        AnchorFinding::Flapping { times: 7, over: Micros::from_secs_f64(600.0) },
        AnchorFinding::OftenNlos { share: x, worst_hour_utc: None, worst_direction_deg: None },
        AnchorFinding::OftenNlos { share: x, worst_hour_utc: Some(14), worst_direction_deg: Some(44.0) },
        AnchorFinding::OftenNlos { share: x, worst_hour_utc: Some(23), worst_direction_deg: None },
        AnchorFinding::Noisy { sigma_m: 0.35 * x, usual_m: 0.12 * x },
        AnchorFinding::Drifting { m_per_day: 0.07 * x, se_m_per_day: 0.01 * x },
        AnchorFinding::Drifting { m_per_day: -0.07 * x, se_m_per_day: 0.01 * x },
        AnchorFinding::Weak { share: x, expected: 0.95 },
    ]
}

/// One of each kind about the kit, the site that does not fit among them.
pub fn every_kit_finding(x: f64) -> Vec<KitFinding> {
    let mut all = of_the_kit_alone(x);
    all.extend(every_doubt(x).into_iter().map(|doubt| KitFinding::SiteDoesNotFit { doubt }));
    all
}

/// Those that don't speak of the site.
pub fn of_the_kit_alone(x: f64) -> Vec<KitFinding> {
    vec![
        KitFinding::TagOff { tag: TagId(0) },
        KitFinding::AnchorsGone,
        KitFinding::NobodyAnswers,
        KitFinding::CableOut,
        KitFinding::FramesCut { share: 0.3 * x },
        KitFinding::Frozen { tag: TagId(u32::MAX) },
        KitFinding::Repeated { tag: TagId(0) },
        KitFinding::OldFrames { tag: TagId(0), age: Micros::from_secs_f64(8.0 * x) },
        KitFinding::AgeUnknown { tag: TagId(0) },
        KitFinding::UnknownTags { count: 99_999, example: TagId(u32::MAX), why: Unsettled::Damaged },
        KitFinding::UnknownTags { count: 99, example: TagId(2), why: Unsettled::OnePlace { like: TagId(1) } },
        KitFinding::UnknownTags { count: 99, example: TagId(2), why: Unsettled::TooSeldom },
        KitFinding::UnlistedTags { count: 1, tags: [Some(TagId(7)), None, None, None] },
        KitFinding::UnlistedTags { count: 99, tags: [1, 2, 3, 4].map(|id| Some(TagId(id))) },
        KitFinding::TagOffset { tag: TagId(7), by_m: 0.3 * x },
        KitFinding::UnevenClock {
            tag: TagId(0),
            usual: Micros::from_millis(100),
            longest: Micros::from_millis(1_400),
            share: 0.2 * x,
        },
    ]
}

/// Every answer whether an anchor stands where it should.
pub fn every_place(x: f64) -> Vec<PlaceAnswer> {
    let mut all = vec![PlaceAnswer::Unchanged { limit_m: 0.7 * x }, PlaceAnswer::Contradicted];
    all.extend(every_cannot_tell(x).map(PlaceAnswer::CannotTell));
    all
}

/// Every reason why nobody can say.
pub fn every_cannot_tell(x: f64) -> [CannotTell; 7] {
    [
        CannotTell::NoPosition,
        CannotTell::TooLittleTravel { travelled_m: 80.0 * x, needed_m: 100.0 },
        CannotTell::TagStandsStill,
        CannotTell::TravelTooNarrow,
        CannotTell::TooFewAnchors { have: 4, need: 5 },
        CannotTell::AllAlike,
        CannotTell::SiteDoubted,
    ]
}

/// Causes that speak of anchors, places and files that a small site does not have.
pub fn causes_of_another_site() -> [Cause; 6] {
    let mut place_of = [0; MAX_ANCHORS];
    place_of[0] = 200;
    [
        Cause::Swapped { anchors: [0, 9] },
        Cause::Order { place_of },
        Cause::Place { anchor: 16, at_m: [0.0; 3] },
        Cause::TwoPlaces { anchors: [usize::MAX, 0], at_m: [[0.0; 3]; 2] },
        Cause::AnchorHeight { anchor: 5, up_m: 1.0 },
        Cause::OtherSite { other: 1 },
    ]
}

/// Causes of every kind, `x` for what is measured. They speak of the first four anchors.
pub fn every_cause(x: f64) -> Vec<Cause> {
    let mut place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| i as u8);
    place_of[..4].copy_from_slice(&[1, 2, 3, 0]);
    let at_m = [12.0 * x, 4.0 * x, 2.6];
    vec![
        Cause::Unit { factor: 10.0 },
        Cause::Unit { factor: 304.8 },
        Cause::Unit { factor: 25.4 },
        Cause::Unit { factor: 7.0 * x },
        Cause::Scale { factor: 1.0 + 0.15 * x },
        Cause::Swapped { anchors: [0, 2] },
        Cause::Reversed,
        Cause::Order { place_of },
        Cause::Place { anchor: 1, at_m },
        Cause::TwoPlaces { anchors: [1, 3], at_m: [at_m, [x, x, x]] },
        Cause::AnchorHeight { anchor: 2, up_m: 8.0 * x },
        Cause::TagHeight { up_m: 5.0 * x },
        Cause::MirroredHeights,
        Cause::OtherSite { other: 0 },
    ]
}

/// The same as doubts, and those without a cause.
pub fn every_doubt(x: f64) -> Vec<SiteDoubt> {
    let doubt = |cause: Option<Cause>| SiteDoubt {
        explained_share: 0.31 * x / 0.42,
        too_short_share: 0.05 * x,
        cause,
        explained_then_share: if cause.is_some() { 0.97 } else { 0.0 },
        alike: 0,
        within_m: 0.36,
        all: !matches!(cause, Some(Cause::Place { .. } | Cause::TwoPlaces { .. })),
    };
    let short = SiteDoubt { too_short_share: 0.4 * x, ..doubt(None) };
    every_cause(x).into_iter().map(Some).chain([None]).map(doubt).chain([short]).collect()
}
