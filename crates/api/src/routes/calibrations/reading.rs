//! What was sent to `POST /v1/calibrations`, read: a body, or what is wrong with which key and what to do.
//!
//! The JSON library decides what is read. Its own words ("missing field", "expected f64") speak of programs, so whatever it
//! refuses is looked at once more, key by key, and said in ours. Keys are named as paths: `anchors[2].offset_m`.

use std::fmt;

use serde::{
    Deserialize, Deserializer,
    de::{MapAccess, SeqAccess, Visitor},
};
use serde_json::error::Category;

use crate::{http::problem::shorten, v1::CalibrationsBody};

/// The body, or why it can't be read, as whole sentences.
pub(super) fn read(bytes: &[u8]) -> Result<CalibrationsBody, String> {
    serde_json::from_slice(bytes).map_err(|error| format!("It cannot be read: {}.", why(bytes, &error)))
}

fn why(bytes: &[u8], error: &serde_json::Error) -> String {
    if bytes.trim_ascii().is_empty() {
        return "nothing was sent as the body".to_owned();
    }
    if error.classify() != Category::Data {
        return no_json(error);
    }
    match serde_json::from_slice::<Node>(bytes) {
        Ok(node) => {
            body(&node).unwrap_or_else(|| format!("it is not what is asked for, at {}", place(error)))
        }
        Err(error) => no_json(&error),
    }
}

fn no_json(error: &serde_json::Error) -> String {
    let place = place(error);
    match error.classify() {
        Category::Eof => format!("the JSON ends too early, at {place}: a bracket or quote is not closed"),
        _ => format!("it is no JSON from {place} on: see to brackets, commas, quotes and numbers there"),
    }
}

fn place(error: &serde_json::Error) -> String {
    format!("line {}, column {}", error.line(), error.column())
}

/// What is wrong with the whole; `None` when nothing is found.
fn body(node: &Node) -> Option<String> {
    let pairs = match object("the body", "", node, &["anchors"]) {
        Ok(pairs) => pairs,
        Err(why) => return Some(why),
    };
    match value(pairs, "anchors") {
        None => Some("'anchors' is missing: give the list of anchors with their offsets".to_owned()),
        Some(Node::List(anchors)) => anchors.iter().enumerate().find_map(|(i, node)| anchor(i, node)),
        Some(other) => Some(format!("'anchors' is {other}: give a list of anchors in brackets")),
    }
}

/// What is wrong with one anchor of the list.
fn anchor(index: usize, node: &Node) -> Option<String> {
    let path = format!("anchors[{index}]");
    let known = ["id", "offset_m", "scale", "offset_se_m"];
    let pairs = match object(&format!("'{path}'"), &format!("{path}."), node, &known) {
        Ok(pairs) => pairs,
        Err(why) => return Some(why),
    };
    let is_id = |n: &Node| matches!(n, Node::Whole(id) if u16::try_from(*id).is_ok());
    let is_number = |n: &Node| matches!(n, Node::Whole(_) | Node::Number(_));
    let is_number_or_null = |n: &Node| is_number(n) || matches!(n, Node::Null);
    type Fits<'a> = &'a dyn Fn(&Node) -> bool;
    let keys: [(&str, bool, Fits<'_>, &str); 4] = [
        ("id", true, &is_id, "the anchor's id, a whole number from 0 to 65535"),
        ("offset_m", true, &is_number, "a number, metres"),
        ("scale", false, &is_number, "a number such as 1, or leave it out"),
        ("offset_se_m", false, &is_number_or_null, "a number, metres, or null, or leave it out"),
    ];
    keys.into_iter().find_map(|(key, required, fits, wanted)| match value(pairs, key) {
        None => required.then(|| format!("'{path}.{key}' is missing: give {wanted}")),
        Some(node) => (!fits(node)).then(|| format!("'{path}.{key}' is {node}: give {wanted}")),
    })
}

/// The pairs of an object that has these keys alone, each at most once; else what is wrong.
fn object<'a>(
    name: &str,
    path: &str,
    node: &'a Node,
    known: &[&str],
) -> Result<&'a [(String, Node)], String> {
    let Node::Object(pairs) = node else {
        return Err(format!("{name} is {node}: give an object in braces"));
    };
    for (i, (key, _)) in pairs.iter().enumerate() {
        let said = shorten(key);
        if !known.contains(&key.as_str()) {
            return Err(format!("'{path}{said}' is not known: leave it out, or write {}", known.join(", ")));
        }
        if pairs[..i].iter().any(|(earlier, _)| earlier == key) {
            return Err(format!("'{path}{said}' is there twice: give it once"));
        }
    }
    Ok(pairs)
}

fn value<'a>(pairs: &'a [(String, Node)], key: &str) -> Option<&'a Node> {
    pairs.iter().find(|(k, _)| k == key).map(|(_, node)| node)
}

/// JSON as it stands there, keys that are there twice among it. How deep it may be, the library bounds.
#[derive(Debug)]
enum Node {
    Null,
    Bool(bool),
    /// A whole number of at most 64 bits.
    Whole(i128),
    Number(f64),
    Text(String),
    List(Vec<Node>),
    Object(Vec<(String, Node)>),
}

/// As the end of "it is ...".
impl fmt::Display for Node {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Node::Null => f.write_str("null"),
            Node::Bool(value) => write!(f, "{value}"),
            Node::Whole(number) => write!(f, "the number {number}"),
            Node::Number(number) => write!(f, "the number {number}"),
            Node::Text(text) => write!(f, "the text \"{}\"", shorten(text)),
            Node::List(_) => f.write_str("a list"),
            Node::Object(_) => f.write_str("an object"),
        }
    }
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Node, D::Error> {
        struct Nodes;
        impl<'de> Visitor<'de> for Nodes {
            type Value = Node;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("JSON")
            }
            fn visit_unit<E>(self) -> Result<Node, E> {
                Ok(Node::Null)
            }
            fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
                Ok(Node::Bool(value))
            }
            fn visit_u64<E>(self, number: u64) -> Result<Node, E> {
                Ok(Node::Whole(number.into()))
            }
            fn visit_i64<E>(self, number: i64) -> Result<Node, E> {
                Ok(Node::Whole(number.into()))
            }
            fn visit_f64<E>(self, number: f64) -> Result<Node, E> {
                Ok(Node::Number(number))
            }
            fn visit_str<E>(self, text: &str) -> Result<Node, E> {
                Ok(Node::Text(text.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Node, A::Error> {
                let mut list = Vec::new();
                while let Some(item) = items.next_element()? {
                    list.push(item);
                }
                Ok(Node::List(list))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Node, A::Error> {
                let mut pairs = Vec::new();
                while let Some(pair) = entries.next_entry()? {
                    pairs.push(pair);
                }
                Ok(Node::Object(pairs))
            }
        }
        deserializer.deserialize_any(Nodes)
    }
}

#[cfg(test)]
mod tests;
