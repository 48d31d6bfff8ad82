//! Rows of the words for programs and for the terminal: the one shape that notes and facts have in every command.

use hereabout_words::{Fact, Said};
use serde_json::{Map, Value, json};

/// A fact by its name; null where the row has none of that name.
pub(crate) fn fact(said: &Said, name: &str) -> Value {
    said.facts.iter().find(|(known, _)| *known == name).map_or(Value::Null, |(_, fact)| value(fact))
}

/// All facts of a row, by their names.
pub(crate) fn facts(said: &Said) -> Map<String, Value> {
    said.facts.iter().map(|(name, fact)| ((*name).to_owned(), value(fact))).collect()
}

fn value(fact: &Fact) -> Value {
    match fact {
        Fact::Whole(v) => json!(v),
        Fact::Number(v) => json!(v),
        Fact::Text(v) => json!(v),
        Fact::Wholes(v) => json!(v),
        Fact::Numbers(v) => json!(v),
    }
}

/// A note of `calibrate` and `verify`.
pub(crate) fn note(said: &Said) -> Value {
    json!({
        "code": said.code, "anchor": fact(said, "anchor"), "spot": fact(said, "spot"), "text": said.words,
        "excess_m": fact(said, "excess_m"), "excess_se_m": fact(said, "excess_se_m"),
        "what": said.words, "todo": said.advice,
    })
}

/// A row as an item of a list: what, and below it what to do.
pub(crate) fn item(said: &Said) -> String {
    let todo = if said.advice.is_empty() { String::new() } else { format!("    {}\n", said.advice) };
    format!("- {}\n{todo}", said.words)
}

#[cfg(test)]
mod tests;
