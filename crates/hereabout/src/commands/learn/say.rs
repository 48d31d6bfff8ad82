//! What was learnt, as TOML for people and as JSON for programs.

use std::path::Path;

use hereabout_core::escaped;
use hereabout_wire::learn::{Alternative, FrameGuess, Outcome, Proposal, Question, Undecided};
use hereabout_words::{Said, learn as words};
use serde_json::{Value, json};

use crate::commands::rows;
use crate::terminal::wrap;

/// Comments are broken at this width.
const WIDTH: usize = 96;

/// A `[frame]` table with its reasons as comments; readings of an undecided capture wholly as comments;
/// nothing for what is no stream of frames.
pub(super) fn toml(outcome: &Outcome, capture: &Path) -> String {
    match outcome {
        Outcome::Proposal(p) => proposal(p, capture),
        Outcome::Undecided(u) => undecided(u, capture),
        Outcome::NotFrames(_) => String::new(),
    }
}

fn proposal(p: &Proposal, capture: &Path) -> String {
    let rate = p.rate_hz.map_or(String::new(), |hz| format!(", {hz:.1} frames a second"));
    let head = format!(
        "Proposed from {}: reads {} frames, {:.1} % of the bytes{rate}.",
        escaped(&capture.display().to_string()),
        p.frames_read,
        100.0 * p.share_read
    );
    let test = format!(
        "Made from {:.0} % of the capture; of the rest it reads {} frames, {:.1} %.",
        100.0 * p.tested.made_from,
        p.tested.frames,
        100.0 * p.tested.share
    );
    let mut out = comment("", &head) + &comment("", &test);
    for part in &p.parts {
        let sureness = words::sureness(part.sureness);
        out += &comment(&format!("  {sureness:<7} "), &words::part(&part.what).line());
    }
    for caution in &p.cautions {
        out += &comment("  note    ", &words::caution(caution).line());
    }
    if !p.alternatives.is_empty() {
        out += &comment("", "It may also be, with what to capture to decide:");
    }
    out += &alternatives(&p.alternatives);
    out + &p.frame.to_string()
}

fn undecided(u: &Undecided, capture: &Path) -> String {
    let head = format!(
        "Undecided from {}: {} frames of {} bytes, and not everything in them is explained.",
        escaped(&capture.display().to_string()),
        u.frames_seen,
        u.frame_bytes
    );
    let mut out = comment("", &head);
    for question in &u.questions {
        out += &comment("  - ", &words::question(question).line());
    }
    if !u.alternatives.is_empty() {
        out += &comment(
            "",
            "It may be, likeliest first; `hereabout listen` shows whether the ranges are right:",
        );
    }
    out + &alternatives(&u.alternatives)
}

fn alternatives(list: &[Alternative]) -> String {
    let mut out = String::new();
    for alternative in list {
        for line in alternative.frame.to_string().lines() {
            out += &format!("#   {line}\n");
        }
        out += &comment("    ", &words::question(&alternative.question).line());
    }
    out
}

/// `text` as comment lines, broken at blanks; `before` stands before the first, room for it before the others.
fn comment(before: &str, text: &str) -> String {
    let room = " ".repeat(before.len());
    let lines = wrap(text, WIDTH.saturating_sub(before.len()), "");
    let line = |(i, line): (usize, &String)| format!("# {}{line}\n", if i == 0 { before } else { &room });
    lines.iter().enumerate().map(line).collect()
}

/// Everything as one document.
pub(super) fn json(outcome: &Outcome) -> Value {
    match outcome {
        Outcome::Proposal(p) => {
            let parts: Vec<Value> = p
                .parts
                .iter()
                .map(|part| (words::part(&part.what), words::sureness(part.sureness)))
                .map(|(said, sureness)| json!({ "what": said.line(), "sureness": sureness, "code": said.code }))
                .collect();
            let cautions: Vec<Said> = p.cautions.iter().map(words::caution).collect();
            let lines: Vec<String> = cautions.iter().map(Said::line).collect();
            json!({
                "outcome": "proposal", "frame": frame(&p.frame), "toml": p.frame.to_string(), "parts": parts,
                "alternatives": rivals(&p.alternatives), "cautions": lines, "notes": cautions.iter().map(reason).collect::<Vec<_>>(),
                "frames_read": p.frames_read, "share_read": p.share_read, "rate_hz": p.rate_hz,
                "tested": { "made_from": p.tested.made_from, "frames": p.tested.frames, "share": p.tested.share },
            })
        }
        Outcome::Undecided(u) => {
            let questions: Vec<String> = u.questions.iter().map(|q| words::question(q).line()).collect();
            json!({
                "outcome": "undecided", "questions": questions, "reasons": reasons(&u.questions), "alternatives": rivals(&u.alternatives),
                "frame_bytes": u.frame_bytes, "frames_seen": u.frames_seen,
            })
        }
        Outcome::NotFrames(why) => {
            let said = words::not_frames(why);
            json!({ "outcome": "not_frames", "kind": said.code, "code": said.code, "words": said.line() })
        }
    }
}

fn rivals(list: &[Alternative]) -> Vec<Value> {
    let one = |a: &Alternative| {
        let said = words::question(&a.question);
        json!({ "frame": frame(&a.frame), "question": said.line(), "code": said.code })
    };
    list.iter().map(one).collect()
}

/// Why it is not sure.
fn reasons(questions: &[Question]) -> Vec<Value> {
    questions.iter().map(|question| reason(&words::question(question))).collect()
}

/// A fixed code, the words, and the facts: where it is about one place in the frame, that and the values that were seen
/// there.
fn reason(said: &Said) -> Value {
    let mut reason = rows::facts(said);
    reason.insert("code".to_owned(), said.code.into());
    reason.insert("words".to_owned(), said.line().into());
    reason.into()
}

fn frame(guess: &FrameGuess) -> Value {
    let words: Vec<Value> =
        guess.no_range.iter().map(|v| if v.is_nan() { json!("nan") } else { json!(v) }).collect();
    let mut table = json!({ "unit": guess.unit.to_string(), "no_range": words });
    table[guess.key.name()] = json!(guess.layout);
    table
}

#[cfg(test)]
mod tests;
