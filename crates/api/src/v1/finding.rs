//! What is found about anchors and about the kit: words for people, facts for programs.

use hereabout_core::Anchor;
use hereabout_engine::{AnchorFinding, CannotTell, KitFinding, PlaceAnswer, Unsettled};
use hereabout_words::site_fit::SiteNames;
use hereabout_words::{Said, kit, numbers, place};
use serde::Serialize;
use utoipa::ToSchema;

use super::{SiteDoubtBody, number::round_1e4, number::vector};

/// Something that is the matter with one anchor.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct FindingBody {
    /// Its kind and its facts.
    #[serde(flatten)]
    pub facts: FindingFacts,
    /// What is found, with the evidence, in words.
    pub words: String,
    /// What to do about it, in words.
    pub advice: String,
}

/// What a finding rests on. Standard errors are one sigma; a number that is not known is null.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum FindingFacts {
    /// Two boards answer to its id.
    TwoBoards {
        /// Distance between the two levels of its ranges, metres.
        #[schema(required)]
        apart_m: Option<f64>,
        /// Share (0 to 1) of the ranges that the rarer one answers.
        #[schema(required)]
        share: Option<f64>,
    },
    /// It has stood elsewhere than the site file says for as long as it was heard.
    Misplaced {
        /// From the stated place to the one that fits: east, north, up, metres. Up alone: in 2D its mirror image about the tag's
        /// height reads alike.
        #[schema(required)]
        shift_m: Option<[f64; 3]>,
        /// Share (0 to 1) of the ranges of all anchors that fit then.
        #[schema(required)]
        explained: Option<f64>,
    },
    /// It stands elsewhere than the site file says.
    Moved {
        /// East and north, metres.
        #[schema(required)]
        shift_m: Option<[f64; 2]>,
        /// And up, metres; null where it is not told. In 2D its mirror image about the tag's height reads alike.
        #[schema(required)]
        up_m: Option<f64>,
        /// How far, metres.
        #[schema(required)]
        size_m: Option<f64>,
        /// Standard error of that, metres.
        #[schema(required)]
        size_se_m: Option<f64>,
        /// Which way, degrees clockwise from north; null when only the size is known well enough.
        #[schema(required)]
        direction_deg: Option<f64>,
        /// Standard error of that, degrees.
        #[schema(required)]
        direction_se_deg: Option<f64>,
    },
    /// It reads longer (positive) or shorter than its calibration says.
    OffsetChanged {
        /// By how much, metres.
        #[schema(required)]
        by_m: Option<f64>,
        /// Standard error of that, metres.
        #[schema(required)]
        se_m: Option<f64>,
    },
    /// It reads long everywhere: moved away, or something stands in front of it.
    ReadsLong {
        /// By how much, metres.
        #[schema(required)]
        by_m: Option<f64>,
    },
    /// It reads otherwise than its place and its calibration say; not told yet which of the two is wrong.
    Changed {
        /// By how much in the middle, metres.
        #[schema(required)]
        by_m: Option<f64>,
    },
    /// One of these anchors has moved or changed.
    OneOf {
        /// Their ids, this one among them.
        anchors: Vec<u16>,
    },
    /// Never heard in this session.
    NeverHeard,
    /// It answers no more.
    Silent,
    /// The module goes on sending its last range.
    Held,
    /// It falls silent again and again.
    Flapping {
        /// How often.
        times: u32,
        /// Within so many seconds.
        over_s: f64,
    },
    /// Its ranges are late very often: something is in the way.
    OftenLate {
        /// Share (0 to 1) of late ranges within the last minute.
        #[schema(required)]
        share: Option<f64>,
        /// The hour of the day (UTC) in which it is worst; null when none stands out.
        #[schema(required)]
        worst_hour_utc: Option<u8>,
        /// The direction from the anchor in which it is worst, degrees clockwise from north; null when none stands out.
        #[schema(required)]
        worst_direction_deg: Option<f64>,
    },
    /// Its good ranges scatter more than they should.
    Noisy {
        /// Standard deviation now, metres.
        #[schema(required)]
        sigma_m: Option<f64>,
        /// What is usual, metres.
        #[schema(required)]
        usual_m: Option<f64>,
    },
    /// Its offset wanders slowly.
    Drifting {
        /// Metres a day, positive when it reads longer.
        #[schema(required)]
        m_per_day: Option<f64>,
        /// Standard error of that.
        #[schema(required)]
        se_m_per_day: Option<f64>,
    },
    /// It answers less often than its distance leads to expect.
    Weak {
        /// Share (0 to 1) of the frames with a range of it.
        #[schema(required)]
        share: Option<f64>,
        /// What its distance leads to expect.
        #[schema(required)]
        expected: Option<f64>,
    },
}

impl FindingBody {
    /// `anchors` are those of the site, in its order.
    pub(crate) fn new(finding: &AnchorFinding, said: &Said, anchors: &[Anchor]) -> FindingBody {
        FindingBody {
            facts: FindingFacts::new(finding, anchors),
            words: said.words.clone(),
            advice: said.advice.clone(),
        }
    }
}

impl FindingFacts {
    fn new(finding: &AnchorFinding, anchors: &[Anchor]) -> FindingFacts {
        match *finding {
            AnchorFinding::DuplicateId { apart_m, share } => {
                FindingFacts::TwoBoards { apart_m: round_1e4(apart_m), share: round_1e4(share) }
            }
            AnchorFinding::Misplaced { shift_m, explained } => {
                FindingFacts::Misplaced { shift_m: vector(shift_m), explained: round_1e4(explained) }
            }
            AnchorFinding::Moved { shift_m, up_m, size_se_m, direction_se_deg } => {
                FindingFacts::moved(shift_m, up_m, size_se_m, direction_se_deg)
            }
            AnchorFinding::OffsetChanged { by_m, se_m } => {
                FindingFacts::OffsetChanged { by_m: round_1e4(by_m), se_m: round_1e4(se_m) }
            }
            AnchorFinding::ReadsLong { by_m } => FindingFacts::ReadsLong { by_m: round_1e4(by_m) },
            AnchorFinding::Changed { by_m } => FindingFacts::Changed { by_m: round_1e4(by_m) },
            AnchorFinding::OneOf { anchors: set } => {
                let named = anchors.iter().enumerate().filter(|(i, _)| set.contains(*i));
                FindingFacts::OneOf { anchors: named.map(|(_, a)| a.id.0).collect() }
            }
            AnchorFinding::NeverHeard => FindingFacts::NeverHeard,
            AnchorFinding::Silent => FindingFacts::Silent,
            AnchorFinding::Held => FindingFacts::Held,
            AnchorFinding::Flapping { times, over } => {
                FindingFacts::Flapping { times, over_s: over.secs_f64() }
            }
            AnchorFinding::OftenNlos { share, worst_hour_utc, worst_direction_deg } => {
                let worst_direction_deg = worst_direction_deg.and_then(round_1e4);
                FindingFacts::OftenLate { share: round_1e4(share), worst_hour_utc, worst_direction_deg }
            }
            AnchorFinding::Noisy { sigma_m, usual_m } => {
                FindingFacts::Noisy { sigma_m: round_1e4(sigma_m), usual_m: round_1e4(usual_m) }
            }
            AnchorFinding::Drifting { m_per_day, se_m_per_day } => FindingFacts::Drifting {
                m_per_day: round_1e4(m_per_day),
                se_m_per_day: round_1e4(se_m_per_day),
            },
            AnchorFinding::Weak { share, expected } => {
                FindingFacts::Weak { share: round_1e4(share), expected: round_1e4(expected) }
            }
        }
    }

    fn moved(
        shift_m: [f64; 2],
        up_m: Option<f64>,
        size_se_m: f64,
        direction_se_deg: Option<f64>,
    ) -> FindingFacts {
        let ([east, north], up) = (shift_m, up_m.unwrap_or(0.0));
        let direction = direction_se_deg.and_then(|_| numbers::bearing_deg(shift_m));
        FindingFacts::Moved {
            shift_m: round_1e4(east).zip(round_1e4(north)).map(|(e, n)| [e, n]),
            up_m: up_m.and_then(round_1e4),
            size_m: round_1e4((east * east + north * north + up * up).sqrt()),
            size_se_m: round_1e4(size_se_m),
            direction_deg: direction.and_then(round_1e4),
            direction_se_deg: direction_se_deg.and_then(round_1e4),
        }
    }
}

/// Something that is the matter with the kit as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct KitFindingBody {
    /// Its kind and its facts.
    #[serde(flatten)]
    pub facts: KitFacts,
    /// What is found, with the evidence, in words.
    pub words: String,
    /// What to do about it, in words.
    pub advice: String,
}

/// What a finding about the kit rests on.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum KitFacts {
    /// The tag is off or out of reach: all anchors lost it at once.
    TagOff {
        /// Which tag.
        tag: u32,
    },
    /// The anchors fell silent one after the other, or all but the primary one.
    AnchorsGone,
    /// Frames come without ranges; nothing tells the tag from the anchors.
    NobodyAnswers,
    /// No byte comes.
    CableOut,
    /// Many frames are cut or damaged.
    FramesCut {
        /// Share (0 to 1) of the frames of the last minute.
        #[schema(required)]
        share: Option<f64>,
    },
    /// Frames whose ranges are bit for bit those of before.
    Frozen {
        /// Which tag's.
        tag: u32,
    },
    /// Frames that came before.
    Repeated {
        /// Which tag's.
        tag: u32,
    },
    /// Frames that were measured too long ago.
    OldFrames {
        /// Which tag's.
        tag: u32,
        /// How long ago, at least, seconds.
        age_s: f64,
    },
    /// Frames of which nobody can say how old they are.
    AgeUnknown {
        /// Which tag's.
        tag: u32,
    },
    /// The ranges and the site file do not belong to each other.
    SiteDoesNotFit(SiteDoubtBody),
    /// Frames with tag numbers that never settle.
    UnknownTags {
        /// Such frames within the last minute.
        count: u32,
        /// The newest of these numbers, or the one that the reason is about.
        example: u32,
        /// Why they never settle.
        why: UnsettledName,
        /// The tag that the example can't be told from, as both are at one place; null otherwise.
        #[schema(required)]
        like: Option<u32>,
    },
    /// Tags are heard that the site file does not list; they are not tracked.
    UnlistedTags {
        /// How many within the last minute.
        count: u32,
        /// Some of them, four at most.
        tags: Vec<u32>,
    },
    /// All anchors read longer or shorter by one length to this tag, but not to the others.
    TagOffset {
        /// Which tag.
        tag: u32,
        /// By how much, metres; positive when they read long.
        #[schema(required)]
        by_m: Option<f64>,
    },
    /// The frames of a tag come unevenly.
    UnevenClock {
        /// Which tag's.
        tag: u32,
        /// Median time between two frames, seconds.
        usual_s: f64,
        /// The longest gap of the last minute, seconds.
        longest_s: f64,
        /// Share (0 to 1) of the gaps that are off by more than half.
        #[schema(required)]
        share: Option<f64>,
    },
}

/// Why tag numbers never settle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum UnsettledName {
    /// Damaged on their way.
    Damaged,
    /// As many frames as another tag's, from its place: two tags there.
    OnePlace,
    /// Too few frames to tell.
    TooSeldom,
}

impl From<Unsettled> for UnsettledName {
    fn from(why: Unsettled) -> UnsettledName {
        match why {
            Unsettled::Damaged => UnsettledName::Damaged,
            Unsettled::OnePlace { .. } => UnsettledName::OnePlace,
            Unsettled::TooSeldom => UnsettledName::TooSeldom,
        }
    }
}

impl KitFindingBody {
    /// The finding, with the names of the site that it is about.
    pub(crate) fn new(finding: &KitFinding, names: SiteNames<'_>) -> KitFindingBody {
        let said = kit::found(finding, names);
        let facts = match *finding {
            KitFinding::TagOff { tag } => KitFacts::TagOff { tag: tag.0 },
            KitFinding::AnchorsGone => KitFacts::AnchorsGone,
            KitFinding::NobodyAnswers => KitFacts::NobodyAnswers,
            KitFinding::CableOut => KitFacts::CableOut,
            KitFinding::FramesCut { share } => KitFacts::FramesCut { share: round_1e4(share) },
            KitFinding::Frozen { tag } => KitFacts::Frozen { tag: tag.0 },
            KitFinding::Repeated { tag } => KitFacts::Repeated { tag: tag.0 },
            KitFinding::OldFrames { tag, age } => KitFacts::OldFrames { tag: tag.0, age_s: age.secs_f64() },
            KitFinding::AgeUnknown { tag } => KitFacts::AgeUnknown { tag: tag.0 },
            KitFinding::SiteDoesNotFit { doubt } => {
                KitFacts::SiteDoesNotFit(SiteDoubtBody::new(&doubt, names))
            }
            KitFinding::UnknownTags { count, example, why } => KitFacts::UnknownTags {
                count,
                example: example.0,
                why: why.into(),
                like: if let Unsettled::OnePlace { like } = why { Some(like.0) } else { None },
            },
            KitFinding::UnlistedTags { count, tags } => {
                KitFacts::UnlistedTags { count, tags: tags.iter().flatten().map(|t| t.0).collect() }
            }
            KitFinding::TagOffset { tag, by_m } => KitFacts::TagOffset { tag: tag.0, by_m: round_1e4(by_m) },
            KitFinding::UnevenClock { tag, usual, longest, share } => KitFacts::UnevenClock {
                tag: tag.0,
                usual_s: usual.secs_f64(),
                longest_s: longest.secs_f64(),
                share: round_1e4(share),
            },
        };
        KitFindingBody { facts, words: said.words, advice: said.advice }
    }
}

/// Whether an anchor stands where the site file says, as far as its ranges tell.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct PlaceBody {
    /// In one word.
    pub answer: PlaceAnswerName,
    /// Why nobody can say; null when somebody can.
    #[schema(required)]
    pub why: Option<CannotTellName>,
    /// The smallest move that would have shown, metres; null unless the answer is `unchanged`.
    #[schema(required)]
    pub limit_m: Option<f64>,
    /// The same in words.
    pub words: String,
    /// What makes it possible to say; null unless the answer is `cannot_tell`.
    #[schema(required)]
    pub advice: Option<String>,
}

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PlaceAnswerName {
    /// Nothing speaks for a change; moves below `limit_m` would not have been seen.
    Unchanged,
    /// See the findings.
    Suspect,
    /// Nobody can say.
    CannotTell,
}

/// Why nobody can say whether an anchor has moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CannotTellName {
    /// No position rests on at least three other anchors.
    NoPosition,
    /// The tag has not travelled far enough.
    TooLittleTravel,
    /// The tag stands still.
    TagStandsStill,
    /// All ways of the tag look at the anchor from about the same side.
    TravelTooNarrow,
    /// Too few anchors to tell which one is wrong.
    TooFewAnchors,
    /// All anchors are off alike.
    AllAlike,
    /// The ranges and the site file do not belong to each other.
    SiteDoubted,
}

impl From<&PlaceAnswer> for PlaceBody {
    fn from(found: &PlaceAnswer) -> PlaceBody {
        let said = place::answer(found);
        let (answer, why, limit_m) = match found {
            PlaceAnswer::Unchanged { limit_m } => (PlaceAnswerName::Unchanged, None, round_1e4(*limit_m)),
            PlaceAnswer::Contradicted => (PlaceAnswerName::Suspect, None, None),
            PlaceAnswer::CannotTell(why) => (PlaceAnswerName::CannotTell, Some(why), None),
        };
        PlaceBody {
            answer,
            why: why.map(CannotTellName::from),
            limit_m,
            words: said.words,
            advice: why.map(|_| said.advice),
        }
    }
}

impl From<&CannotTell> for CannotTellName {
    fn from(why: &CannotTell) -> CannotTellName {
        match why {
            CannotTell::NoPosition => CannotTellName::NoPosition,
            CannotTell::TooLittleTravel { .. } => CannotTellName::TooLittleTravel,
            CannotTell::TagStandsStill => CannotTellName::TagStandsStill,
            CannotTell::TravelTooNarrow => CannotTellName::TravelTooNarrow,
            CannotTell::TooFewAnchors { .. } => CannotTellName::TooFewAnchors,
            CannotTell::AllAlike => CannotTellName::AllAlike,
            CannotTell::SiteDoubted => CannotTellName::SiteDoubted,
        }
    }
}
