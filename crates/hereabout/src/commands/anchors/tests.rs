//! Tests of `anchors`.

use super::*;

#[test]
fn addresses_are_host_and_port() {
    for (url, address) in [
        ("http://127.0.0.1:6208", "http://127.0.0.1:6208"),
        ("http://127.0.0.1:6300/", "http://127.0.0.1:6300"),
        ("localhost:7000", "http://localhost:7000"),
        ("http://localhost", "http://localhost:6208"),
        ("http://[::1]:6208", "http://[::1]:6208"),
        ("[::1]", "http://[::1]:6208"),
    ] {
        assert_eq!(Address::parse(url).unwrap(), Address(address.to_owned()), "{url}");
    }
    for url in [
        "",
        "http://",
        "https://127.0.0.1:6208",
        "ftp://127.0.0.1",
        "http://127.0.0.1:6208/v1/anchors",
        "http://127.0.0.1:port",
        "http://127.0.0.1:0",
        "http://127.0.0.1:70000",
        "http://user@127.0.0.1",
        "::1",
        "a b",
        "a\r\nX: y",
    ] {
        assert_eq!(Address::parse(url).map_err(|f| f.code).err(), Some(exit::USAGE), "{url}");
    }
}

#[test]
fn the_daemons_own_words_are_shown_without_control_characters() {
    let address = Address::parse("http://127.0.0.1").unwrap();
    let body = "{\"detail\":\"not \\u001b[2J this host\"}".to_owned();
    let refused = Answer { status: 403, kind: "application/problem+json".into(), body };
    let words = refused.table(&address, false).unwrap_err().message;
    assert!(words.contains("status 403: not ?[2J this host"), "{words}");
}

#[test]
fn rows_are_told_from_other_json() {
    let address = Address::parse("http://127.0.0.1").unwrap();
    let answer = |body: &str| Answer { status: 200, kind: "application/json".into(), body: body.into() };
    assert_eq!(answer("{\"anchors\":[]}").table(&address, true).unwrap(), "{\"anchors\":[]}");
    for other in ["{\"tags\":[]}", "[]", "", "Anchors of x"] {
        assert_eq!(answer(other).table(&address, true).map_err(|f| f.code), Err(exit::DATA), "{other}");
    }
}
