//! The text of a binary layout from what was recognised in the columns.

use std::ops::Range;

use super::arrays::Array;
use super::columns::{Column, Counter};
use super::sums::Sum;
use crate::{ByteOrder, FieldName};

/// Bytes below this are more often a number (of the tag, a type) than a part of a preamble.
const SMALL: u8 = 0x10;
/// The longest preamble, bytes.
pub(in crate::learn) const MAX_PREAMBLE_BYTES: usize = 4;

/// What stands where in a frame that starts at column 0.
#[derive(Clone, Debug)]
pub(in crate::learn) struct FrameStructure {
    pub(in crate::learn) columns: Vec<Column>,
    /// Constant bytes at the start that the layout insists on.
    pub(in crate::learn) preamble: usize,
    /// Where the constant bytes at the end begin.
    pub(in crate::learn) trailer: usize,
    /// Counters with the field that each becomes; `None` is passed over.
    pub(in crate::learn) counters: Vec<(Counter, Option<FieldName>)>,
    pub(in crate::learn) sum: Option<Sum>,
    pub(in crate::learn) array: Array,
    /// Zero bytes above the two of a word that belong to it: 0 to 2.
    pub(in crate::learn) upper: usize,
    /// The byte that is read as the number of the tag.
    pub(in crate::learn) tag: Option<usize>,
    /// Whether constant bytes elsewhere are literals too: for streams that have little else to hold on to.
    pub(in crate::learn) strict: bool,
}

/// Number of constant bytes at the start that can be a preamble.
pub(in crate::learn) fn preamble(columns: &[Column]) -> usize {
    let run = columns.iter().take(MAX_PREAMBLE_BYTES).take_while(|c| c.constant).count();
    let telling = |c: &Column| c.mode >= SMALL && c.mode != 0xFF;
    let last = columns[..run].iter().rposition(telling);
    last.map_or(run.min(1), |i| i + 1)
}

/// Where the constant bytes at the end begin that can be a trailer; `after` is the first column that is free.
pub(in crate::learn) fn trailer(columns: &[Column], after: usize) -> usize {
    let len = columns.len();
    let mut start = len;
    while start > after && start + MAX_PREAMBLE_BYTES > len && columns[start - 1].constant {
        start -= 1;
    }
    let telling = |c: &Column| c.mode >= 0x0A && c.mode != 0xFF;
    columns[start..].iter().position(telling).map_or(len, |i| start + i)
}

impl FrameStructure {
    pub(in crate::learn) fn width(&self) -> usize {
        self.array.base.width() + self.upper
    }

    /// Columns of the range word of the slot at `at`.
    pub(in crate::learn) fn word(&self, at: usize) -> Range<usize> {
        let start = if self.array.base.is_low_first() { at } else { at - self.upper };
        start..start + self.width()
    }

    pub(in crate::learn) fn type_name(&self) -> String {
        let kind = if self.array.base.is_float() { 'f' } else { 'u' };
        let order = if self.array.base.is_low_first() { "le" } else { "be" };
        format!("{kind}{}{order}", 8 * self.width())
    }

    /// The layout in the layout language.
    pub(in crate::learn) fn layout(&self) -> String {
        let mut tokens: Vec<String> = Vec::new();
        let (mut at, mut skipped) = (0, 0);
        while at < self.columns.len() {
            let (token, bytes) = self.token(at);
            match token {
                None => skipped += bytes,
                Some(token) => {
                    push_skip(&mut tokens, &mut skipped);
                    tokens.push(token);
                }
            }
            at += bytes;
        }
        push_skip(&mut tokens, &mut skipped);
        tokens.join(" ")
    }

    /// The token at column `at` (`None` for ignored bytes) and the bytes that it takes.
    fn token(&self, at: usize) -> (Option<String>, usize) {
        if at < self.preamble || at >= self.trailer {
            return (Some(format!("{:02x}", self.columns[at].mode)), 1);
        }
        if let Some(count) = self.words_from(at) {
            let repeat = if count > 1 { format!("*{count}") } else { String::new() };
            return (Some(format!("range:{}{repeat}", self.type_name())), count * self.width());
        }
        if let Some(sum) = self.sum.as_ref().filter(|s| s.at == at) {
            return (Some(sum_token(sum, self.columns.len())), sum.width());
        }
        if let Some((counter, field)) = self.counters.iter().find(|(c, _)| c.at == at) {
            let token = field.map(|f| format!("{f}:{}", counter_type(counter)));
            return (token, counter.width);
        }
        if self.tag == Some(at) {
            return (Some("tag:u8".to_owned()), 1);
        }
        let column = &self.columns[at];
        let literal = self.strict && column.constant && column.mode >= SMALL && column.mode != 0xFF;
        (literal.then(|| format!("{:02x}", column.mode)), 1)
    }

    /// Number of range words without a gap from `at` on.
    fn words_from(&self, at: usize) -> Option<usize> {
        let starts = |at: usize| self.array.slots.iter().any(|s| self.word(s.at).start == at);
        let count = (0..).take_while(|i| starts(at + i * self.width())).count();
        (count > 0).then_some(count)
    }
}

fn push_skip(tokens: &mut Vec<String>, skipped: &mut usize) {
    match std::mem::take(skipped) {
        0 => {}
        1 => tokens.push("skip".to_owned()),
        many => tokens.push(format!("skip*{many}")),
    }
}

fn sum_token(sum: &Sum, len: usize) -> String {
    let from = match sum.from(len) {
        0 => String::new(),
        from => format!("@{from}"),
    };
    let order = match sum.order {
        _ if sum.width() == 1 || sum.order == sum.algorithm.default_order() => "",
        ByteOrder::LowFirst => ":le",
        ByteOrder::HighFirst => ":be",
    };
    format!("{}{from}{order}", sum.algorithm.name())
}

fn counter_type(counter: &Counter) -> String {
    match (counter.width, counter.order) {
        (1, _) => "u8".to_owned(),
        (width, ByteOrder::LowFirst) => format!("u{}le", 8 * width),
        (width, ByteOrder::HighFirst) => format!("u{}be", 8 * width),
    }
}
