//! Tests of `rows`.

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
