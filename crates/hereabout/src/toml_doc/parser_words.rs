//! What the TOML parser found, in people's words: it speaks of its grammar and of types of the program.

/// What a parser's message about `text` says. What is none of its messages stays as it is.
pub(crate) fn parser_words(message: &str, text: &str) -> String {
    if toml::from_str::<toml::Table>(text).is_err() {
        return format!("not valid TOML; {}", not_toml(message));
    }
    match missing_key(message) {
        Some(key) => format!("the key {key} is missing"),
        None => wrong_type(message),
    }
}

/// What is wrong with a text that is no TOML at all, and what is meant.
pub(super) fn not_toml(message: &str) -> &'static str {
    let said = first_line(message);
    let about = |words: &[&str]| words.iter().any(|word| said.contains(word));
    if about(&["duplicate key"]) {
        "this key, or this table, is there twice: keep one of them"
    } else if about(&["cannot extend"]) {
        "this key has a value already, so it can't be a table as well"
    } else if about(&["must be quoted"]) {
        "a value belongs behind the equals sign: a text in double quotes, a number, true or false, or a list with commas \
         between its values: [1, 2]"
    } else if about(&["unclosed table", "unclosed array table", "invalid table", "missing table"]) {
        "a table's name stands in brackets, on a line of its own: [site], or [[anchor]]"
    } else if about(&["unclosed inline table", "inline table"]) {
        "a table on one line is { key = value, key = value }, with commas and both braces"
    } else if about(&["array"]) {
        "a list is [value, value], with commas and both brackets"
    } else if about(&["recursion"]) {
        "lists and tables are nested too deep"
    } else if about(&["missing value"]) {
        "a value belongs behind the equals sign: key = value"
    } else if about(&["string", "quote", "escape"]) {
        "a text stands in double quotes on one line: name = \"yard\"; a backslash in it is written twice"
    } else if about(&[
        "number",
        "integer",
        "float",
        "mantissa",
        "exponent",
        "leading zero",
        "sign",
        "digit",
        "underscore",
    ]) {
        "a number is written like 12, -3 or 2.50: a point, no comma, no unit, no leading zero"
    } else if about(&["date", "time", "month", "hour"]) {
        "a date is written like 2026-05-04, a time like 2026-05-04T08:30:00Z"
    } else if about(&["comment", "control character", "newline"]) {
        "there is a character that no line may have; write the line again"
    } else {
        "a line is key = value, the name of a table like [site] or [[anchor]], or a comment that begins with #"
    }
}

/// The key that a missing one is called, where that is what the message says.
pub(super) fn missing_key(message: &str) -> Option<&str> {
    first_line(message).strip_prefix("missing field `")?.split('`').next()
}

/// What stands in the place of another type, in people's words: the reader of the file speaks of `f64` and of maps.
pub(super) fn wrong_type(message: &str) -> String {
    let message = first_line(message);
    let found = |start| Some(message.strip_prefix(start)?.split(", expected ").next()?.to_owned());
    if let Some(found) = found("invalid type: ") {
        let value = found.split_once(' ').map_or("", |(_, value)| value).trim_matches('`');
        return match found.split(' ').next() {
            Some("string") => format!("{value} is a text"),
            Some("integer") => format!("{value} is a whole number"),
            Some("floating") => {
                format!("{} is a number", value.trim_start_matches("point ").trim_matches('`'))
            }
            Some("boolean") => format!("{value} is no such value"),
            Some("map") => "this is a table".to_owned(),
            Some("sequence") => "this is a list".to_owned(),
            _ => "this is another kind of value".to_owned(),
        };
    }
    if let Some(found) = found("invalid value: ") {
        let value = found.split_once('`').map_or(found.as_str(), |(_, value)| value);
        return format!("{} is out of bounds", value.trim_matches('`'));
    }
    match found("invalid length ") {
        Some(length) => format!("this list has the wrong length ({length})"),
        None => message.to_owned(),
    }
}

fn first_line(message: &str) -> &str {
    message.lines().next().unwrap_or(message)
}

#[cfg(test)]
mod tests;
