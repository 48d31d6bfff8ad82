//! Delimited text lines: literals, numbers and ignored text in a fixed order, one frame a line.
//!
//! A number ends where it can no longer be read as one, so a literal between two fields is needed
//! only to tell them apart. Blanks around a number are passed over unless the next literal begins
//! with that very blank; where a literal begins with a space, a run of spaces counts as one.

use std::fmt::Write as _;
use std::ops::Range;

use hereabout_core::{Frame, Word};

use super::{
    Fault, FieldName, FieldSet, LayoutErrorKind, MAX_FRAME_BYTES, blank_frame, clear, set_field, split_repeat,
};
use crate::encode::{EncodeError, FrameFields};
use crate::rejection::{Rejection, Wanted};

/// A compiled text layout; no two literals and no two non-literals stand side by side.
#[derive(Clone, Debug)]
pub(crate) struct TextLayout {
    parts: Vec<Part>,
}

#[derive(Clone, Debug)]
enum Part {
    Literal(Vec<u8>),
    Field(FieldName),
    Skip,
}

impl TextLayout {
    pub(crate) fn min_len(&self) -> usize {
        self.parts.iter().map(|part| if let Part::Literal(text) = part { text.len() } else { 0 }).sum()
    }

    /// Reads one line, without its end.
    pub(crate) fn parse_line(&self, line: &[u8], frame: &mut Frame) -> Result<(), Rejection> {
        clear(frame);
        let mut cursor = Cursor { line, at: 0 };
        for (i, part) in self.parts.iter().enumerate() {
            let next = self.literal_at(i + 1);
            match part {
                Part::Literal(text) => cursor.literal(text)?,
                Part::Field(field) => set_field(frame, *field, cursor.number(next)?)?,
                Part::Skip => cursor.pass_over(next)?,
            }
        }
        cursor.end()
    }

    /// Where in a line that is not a frame another frame may begin, at `from` or later: a line that
    /// was cut short has the next one glued to it. Only the leading literal can tell.
    pub(crate) fn rescue(&self, line: &[u8], from: usize) -> Option<usize> {
        let sync_word = self.literal_at(0)?;
        let starts = memchr::memmem::find_iter(line.get(from..)?, sync_word).map(|n| from + n);
        let mut scratch = blank_frame();
        starts.into_iter().find(|&start| self.parse_line(&line[start..], &mut scratch).is_ok())
    }

    fn literal_at(&self, index: usize) -> Option<&[u8]> {
        match self.parts.get(index) {
            Some(Part::Literal(text)) => Some(text),
            _ => None,
        }
    }

    pub(crate) fn encode(&self, fields: &FrameFields<'_>, out: &mut Vec<u8>) -> Result<(), EncodeError> {
        let mut ranges = fields.words.iter();
        for (i, part) in self.parts.iter().enumerate() {
            match part {
                Part::Literal(text) => out.extend_from_slice(text),
                Part::Skip => {}
                Part::Field(field) => match fields.word(*field, &mut ranges) {
                    Word::Missing if self.beside_space(i) => {
                        return Err(EncodeError::Missing { field: *field });
                    }
                    word => write_number(*field, word, out)?,
                },
            }
        }
        out.push(b'\n');
        Ok(())
    }

    /// Whether a field stands beside a space: an empty one could not be told from a run of spaces.
    fn beside_space(&self, index: usize) -> bool {
        let before = index.checked_sub(1).and_then(|i| self.literal_at(i));
        before.is_some_and(|text| text.ends_with(b" "))
            || self.literal_at(index + 1).is_some_and(|text| text.starts_with(b" "))
    }

    pub(crate) fn describe(&self) -> String {
        let mut text = String::from("one line of text a frame\n");
        let mut range = 0;
        for part in &self.parts {
            // Writing to a String cannot fail.
            let _ = match part {
                Part::Literal(literal) => {
                    writeln!(text, "  always        {:?}", String::from_utf8_lossy(literal))
                }
                Part::Field(FieldName::Range) => {
                    range += 1;
                    writeln!(text, "  number        range {range}")
                }
                Part::Field(field) => writeln!(text, "  number        {field}"),
                Part::Skip => writeln!(text, "  any text      ignored"),
            };
        }
        text
    }
}

fn write_number(field: FieldName, word: Word, out: &mut Vec<u8>) -> Result<(), EncodeError> {
    match word {
        Word::Missing => {}
        Word::Int(value) => out.extend_from_slice(value.to_string().as_bytes()),
        Word::Float(value) if value.is_infinite() => return Err(EncodeError::DoesNotFit { field, word }),
        Word::Float(value) if value.is_nan() => out.extend_from_slice(b"nan"),
        // The debug form always has a point or an exponent, so that it is read back as a float.
        Word::Float(value) => out.extend_from_slice(format!("{value:?}").as_bytes()),
    }
    Ok(())
}

/// A place in a line.
struct Cursor<'a> {
    line: &'a [u8],
    at: usize,
}

impl Cursor<'_> {
    fn rest(&self) -> &[u8] {
        &self.line[self.at..]
    }

    fn differs<T>(&self, wanted: Wanted) -> Result<T, Rejection> {
        Err(Rejection::UnlikeLayout { at: self.at, wanted })
    }

    fn literal(&mut self, text: &[u8]) -> Result<(), Rejection> {
        if !self.rest().starts_with(text) {
            return self.differs(Wanted::Literal);
        }
        self.at += text.len();
        Ok(())
    }

    /// A number with the blanks around it; `next` is the literal after it.
    fn number(&mut self, next: Option<&[u8]>) -> Result<Word, Rejection> {
        let delimiter = next.and_then(|text| text.first()).copied();
        self.pass_blanks(|blank| blank == b' ' || delimiter != Some(b'\t'));
        let len = number_len(self.rest());
        let word = match read_number(&self.rest()[..len]) {
            Some(word) => word,
            None => return self.differs(Wanted::Number),
        };
        self.at += len;
        self.pass_blanks(|blank| delimiter != Some(blank));
        Ok(word)
    }

    fn pass_blanks(&mut self, passes: impl Fn(u8) -> bool) {
        let blanks = self.rest().iter().take_while(|&&b| matches!(b, b' ' | b'\t') && passes(b));
        self.at += blanks.count();
    }

    /// Goes to the next literal, or to the end when there is none.
    fn pass_over(&mut self, next: Option<&[u8]>) -> Result<(), Rejection> {
        let passed = match next {
            None => Some(self.rest().len()),
            Some(text) => memchr::memmem::find(self.rest(), text),
        };
        match passed {
            Some(n) => self.at += n,
            None => return self.differs(Wanted::Literal),
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), Rejection> {
        self.pass_blanks(|_| true);
        if self.rest().is_empty() { Ok(()) } else { self.differs(Wanted::LineEnd) }
    }
}

/// Length of the longest start of `bytes` that can be read as a number; 0 for an empty field.
fn number_len(bytes: &[u8]) -> usize {
    if bytes.get(..3).is_some_and(|word| word.eq_ignore_ascii_case(b"nan")) {
        return 3;
    }
    let digits = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits(sign);
    let mut len = sign + whole;
    let mut mantissa = whole;
    if bytes.get(len) == Some(&b'.') {
        let fraction = digits(len + 1);
        mantissa += fraction;
        len += 1 + fraction;
    }
    if mantissa == 0 {
        return 0;
    }
    if matches!(bytes.get(len), Some(b'e' | b'E')) {
        let exponent_sign = usize::from(matches!(bytes.get(len + 1), Some(b'+' | b'-')));
        // An `e` without digits belongs to what follows the number.
        if bytes.get(len + 1 + exponent_sign).is_some_and(u8::is_ascii_digit) {
            len += 1 + exponent_sign + digits(len + 1 + exponent_sign);
        }
    }
    len
}

/// The number that `number_len` marked out; `None` when it is beyond all bounds.
fn read_number(bytes: &[u8]) -> Option<Word> {
    if bytes.is_empty() {
        return Some(Word::Missing);
    }
    let text = str::from_utf8(bytes).ok()?;
    if bytes.iter().all(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-')) {
        return text.parse().ok().map(Word::Int);
    }
    let value: f64 = text.parse().ok()?;
    (!value.is_infinite()).then_some(Word::Float(value))
}

/// Reads a text layout.
pub(super) fn parse(source: &str, field_set: &mut FieldSet) -> Result<TextLayout, Fault> {
    let mut layout = TextLayout { parts: Vec::new() };
    let mut lexer = Lexer { source, at: 0 };
    while let Some((span, token)) = lexer.next()? {
        match token {
            Token::Literal(text) => {
                push_literal(&mut layout.parts, text).map_err(|kind| (span.clone(), kind))?;
            }
            Token::Word(word) => push_word(&mut layout.parts, word, &span, &mut lexer, field_set)?,
        }
        let bytes = layout.min_len();
        if bytes > MAX_FRAME_BYTES {
            return Err((span, LayoutErrorKind::FrameTooLong { bytes }));
        }
    }
    Ok(layout)
}

/// Appends a field or skip as often as it stands, with its separator between.
fn push_word(
    parts: &mut Vec<Part>,
    word: &str,
    span: &Range<usize>,
    lexer: &mut Lexer<'_>,
    field_set: &mut FieldSet,
) -> Result<(), Fault> {
    let fault = |kind| (span.clone(), kind);
    let (part, count) = parse_word(word).map_err(fault)?;
    if let Part::Field(field) = part {
        field_set.add(field, count).map_err(fault)?;
    }
    if !matches!(parts.last(), None | Some(Part::Literal(_))) {
        return Err(fault(LayoutErrorKind::NoDelimiter));
    }
    // Separators alone would make the line too long; stopped before anything is built.
    if count > MAX_FRAME_BYTES {
        return Err(fault(LayoutErrorKind::FrameTooLong { bytes: count }));
    }
    let separator = match lexer.separator()? {
        Some((_, Token::Literal(text))) if count > 1 => text,
        Some((by, _)) => return Err((by, LayoutErrorKind::MisplacedBy)),
        None => usual_separator(parts.last()),
    };
    parts.push(part.clone());
    for _ in 1..count {
        push_literal(parts, separator.clone()).map_err(fault)?;
        parts.push(part.clone());
    }
    Ok(())
}

/// Appends a literal; one right after another becomes part of it.
fn push_literal(parts: &mut Vec<Part>, mut text: Vec<u8>) -> Result<(), LayoutErrorKind> {
    match parts.last_mut() {
        Some(Part::Literal(before)) => before.append(&mut text),
        Some(Part::Field(_)) if text.first().is_some_and(|&b| b.is_ascii_digit() || b == b'.') => {
            return Err(LayoutErrorKind::LiteralLooksLikeNumber);
        }
        _ => parts.push(Part::Literal(text)),
    }
    Ok(())
}

/// What stands between repeated fields when the layout does not say: the delimiter before them, if
/// the literal there ends in one, else a comma.
fn usual_separator(before: Option<&Part>) -> Vec<u8> {
    match before {
        Some(Part::Literal(text)) => match text.last() {
            Some(&last @ (b',' | b';' | b'|' | b'\t')) => vec![last],
            _ => b",".to_vec(),
        },
        _ => b",".to_vec(),
    }
}

fn parse_word(word: &str) -> Result<(Part, usize), LayoutErrorKind> {
    let (head, count, _) = split_repeat(word)?;
    if head == "skip" {
        return Ok((Part::Skip, count));
    }
    if head == "by" {
        return Err(LayoutErrorKind::MisplacedBy);
    }
    match FieldName::named(head) {
        Some(field) => Ok((Part::Field(field), count)),
        None => Err(LayoutErrorKind::UnknownField { name: head.to_owned() }),
    }
}

enum Token<'a> {
    Literal(Vec<u8>),
    Word(&'a str),
}

/// Cuts a text layout into quoted literals and words.
struct Lexer<'a> {
    source: &'a str,
    at: usize,
}

impl<'a> Lexer<'a> {
    fn next(&mut self) -> Result<Option<(Range<usize>, Token<'a>)>, Fault> {
        let rest = &self.source[self.at..];
        let start = self.at + (rest.len() - rest.trim_ascii_start().len());
        let rest = &self.source[start..];
        let Some(quoted) = rest.strip_prefix('\'') else {
            let end = rest.find(|c: char| c.is_ascii_whitespace() || c == '\'').unwrap_or(rest.len());
            self.at = start + end;
            return Ok((end > 0).then(|| (start..self.at, Token::Word(&rest[..end]))));
        };
        let (text, len) = read_literal(quoted, start + 1)?;
        self.at = start + 1 + len;
        if text.is_empty() {
            return Err((start..self.at, LayoutErrorKind::EmptyLiteral));
        }
        Ok(Some((start..self.at, Token::Literal(text))))
    }

    /// The literal after `by`, when `by` comes next; its span runs from `by` to the literal's end.
    /// A word in the literal's place is handed back as it is.
    fn separator(&mut self) -> Result<Option<(Range<usize>, Token<'a>)>, Fault> {
        let before = self.at;
        match self.next()? {
            Some((by, Token::Word("by"))) => match self.next()? {
                Some((span, token)) => Ok(Some((by.start..span.end, token))),
                None => Err((by, LayoutErrorKind::MisplacedBy)),
            },
            _ => {
                self.at = before;
                Ok(None)
            }
        }
    }
}

/// A literal from behind its opening quote, which stands at `start - 1`: its text, and its length in
/// the source with the closing quote.
fn read_literal(quoted: &str, start: usize) -> Result<(Vec<u8>, usize), Fault> {
    let mut text = Vec::new();
    let mut bytes = quoted.bytes().enumerate();
    while let Some((i, byte)) = bytes.next() {
        match byte {
            b'\'' => return Ok((text, i + 1)),
            b'\n' | b'\r' => {
                return Err((start + i..start + i + 1, LayoutErrorKind::LineEndInLiteral));
            }
            b'\\' => match bytes.next() {
                Some((_, escaped @ (b'\\' | b'\''))) => text.push(escaped),
                Some((_, b't')) => text.push(b'\t'),
                // Only the backslash is pointed at: what follows may be a part of a longer character.
                _ => return Err((start + i..start + i + 1, LayoutErrorKind::BadEscape)),
            },
            other => text.push(other),
        }
    }
    Err((start - 1..start + quoted.len(), LayoutErrorKind::UnclosedLiteral))
}
