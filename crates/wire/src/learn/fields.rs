//! Numbers in columns, as lines of text or JSON give them: which column counts, which never moves,
//! and which group of columns is the ranges.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Word};

use super::LearnOptions;
use super::bytes::columns::even_step;
use super::series::{self, DECIDED_NATS, Reading};
use crate::Unit;

/// How far apart the paces of two anchors may be.
const PACE_FACTOR: f64 = 6.0;
/// Values that a column must have to say anything.
const MIN_VALUES: usize = 8;

/// One column, line by line; `None` is an empty field.
pub(super) type Field = Vec<Option<f64>>;

/// What a column does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    /// Empty, or a number that means "no range", in every line.
    Silent,
    /// One number.
    Constant(f64),
    /// A number that steps evenly.
    Counter(i64),
    /// A positive number that moves, with its usual change.
    Moving(f64),
    /// Anything else.
    Other,
}

pub(super) fn kind(field: &Field) -> Kind {
    let is_number = |n: &f64| n.is_finite();
    let values: Vec<f64> = field.iter().flatten().copied().filter(is_number).collect();
    if values.len() < MIN_VALUES {
        return Kind::Silent;
    }
    let mut sorted = values.clone();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted[sorted.len() / 2];
    let strays = values.iter().filter(|v| **v != middle).count();
    if strays as f64 <= 0.03 * values.len() as f64 {
        return if middle <= 0.0 { Kind::Silent } else { Kind::Constant(middle) };
    }
    let pairs = field.windows(2).filter_map(|pair| Some((pair[0]?, pair[1]?)));
    let steps: Vec<i64> = pairs.map(|(a, b)| (b - a).round() as i64).collect();
    if values.iter().all(|v| v.fract() == 0.0)
        && let Some(step) = even_step(&steps)
    {
        return Kind::Counter(step);
    }
    let positive: Vec<f64> = values.iter().copied().filter(|v| *v > 0.0).collect();
    sorted.dedup();
    let negative = values.iter().filter(|v| **v < 0.0 && **v != -1.0).count();
    if positive.len() < MIN_VALUES || negative * 20 > values.len() || sorted.len() < 4 {
        return Kind::Other;
    }
    let mut changes: Vec<f64> = positive.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    changes.sort_by(f64::total_cmp);
    Kind::Moving(changes[changes.len() / 2])
}

/// A group of columns read as ranges.
#[derive(Clone, Debug)]
pub(super) struct Group {
    /// The columns, in order.
    pub(super) members: Vec<usize>,
    pub(super) reading: Reading,
    pub(super) units: Vec<(Unit, f64)>,
}

impl Group {
    fn heard(&self) -> usize {
        self.reading.heard.len()
    }
}

/// Reads `members` as ranges; `None` when they are not alike, or none is heard.
pub(super) fn group(
    fields: &[Field],
    kinds: &[Kind],
    members: &[usize],
    rate_hz: f64,
    options: LearnOptions,
) -> Option<Group> {
    if members.len() > MAX_ANCHORS {
        return None;
    }
    let mut paces: Vec<f64> = Vec::new();
    for &member in members {
        match kinds[member] {
            Kind::Moving(pace) => paces.push(pace),
            Kind::Silent | Kind::Constant(_) => {}
            Kind::Counter(_) | Kind::Other => return None,
        }
    }
    paces.sort_by(f64::total_cmp);
    let pace = *paces.get(paces.len() / 2)?;
    let like = |p: f64| p <= PACE_FACTOR * pace.max(1e-3) && pace <= PACE_FACTOR * p.max(1e-3);
    if !paces.iter().all(|p| like(*p)) {
        return None;
    }
    let lines = fields.first().map_or(0, Vec::len);
    let word = |line: usize, member: usize| fields[member][line].map_or(Word::Missing, Word::Float);
    let row = |line: usize| members.iter().map(|&m| word(line, m)).collect::<ArrayVec<Word, MAX_ANCHORS>>();
    let rows: Vec<_> = (0..lines).map(row).collect();
    let reading = series::reading(&rows, &[], rate_hz, None);
    // A constant that is not this group's "no range" word is another thing.
    let is_told = |value: f64| reading.no_range.contains(&value);
    let known = |m: &usize| !matches!(kinds[*m], Kind::Constant(value) if !is_told(value));
    if reading.heard.is_empty() || !members.iter().all(known) {
        return None;
    }
    let fraction = |n: &f64| n.is_finite() && n.fract() != 0.0;
    let has_fractions = members.iter().any(|&m| fields[m].iter().flatten().any(fraction));
    let units = series::units(&reading, has_fractions, options);
    Some(Group { members: members.to_vec(), reading, units })
}

/// The group that is most like ranges, and those that are nearly as much.
pub(super) fn choose(mut groups: Vec<Group>) -> Option<(Group, Vec<Group>)> {
    let score = |g: &Group| g.units.first().map_or(f64::NEG_INFINITY, |u| u.1);
    groups.retain(|g| score(g) > -25.0);
    let most = groups.iter().map(Group::heard).max()?;
    // More columns that move alike are more proof, but a few less and far more like ranges win.
    let worth = |g: &Group| score(g) + 6.0 * g.heard() as f64;
    groups.sort_by(|a, b| worth(b).total_cmp(&worth(a)).then(b.members.len().cmp(&a.members.len())));
    let best = groups.remove(0);
    let shares = |g: &Group| best.members.iter().any(|m| g.members.contains(m));
    let is_rival = |g: &Group| {
        let near = score(g) >= score(&best) - DECIDED_NATS;
        let as_many = g.heard() * 2 > most && g.heard() * 2 > best.heard();
        near && as_many && (!shares(g) || g.heard() >= best.heard())
    };
    let mut rivals: Vec<Group> = Vec::new();
    for other in groups {
        let is_part = other.members.iter().all(|m| best.members.contains(m));
        let is_known = rivals.iter().any(|r| other.members.iter().any(|m| r.members.contains(m)));
        if is_rival(&other) && !is_part && !is_known && rivals.len() < 4 {
            rivals.push(other);
        }
    }
    Some((best, rivals))
}

/// Columns that split into two kinds by their place: all of one kind move at another pace, or are of
/// another size, than all of the other. Range and quality by turns look like this.
pub(super) fn is_mixed(kinds: &[Kind], fields: &[Field], members: &[usize], stride: usize) -> bool {
    if members.len() < 2 * stride {
        return false;
    }
    let pace = |m: usize| if let Kind::Moving(pace) = kinds[m] { Some(pace.max(1e-6)) } else { None };
    let level = |m: usize| {
        let mut values: Vec<f64> = fields[m].iter().flatten().copied().filter(|v| *v > 0.0).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let class = |offset: usize| members.iter().skip(offset).step_by(stride).copied();
    let apart = |a: Vec<f64>, b: Vec<f64>, by: f64| {
        let least = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
        let most = |v: &[f64]| v.iter().copied().fold(0.0, f64::max);
        a.len() > 1 && b.len() > 1 && (least(&a) > by * most(&b) || least(&b) > by * most(&a))
    };
    (1..stride).any(|other| {
        apart(class(0).filter_map(pace).collect(), class(other).filter_map(pace).collect(), 1.3)
            || apart(class(0).filter_map(level).collect(), class(other).filter_map(level).collect(), 2.0)
    })
}
