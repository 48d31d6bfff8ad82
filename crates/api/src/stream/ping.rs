//! Pings that readers send as texts, `{"ping":"…"}`.

use serde::Deserialize;

/// Longest text of a ping, characters.
const MAX_PING_CHARS: usize = 128;

/// The text of a ping, or what is wrong with it; `None` for what is not meant as one.
pub(crate) fn ping_of(text: &str) -> Option<Result<String, &'static str>> {
    #[derive(Deserialize)]
    struct Meant {
        ping: serde_json::Value,
    }
    let meant: Meant = serde_json::from_str(text).ok()?;
    Some(match meant.ping {
        serde_json::Value::String(ping) if ping.chars().count() <= MAX_PING_CHARS => Ok(ping),
        serde_json::Value::String(_) => {
            Err("the text of a ping is longer than 128 characters: send a shorter one")
        }
        _ => Err("a ping is {\"ping\":\"…\"}, with a text of at most 128 characters: send that"),
    })
}
