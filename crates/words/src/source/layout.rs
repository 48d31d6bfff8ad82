//! What is said of a frame layout that was refused, and of bytes that are no frame.

use hereabout_core::MAX_ANCHORS;
use hereabout_wire::{
    FieldName, LayoutError, LayoutErrorKind, MAX_FRAME_BYTES, MAX_SOURCE_BYTES, Rejection, UnitError, Wanted,
    checksum_algorithms,
};

/// What is wrong with a layout, what to write instead, and where.
pub fn error_words(error: &LayoutError) -> String {
    format!("{} (at `{}`, byte {})", kind_words(&error.kind), error.token(), error.span.start)
}

/// What is wrong with a layout, for programs.
pub fn kind_code(kind: &LayoutErrorKind) -> &'static str {
    use LayoutErrorKind as K;
    match kind {
        K::Empty => "empty",
        K::SourceTooLong { .. } => "source_too_long",
        K::UnknownToken => "unknown_token",
        K::UnknownField { .. } => "unknown_field",
        K::MissingType { .. } => "missing_type",
        K::UnknownType { .. } => "unknown_type",
        K::UnknownChecksum { .. } => "unknown_checksum",
        K::BadChecksumSuffix { .. } => "bad_checksum_suffix",
        K::OrderOfOneByte => "order_of_one_byte",
        K::ChecksumCoversNothing { .. } => "checksum_covers_nothing",
        K::BadRepeat { .. } => "bad_repeat",
        K::RepeatNotAllowed => "repeat_not_allowed",
        K::CounterNotUnsigned { .. } => "counter_not_unsigned",
        K::FieldTwice { .. } => "field_twice",
        K::NoRange => "no_range",
        K::TooManyRanges { .. } => "too_many_ranges",
        K::FrameTooLong { .. } => "frame_too_long",
        K::CannotSynchronise => "cannot_synchronise",
        K::UnclosedLiteral => "unclosed_literal",
        K::EmptyLiteral => "empty_literal",
        K::BadEscape => "bad_escape",
        K::LineEndInLiteral => "line_end_in_literal",
        K::NoDelimiter => "no_delimiter",
        K::LiteralLooksLikeNumber => "literal_looks_like_number",
        K::MisplacedBy => "misplaced_by",
        K::BadPair => "bad_pair",
        K::BadPointer => "bad_pointer",
        K::PointerClash { .. } => "pointer_clash",
    }
}

/// What is wrong with a layout, and what to write instead.
pub fn kind_words(kind: &LayoutErrorKind) -> String {
    use LayoutErrorKind as K;
    match kind {
            K::Empty => "the layout is empty: describe at least one `range` field".to_owned(),
            K::SourceTooLong { bytes } => {
                format!("the layout text has {bytes} bytes, the most is {MAX_SOURCE_BYTES}")
            }
            K::UnknownToken => "not a token: write a literal byte as two hex digits (0a), a field as name:type (seq:u8), skip*N, or a checksum (sum8)".to_owned(),
            K::UnknownField { name } => {
                format!("no field is called `{name}`: the names are range, tag, seq, millis")
            }
            K::MissingType { field } => format!("`{field}` needs a type: write {field}:u16le for example"),
            K::UnknownType { name } => format!("no type is called `{name}`: the types are u8 i8 u16le u16be i16le i16be u24le u24be u32le u32be f32le f32be"
            ),
            K::UnknownChecksum { name } => unknown_checksum(name),
            K::BadChecksumSuffix { suffix } => format!("`{suffix}` means nothing after a checksum: `@2` starts it at byte 2, `:le` or `:be` sets its byte order"
            ),
            K::OrderOfOneByte => "a checksum of one byte has no byte order: leave :le or :be out".to_owned(),
            K::ChecksumCoversNothing { from, at } => format!("the checksum stands at byte {at} and would start at byte {from}: it must start before its own place"
            ),
            K::BadRepeat { count } => format!("`{count}` is not a repeat count: write a number from 1 up"),
            K::RepeatNotAllowed => {
                "only range and skip can be repeated: write everything else once for every time it stands".to_owned()
            }
            K::CounterNotUnsigned { field } => {
                format!("`{field}` is a count: its type must be u8, u16le, u16be, u24le, u24be, u32le or u32be")
            }
            K::FieldTwice { field } => {
                format!("`{field}` stands twice: only range may; use skip for bytes to ignore")
            }
            K::NoRange => "the layout has no `range` field: without ranges there is nothing to position".to_owned(),
            K::TooManyRanges { count } => format!("{count} range fields: the most is {MAX_ANCHORS}"),
            K::FrameTooLong { bytes } => {
                format!("the frame has {bytes} bytes or more: the most is {MAX_FRAME_BYTES}")
            }
            K::CannotSynchronise => "neither a literal byte nor a checksum: the start of a frame cannot be told from any other byte; add the bytes that every frame begins or ends with".to_owned(),
            K::UnclosedLiteral => "the quote is not closed: end the literal with '".to_owned(),
            K::EmptyLiteral => "nothing stands between the quotes: write the text that stands in the line".to_owned(),
            K::BadEscape => "a backslash may only stand in \\\\ \\' and \\t".to_owned(),
            K::LineEndInLiteral => {
                "a literal cannot hold a line end: a text frame is one line, and its end is understood".to_owned()
            }
            K::NoDelimiter => {
                "nothing separates this field from the one before: put a literal such as ',' between them".to_owned()
            }
            K::LiteralLooksLikeNumber => "a literal after a field may not begin with a digit or a point: it would be read as part of the number".to_owned(),
            K::MisplacedBy => "`by` stands after a repeated field and before a literal: range*8 by ';'".to_owned(),
            K::BadPair => "write name=/pointer, for example range=/d/0".to_owned(),
            K::BadPointer => {
                "not a JSON pointer: it begins with `/`, and `~` stands only in ~0 (for ~) and ~1 (for /)".to_owned()
            }
            K::PointerClash { other } => {
                format!("this pointer and `{other}` name the same place or one a part of the other")
            }
        }
}

/// Names the checksums of the family that the writer seems to mean, so that the message stays short.
fn unknown_checksum(name: &str) -> String {
    let lower = name.to_ascii_lowercase();
    let family = ["crc-8", "crc-16", "crc-32"]
        .into_iter()
        .find(|family| lower.starts_with(family) || lower.starts_with(&family.replace('-', "")));
    let Some(family) = family else {
        return format!(
            "no checksum is called `{name}`: write sum8, xor8, or a CRC by its catalogue name such as crc-16/modbus"
        );
    };
    let of_family = checksum_algorithms().iter().filter(|a| a.name().split('/').next() == Some(family));
    let names: Vec<&str> = of_family.map(|a| a.name()).collect();
    format!("no checksum is called `{name}`: the catalogue has {}", names.join(" "))
}

/// Why bytes of the stream are no frame, for programs.
pub fn rejection_code(rejection: Rejection) -> &'static str {
    match rejection {
        Rejection::NotAFrame => "not_a_frame",
        Rejection::WrongLiteral { .. } => "wrong_literal",
        Rejection::BadChecksum { .. } => "bad_checksum",
        Rejection::UnlikeLayout { .. } => "unlike_layout",
        Rejection::NumberTooBig { .. } => "number_too_big",
        Rejection::NotJson => "not_json",
        Rejection::NoSuchFields => "no_such_fields",
        Rejection::NotANumber { .. } => "not_a_number",
        Rejection::LineTooLong => "line_too_long",
        Rejection::Incomplete => "incomplete",
    }
}

/// Why bytes of the stream are no frame.
pub fn rejection_words(rejection: Rejection) -> String {
    match rejection {
        Rejection::NotAFrame => "no frame starts here".to_owned(),
        Rejection::WrongLiteral { at, wanted, found } => {
            format!("begins like a frame, but byte {at} is {found:02x} instead of {wanted:02x}")
        }
        Rejection::BadChecksum { at, computed, found } => {
            format!("bad checksum at byte {at}: the frame says {found:#x}, its bytes give {computed:#x}")
        }
        Rejection::UnlikeLayout { at, wanted } => {
            let wanted = match wanted {
                Wanted::Literal => "the layout's literal",
                Wanted::Number => "a number",
                Wanted::LineEnd => "the end of the line",
            };
            format!("expected {wanted} at byte {at}")
        }
        Rejection::NumberTooBig { field: FieldName::Range } => "a range is out of all bounds".to_owned(),
        Rejection::NumberTooBig { field } => {
            format!("`{field}` is not a whole number from 0 to {}", u32::MAX)
        }
        Rejection::NotJson => "not a line of JSON".to_owned(),
        Rejection::NoSuchFields => "JSON without any field of the layout".to_owned(),
        Rejection::NotANumber { field } => format!("`{field}` is not a number"),
        Rejection::LineTooLong => "the line is too long".to_owned(),
        Rejection::Incomplete => "the stream ended within a frame".to_owned(),
    }
}

/// That a text names no unit of length, and which ones there are.
pub fn unit_words(error: &UnitError) -> String {
    format!("`{}` is not a unit of range: write m, dm, cm or mm", error.0)
}

#[cfg(test)]
mod tests;
