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
mod tests {
    use hereabout_core::AnchorId;
    use hereabout_words::calibration::{odd_offset, reused_place};

    use super::*;

    #[test]
    fn a_note_has_all_its_keys_whatever_it_is_about() {
        let of_a_spot = note(&reused_place("gate", "bench"));
        assert_eq!((&of_a_spot["code"], &of_a_spot["spot"]), (&json!("calibration_place"), &json!("gate")));
        let of_a_board = note(&odd_offset(AnchorId(7)));
        assert_eq!((&of_a_board["anchor"], &of_a_board["spot"]), (&json!(7), &Value::Null));
        for note in [of_a_spot, of_a_board] {
            let keys: Vec<&str> = note.as_object().unwrap().keys().map(String::as_str).collect();
            assert_eq!(keys, ["anchor", "code", "excess_m", "excess_se_m", "spot", "text", "todo", "what"]);
        }
        assert_eq!(facts(&odd_offset(AnchorId(7))), Map::from_iter([("anchor".to_owned(), json!(7))]));
    }

    #[test]
    fn an_item_without_advice_is_one_line() {
        let said = odd_offset(AnchorId(7));
        assert_eq!(item(&said).lines().count(), 2);
        assert_eq!(item(&Said { advice: String::new(), ..said }).lines().count(), 1);
    }
}
