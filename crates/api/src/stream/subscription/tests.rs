//! Pings, their pongs and their place among messages and events. Over real sockets in `tests/live.rs`.

use hereabout_engine::Output;
use serde_json::Value;

use super::*;
use crate::{
    tests::fixtures::{T, busy_hub, located, now, sending},
    v1::EventDraft,
};

fn subscribed(hub: &Hub, query: &str) -> Subscription {
    let filter =
        crate::routes::query::subscription_filter(&format!("/v1/live?{query}").parse().unwrap()).unwrap();
    hub.subscribe(filter, &now, 64, 9).unwrap()
}

/// All that is to be had now, each as what it is and its number or text.
fn all(reader: &Subscription) -> Vec<String> {
    let next = || {
        let (next, sending) = reader.next_message(&sending);
        let value: Value = serde_json::from_str(&next.text(sending)?).unwrap();
        let of = ["seq", "ping", "problem", "nonce"].iter().find_map(|key| value.get(*key));
        let of = of.map_or_else(String::new, |v| v.as_str().map_or_else(|| v.to_string(), str::to_owned));
        Some(format!("{} {of}", value["type"].as_str().unwrap()))
    };
    std::iter::from_fn(next).collect()
}

#[test]
fn a_pong_comes_after_everything_that_waited_before_its_ping() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=position,event&tag=0");
    hub.publish(&Output::Position(located(4183, 0)));
    let stop = EventDraft::stop(T);
    (0..5).for_each(|_| hub.count_event(&stop));
    reader.heard(r#"{"ping":"one"}"#);
    hub.publish(&Output::Position(located(4184, 0)));
    hub.count_event(&stop);
    reader.heard(r#" { "ping" : "zw\u00f6lf \"\\" , "more" : [1] } "#);
    let all = all(&reader);
    let place = |of: &str| all.iter().position(|m| m == of).unwrap_or_else(|| panic!("{of}: {all:?}"));
    for before in ["position 4181", "position 4183", "event 1", "event 5"] {
        assert!(place(before) < place("pong one"), "{all:?}");
    }
    assert!(place("pong one") < place("position 4184"), "{all:?}");
    assert!(place("event 6") < place("pong zwölf \"\\"), "{all:?}");
    assert_eq!(all.len(), 11, "{all:?}");
}

#[test]
fn a_pong_has_the_moment_of_its_sending() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=link");
    reader.next_message(&sending);
    reader.heard(r#"{"ping":"7"}"#);
    let (next, sending) = reader.next_message(&sending);
    assert_eq!(next.text(sending).unwrap(), r#"{"type":"pong","ping":"7","sender_s":90.0012}"#);
    assert_eq!(reader.next_message(&|| sending).0, NextMessage::Nothing);
}

#[test]
fn eight_pings_wait_and_more_are_counted() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=link");
    (0..20).for_each(|i| reader.heard(&format!(r#"{{"ping":"{i}"}}"#)));
    assert_eq!(hub.snapshot().counts.pings_unanswered, 12);
    let told = all(&reader);
    assert_eq!(told[1..], (0..8).map(|i| format!("pong {i}")).collect::<Vec<_>>());
    reader.heard(r#"{"ping":"again"}"#);
    assert_eq!(all(&reader), ["pong again"]);
}

#[test]
fn what_is_no_ping_is_told_once_and_other_texts_mean_nothing() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=link");
    all(&reader);
    for text in [
        "",
        "hello",
        "{}",
        "[]",
        "null",
        "{\"ping\":",
        "{\"pong\":\"x\"}",
        "\"ping\"",
        "\u{0}",
        "{\"ping\":\"a\",\"ping\":\"b\"}",
    ] {
        reader.heard(text);
        assert_eq!(all(&reader), [""; 0], "{text:?}");
    }
    assert_eq!(hub.snapshot().counts.pings_unanswered, 0);
    let nested = format!("{{\"ping\":{}{}}}", "[".repeat(2_000), "]".repeat(2_000));
    let longest = format!("{{\"ping\":\"{}\"}}", "ü".repeat(128));
    let too_long = format!("{{\"ping\":\"{}\"}}", "ü".repeat(129));
    reader.heard(&longest);
    assert_eq!(all(&reader), [format!("pong {}", "ü".repeat(128))]);
    reader.heard(&too_long);
    let told = all(&reader);
    assert!(told.len() == 1 && told[0].contains("longer than 128 characters"), "{told:?}");
    for text in [&too_long, "{\"ping\":1}", "{\"ping\":null}", "{\"ping\":{\"a\":[]}}"] {
        reader.heard(text);
    }
    reader.heard(&nested); // deeper than JSON is read: no ping, no harm
    assert_eq!(all(&reader), [""; 0], "once");
    assert_eq!(hub.snapshot().counts.pings_unanswered, 5);
    let other = subscribed(&hub, "topics=link");
    other.heard("{\"ping\":1}");
    assert!(all(&other)[1].contains("a ping is {\"ping\":\"…\"}"), "each reader once");
}

#[test]
fn a_slow_reader_keeps_its_pongs_in_their_place() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=position&tag=0");
    (1..=100).for_each(|i| hub.publish(&Output::Position(located(i, 0))));
    reader.heard(r#"{"ping":"a"}"#);
    (101..=300).for_each(|i| hub.publish(&Output::Position(located(i, 0))));
    reader.heard(r#"{"ping":"b"}"#);
    assert_eq!(
        all(&reader),
        ["pong a", "position 300", "pong b"],
        "what came before it was left out for newer ones"
    );
}

#[test]
fn what_is_held_back_for_its_pace_waits_for_no_pong_and_no_pong_for_it() {
    let hub = busy_hub();
    let reader = subscribed(&hub, "topics=position&tag=0&max_rate_hz=0.01");
    assert_eq!(all(&reader), ["position 4181"]);
    hub.publish(&Output::Position(located(5000, 0)));
    reader.heard(r#"{"ping":"x"}"#);
    assert_eq!(all(&reader), ["pong x"]);
}

#[test]
fn the_nonce_is_the_first_message_even_before_the_events_of_before() {
    let hub = busy_hub();
    hub.count_event(&EventDraft::stop(T));
    let reader = subscribed(&hub, "topics=event,link&after=0&nonce=k-7.~_");
    assert_eq!(all(&reader), ["nonce k-7.~_", "event 1", "link "]);
}
