//! JSON lines: one document a line, each field found by a JSON pointer (RFC 6901).

use std::fmt::Write as _;

use hereabout_core::{Frame, Word};
use serde_json::{Map, Value};

use super::{Fault, FieldName, FieldSet, LayoutErrorKind, blank_frame, blank_tokens, clear, set_field};
use crate::encode::{EncodeError, FrameFields};
use crate::rejection::Rejection;

/// Pointers with a greater index are written as object members, so that no pointer can ask the
/// encoder for a huge array.
const MAX_INDEX: usize = 255;
/// How many later `{` of a broken line are tried as the start of a frame.
const MAX_RESCUES: usize = 32;

/// A compiled JSON line layout.
#[derive(Clone, Debug)]
pub(crate) struct JsonLayout {
    fields: Vec<Field>,
}

#[derive(Clone, Debug)]
struct Field {
    name: FieldName,
    pointer: String,
    path: Vec<Step>,
}

/// One step of a pointer.
#[derive(Clone, Debug)]
struct Step {
    /// The member's name, with `~0` and `~1` resolved.
    name: String,
    /// The element's index, when the name can be one.
    index: Option<usize>,
    /// Whether the encoder makes the container an array.
    in_array: bool,
}

impl JsonLayout {
    /// Reads one line, without its end.
    pub(crate) fn parse_line(&self, line: &[u8], frame: &mut Frame) -> Result<(), Rejection> {
        let document: Value = serde_json::from_slice(line).map_err(|_| Rejection::NotJson)?;
        clear(frame);
        let mut found = 0;
        for field in &self.fields {
            let value = field.find(&document);
            found += usize::from(value.is_some());
            let word = read_word(value).ok_or(Rejection::NotANumber { field: field.name })?;
            set_field(frame, field.name, word)?;
        }
        if found == 0 { Err(Rejection::NoSuchFields) } else { Ok(()) }
    }

    /// Where in a line that is not a frame another one may begin, at `from` or later. An inner
    /// object of a broken frame must not pass for a frame: every pointer has to lead somewhere.
    pub(crate) fn rescue(&self, line: &[u8], from: usize) -> Option<usize> {
        let braces = memchr::memchr_iter(b'{', line.get(from..)?).map(|n| from + n);
        braces.take(MAX_RESCUES).find(|&start| self.is_whole(&line[start..]))
    }

    fn is_whole(&self, line: &[u8]) -> bool {
        let Ok(document) = serde_json::from_slice::<Value>(line) else { return false };
        self.fields.iter().all(|field| field.find(&document).is_some())
            && self.parse_line(line, &mut blank_frame()).is_ok()
    }

    pub(crate) fn encode(&self, fields: &FrameFields<'_>, out: &mut Vec<u8>) -> Result<(), EncodeError> {
        let mut document = Value::Null;
        let mut ranges = fields.words.iter();
        for field in &self.fields {
            let word = fields.word(field.name, &mut ranges);
            let value = match word {
                Word::Missing => Value::Null,
                Word::Int(value) => Value::from(value),
                Word::Float(value) if value.is_finite() => Value::from(value),
                Word::Float(_) => return Err(EncodeError::DoesNotFit { field: field.name, word }),
            };
            place(&mut document, &field.path, value);
        }
        out.extend_from_slice(document.to_string().as_bytes());
        out.push(b'\n');
        Ok(())
    }

    pub(crate) fn describe(&self) -> String {
        let mut text = String::from("one line of JSON a frame\n");
        let mut range = 0;
        for field in &self.fields {
            let name = match field.name {
                FieldName::Range => {
                    range += 1;
                    format!("range {range}")
                }
                other => other.to_string(),
            };
            // Writing to a String cannot fail.
            let _ = writeln!(text, "  {name:<14}at {}", field.pointer);
        }
        text
    }
}

impl Field {
    fn find<'v>(&self, document: &'v Value) -> Option<&'v Value> {
        self.path.iter().try_fold(document, |value, step| match value {
            Value::Object(members) => members.get(&step.name),
            Value::Array(elements) => elements.get(step.index?),
            _ => None,
        })
    }
}

/// A number, or nothing; `None` for anything else.
fn read_word(value: Option<&Value>) -> Option<Word> {
    match value {
        None | Some(Value::Null) => Some(Word::Missing),
        Some(Value::Number(number)) => match number.as_i64() {
            Some(whole) => Some(Word::Int(whole)),
            None => number.as_f64().map(Word::Float),
        },
        Some(_) => None,
    }
}

/// Puts a value at the end of a path, making the containers on the way.
fn place(container: &mut Value, path: &[Step], value: Value) {
    let Some((step, rest)) = path.split_first() else {
        *container = value;
        return;
    };
    if container.is_null() {
        *container = if step.in_array { Value::Array(Vec::new()) } else { Value::Object(Map::new()) };
    }
    match (container, step.index) {
        (Value::Object(members), _) => {
            place(members.entry(step.name.as_str()).or_insert(Value::Null), rest, value);
        }
        (Value::Array(elements), Some(index)) => {
            if elements.len() <= index {
                elements.resize(index + 1, Value::Null);
            }
            place(&mut elements[index], rest, value);
        }
        // No pointer of a valid layout runs through another's number, and only indices run
        // through arrays.
        _ => {}
    }
}

/// Reads a JSON line layout.
pub(super) fn parse(source: &str, field_set: &mut FieldSet) -> Result<JsonLayout, Fault> {
    let mut fields: Vec<Field> = Vec::new();
    for (span, token) in blank_tokens(source) {
        let fault = |kind| (span.clone(), kind);
        let (name, pointer) = token.split_once('=').ok_or_else(|| fault(LayoutErrorKind::BadPair))?;
        let name = FieldName::named(name)
            .ok_or_else(|| fault(LayoutErrorKind::UnknownField { name: name.to_owned() }))?;
        field_set.add(name, 1).map_err(fault)?;
        let path = parse_pointer(pointer).ok_or_else(|| fault(LayoutErrorKind::BadPointer))?;
        if let Some(other) = fields.iter().find(|other| clash(&other.path, &path)) {
            return Err(fault(LayoutErrorKind::PointerClash { other: other.pointer.clone() }));
        }
        fields.push(Field { name, pointer: pointer.to_owned(), path });
    }
    settle_containers(&mut fields);
    Ok(JsonLayout { fields })
}

fn parse_pointer(pointer: &str) -> Option<Vec<Step>> {
    pointer.strip_prefix('/')?.split('/').map(parse_step).collect()
}

fn parse_step(text: &str) -> Option<Step> {
    let mut name = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        name.push(match c {
            '~' => match chars.next()? {
                '0' => '~',
                '1' => '/',
                _ => return None,
            },
            other => other,
        });
    }
    // RFC 6901, section 4: an index has no leading zeros.
    let digits = !name.is_empty() && name.bytes().all(|b| b.is_ascii_digit());
    let index = if digits && (name == "0" || !name.starts_with('0')) { name.parse().ok() } else { None };
    Some(Step { name, index, in_array: false })
}

/// Whether one path is the start of the other, or the same.
fn clash(a: &[Step], b: &[Step]) -> bool {
    a.iter().zip(b).all(|(a, b)| a.name == b.name)
}

/// A container becomes an array when all that the pointers name in it are small indices.
fn settle_containers(fields: &mut [Field]) {
    let paths: Vec<Vec<Step>> = fields.iter().map(|field| field.path.clone()).collect();
    for field in fields {
        for depth in 0..field.path.len() {
            let inside = |other: &&Vec<Step>| clash(&other[..depth.min(other.len())], &field.path[..depth]);
            let mut siblings = paths.iter().filter(inside).filter_map(|other| other.get(depth));
            field.path[depth].in_array = siblings.all(|step| step.index.is_some_and(|i| i <= MAX_INDEX));
        }
    }
}
