//! Binary frames: every part at a fixed place, so that a frame is judged by its first literal, its
//! length, its other literals and its checksums, in this order.

use std::ops::Range;

use hereabout_core::Frame;
use memchr::memmem::Finder;

use super::number::{Meaning, NumberType, read_bits, write_bits};
use super::{
    Fault, FieldName, FieldSet, LayoutErrorKind, MAX_FRAME_BYTES, RangeKind, blank_tokens, clear, set_field,
    split_repeat,
};
use crate::checksum::{ByteOrder, Checksum, checksum_named};
use crate::encode::{EncodeError, FrameFields};
use crate::rejection::Rejection;

/// A compiled binary layout.
#[derive(Clone, Debug)]
pub(crate) struct BinaryLayout {
    /// Length of every frame in bytes.
    len: usize,
    /// All parts in order: for encoding and describing.
    parts: Vec<Placed>,
    /// Place and value of every literal byte, in order.
    literals: Vec<(usize, u8)>,
    /// The first run of literals without a gap: what the search looks for.
    sync_word: Option<SyncWord>,
    /// All fields with their places, in order.
    fields: Vec<(Range<usize>, FieldName, NumberType)>,
    /// All checksums with their places.
    sums: Vec<(usize, SumPart)>,
}

/// A run of literals, ready to be searched for.
#[derive(Clone, Debug)]
struct SyncWord {
    at: usize,
    run: Finder<'static>,
}

/// A part and where it starts.
#[derive(Clone, Debug)]
struct Placed {
    at: usize,
    part: Part,
}

#[derive(Clone, Debug)]
enum Part {
    Literal(u8),
    Field(FieldName, NumberType),
    Skip(usize),
    Sum(SumPart),
}

#[derive(Clone, Debug)]
struct SumPart {
    checksum: Checksum,
    /// First byte that it covers; it covers all from there to its own place.
    from: usize,
    order: ByteOrder,
}

impl Part {
    fn bytes(&self) -> usize {
        match self {
            Part::Literal(_) => 1,
            Part::Field(_, number) => number.bytes,
            Part::Skip(count) => *count,
            Part::Sum(sum) => sum.checksum.algorithm().bytes(),
        }
    }
}

/// What can be said about the bytes from some place on.
pub(crate) enum Judgement {
    /// A frame starts here.
    Frame,
    /// It looked like a frame here, and is none.
    Reject(Rejection),
    /// No frame starts in this many bytes.
    Skip(usize),
    /// More bytes are needed to tell.
    NeedMore,
}

impl BinaryLayout {
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// Judges the bytes of the stream from some place on.
    pub(crate) fn judge(&self, bytes: &[u8]) -> Judgement {
        if let Some(skip) = self.skip_to_sync_word(bytes) {
            return skip;
        }
        let Some(bytes) = bytes.get(..self.len) else { return Judgement::NeedMore };
        for &(at, wanted) in &self.literals {
            if bytes[at] != wanted {
                return Judgement::Reject(Rejection::WrongLiteral { at, wanted, found: bytes[at] });
            }
        }
        for (at, sum) in &self.sums {
            let found = read_bits(&bytes[*at..at + sum.checksum.algorithm().bytes()], sum.order);
            let computed = sum.checksum.of(&bytes[sum.from..*at]);
            if found != computed {
                return Judgement::Reject(Rejection::BadChecksum { at: *at, computed, found });
            }
        }
        Judgement::Frame
    }

    /// The values of a frame that `judge` found at the start of `bytes`.
    pub(crate) fn read(&self, bytes: &[u8], frame: &mut Frame) {
        clear(frame);
        for (place, field, number) in &self.fields {
            // Counters have unsigned types of 32 bits at most, so every value fits.
            let _ = set_field(frame, *field, number.read(&bytes[place.clone()]));
        }
    }

    /// Where the next frame can start, from the first run of literals alone; `None` for "here".
    fn skip_to_sync_word(&self, bytes: &[u8]) -> Option<Judgement> {
        let sync_word = self.sync_word.as_ref()?;
        let rest = bytes.get(sync_word.at..).unwrap_or_default();
        let run = sync_word.run.needle();
        if rest.starts_with(run) {
            return None;
        }
        if run.starts_with(rest) {
            return Some(Judgement::NeedMore);
        }
        let skip = match sync_word.run.find(rest) {
            Some(n) => n,
            // The last bytes may be the beginning of a run.
            None => (rest.len() + 1).saturating_sub(run.len()).max(1),
        };
        Some(Judgement::Skip(skip))
    }

    pub(crate) fn counter_max(&self, field: FieldName) -> Option<u32> {
        let (_, _, number) = self.fields.iter().find(|(_, name, _)| *name == field)?;
        match number.kind() {
            RangeKind::Integer { max, .. } => u32::try_from(max).ok(),
            RangeKind::Float | RangeKind::Written => None,
        }
    }

    pub(crate) fn range_kind(&self, index: usize) -> Option<RangeKind> {
        let mut ranges = self.fields.iter().filter(|(_, name, _)| *name == FieldName::Range);
        ranges.nth(index).map(|(_, _, number)| number.kind())
    }

    pub(crate) fn encode(&self, fields: &FrameFields<'_>, out: &mut Vec<u8>) -> Result<(), EncodeError> {
        let start = out.len();
        let mut ranges = fields.words.iter();
        for Placed { part, .. } in &self.parts {
            match part {
                Part::Literal(byte) => out.push(*byte),
                Part::Skip(count) => out.resize(out.len() + count, 0),
                Part::Field(field, number) => {
                    let word = fields.word(*field, &mut ranges);
                    if word == hereabout_core::Word::Missing {
                        return Err(EncodeError::Missing { field: *field });
                    }
                    let bits = number.bits(word).ok_or(EncodeError::DoesNotFit { field: *field, word })?;
                    number.write(bits, out);
                }
                Part::Sum(sum) => {
                    let value = sum.checksum.of(&out[start + sum.from..]);
                    write_bits(value, sum.checksum.algorithm().bytes(), sum.order, out);
                }
            }
        }
        Ok(())
    }

    pub(crate) fn describe(&self) -> String {
        let mut text = format!("binary frame of {} bytes\n", self.len);
        let mut range = 0;
        for Placed { at, part } in &self.parts {
            let last = at + part.bytes() - 1;
            let place = if last == *at { format!("byte {at}") } else { format!("bytes {at}-{last}") };
            let what = match part {
                Part::Literal(byte) => format!("always {byte:02x}"),
                Part::Field(FieldName::Range, number) => {
                    range += 1;
                    format!("range {range}, {}", number.name)
                }
                Part::Field(field, number) => format!("{field}, {}", number.name),
                Part::Skip(_) => "ignored".to_owned(),
                Part::Sum(sum) => {
                    format!("{} of bytes {}-{}", sum.checksum.algorithm().name(), sum.from, at - 1)
                }
            };
            text.push_str(&format!("  {place:<14}{what}\n"));
        }
        text
    }
}

/// Reads a binary layout.
pub(super) fn parse(source: &str, field_set: &mut FieldSet) -> Result<BinaryLayout, Fault> {
    let mut parts = Vec::new();
    let mut len = 0_usize;
    for (span, token) in blank_tokens(source) {
        let fault = |kind| (span.clone(), kind);
        let (part, count) = parse_token(token, len).map_err(fault)?;
        if let Part::Field(field, _) = part {
            field_set.add(field, count).map_err(fault)?;
        }
        let end = len.saturating_add(part.bytes().saturating_mul(count));
        if end > MAX_FRAME_BYTES {
            return Err(fault(LayoutErrorKind::FrameTooLong { bytes: end }));
        }
        for _ in 0..count {
            let at = len;
            len += part.bytes();
            parts.push(Placed { at, part: part.clone() });
        }
    }
    compile(parts, len).ok_or((0..source.len(), LayoutErrorKind::CannotSynchronise))
}

/// Sorts the parts for the decoder; `None` when nothing in the layout marks a frame.
fn compile(parts: Vec<Placed>, len: usize) -> Option<BinaryLayout> {
    let mut layout = BinaryLayout {
        len,
        parts: Vec::new(),
        literals: Vec::new(),
        sync_word: None,
        fields: Vec::new(),
        sums: Vec::new(),
    };
    for Placed { at, part } in &parts {
        match part {
            Part::Literal(byte) => layout.literals.push((*at, *byte)),
            Part::Field(field, number) => layout.fields.push((*at..at + number.bytes, *field, *number)),
            Part::Sum(sum) => layout.sums.push((*at, sum.clone())),
            Part::Skip(_) => {}
        }
    }
    if layout.literals.is_empty() && layout.sums.is_empty() {
        return None;
    }
    layout.sync_word = layout.literals.first().map(|&(at, _)| {
        let run = layout.literals.iter().enumerate().take_while(|(i, (place, _))| *place == at + i);
        let run: Vec<u8> = run.map(|(_, (_, byte))| *byte).collect();
        SyncWord { at, run: Finder::new(&run).into_owned() }
    });
    layout.parts = parts;
    Some(layout)
}

/// One token that starts at byte `at` of the frame, and how often it stands.
fn parse_token(token: &str, at: usize) -> Result<(Part, usize), LayoutErrorKind> {
    let (head, count, repeated) = split_repeat(token)?;
    let is_hex = head.len() == 2 && head.bytes().all(|b| b.is_ascii_hexdigit());
    let lower = head.to_ascii_lowercase();
    let part = if is_hex {
        Part::Literal(u8::from_str_radix(head, 16).map_err(|_| LayoutErrorKind::UnknownToken)?)
    } else if head == "skip" {
        // One part of N bytes reads better than N parts of one.
        return Ok((Part::Skip(count.min(MAX_FRAME_BYTES + 1)), 1));
    } else if lower.starts_with("crc") || lower.starts_with("sum") || lower.starts_with("xor") {
        Part::Sum(parse_sum(head, at)?)
    } else {
        let (field, number) = parse_field(head)?;
        return Ok((Part::Field(field, number), count));
    };
    if repeated { Err(LayoutErrorKind::RepeatNotAllowed) } else { Ok((part, 1)) }
}

fn parse_field(head: &str) -> Result<(FieldName, NumberType), LayoutErrorKind> {
    let Some((name, number)) = head.split_once(':') else {
        return Err(match FieldName::named(head) {
            Some(field) => LayoutErrorKind::MissingType { field },
            None => LayoutErrorKind::UnknownToken,
        });
    };
    let field =
        FieldName::named(name).ok_or_else(|| LayoutErrorKind::UnknownField { name: name.to_owned() })?;
    let number =
        NumberType::named(number).ok_or_else(|| LayoutErrorKind::UnknownType { name: number.to_owned() })?;
    if field != FieldName::Range && number.meaning != Meaning::Unsigned {
        return Err(LayoutErrorKind::CounterNotUnsigned { field });
    }
    Ok((field, number))
}

/// `name`, then `@k` and `:le` or `:be` in any order, each at most once.
fn parse_sum(head: &str, at: usize) -> Result<SumPart, LayoutErrorKind> {
    let name_end = head.find(['@', ':']).unwrap_or(head.len());
    let (name, mut rest) = head.split_at(name_end);
    let algorithm =
        checksum_named(name).ok_or_else(|| LayoutErrorKind::UnknownChecksum { name: name.to_owned() })?;
    let (mut from, mut order) = (None, None);
    while let Some(mark) = rest.chars().next() {
        let end = rest[1..].find(['@', ':']).map_or(rest.len(), |i| i + 1);
        let (suffix, after) = rest.split_at(end);
        let bad = || LayoutErrorKind::BadChecksumSuffix { suffix: suffix.to_owned() };
        let value = &suffix[1..];
        let known = match (mark, value) {
            (':', "le") => order.replace(ByteOrder::LowFirst).is_none(),
            (':', "be") => order.replace(ByteOrder::HighFirst).is_none(),
            ('@', digits) if digits.bytes().all(|b| b.is_ascii_digit()) => {
                from.replace(digits.parse::<usize>().map_err(|_| bad())?).is_none()
            }
            _ => false,
        };
        if !known {
            return Err(bad());
        }
        rest = after;
    }
    if order.is_some() && algorithm.bytes() == 1 {
        return Err(LayoutErrorKind::OrderOfOneByte);
    }
    let from = from.unwrap_or(0);
    if from >= at {
        return Err(LayoutErrorKind::ChecksumCoversNothing { from, at });
    }
    let order = order.unwrap_or(algorithm.default_order());
    Ok(SumPart { checksum: algorithm.build(), from, order })
}
