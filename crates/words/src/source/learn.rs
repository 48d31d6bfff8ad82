//! What learning found in a capture: parts, what it can't tell and what to capture to decide, cautions, and why a capture
//! is no stream of frames.

use hereabout_wire::Unit;
use hereabout_wire::learn::{Caution, NotFrames, PartKind, Question, SMOOTHER, Sureness};

use crate::numbers::list;
use crate::said::{Fact, Said, Topic};

fn row(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Learn, code, words, advice)
}

/// How sure a part of a proposal is, in one word.
pub fn sureness(sureness: Sureness) -> &'static str {
    match sureness {
        Sureness::Open => "open",
        Sureness::Likely => "likely",
        Sureness::Sure => "sure",
    }
}

/// What was recognised.
pub fn part(part: &PartKind) -> Said {
    let (code, words) = match part {
        PartKind::FrameLength { bytes } => ("frame_length", format!("frames of {bytes} bytes")),
        PartKind::Preamble { bytes } => ("preamble", format!("every frame begins with {}", hex(bytes))),
        PartKind::Trailer { bytes } => ("trailer", format!("every frame ends with {}", hex(bytes))),
        PartKind::ConstantField { at, value } => (
            "constant_field",
            format!("number {at} is always {value}: perhaps the tag's number, a type or a length"),
        ),
        PartKind::Counter { at, step, is_clock: false } => {
            ("counter", format!("a counter at {at}, step {step}"))
        }
        PartKind::Counter { at, step, is_clock: true } => {
            ("clock", format!("a millisecond clock at {at}, step about {step}"))
        }
        PartKind::Checksum { name, from, holds, tried } => {
            ("checksum", format!("{name} from byte {from} on holds in {holds} of {tried} frames"))
        }
        PartKind::Ranges { fields, heard, .. } => {
            ("ranges", format!("{fields} range fields, {} of them with ranges", heard.len()))
        }
        PartKind::Unit { unit, .. } => ("unit", format!("ranges in {unit}")),
        PartKind::NoRange { words, seen } => {
            let words: Vec<String> = words.iter().map(|w| number(*w)).collect();
            let how = if *seen { "seen" } else { "not seen, assumed" };
            ("no_range", format!("no range: {} ({how})", words.join(", ")))
        }
        PartKind::Lines { numbers } => ("lines", format!("lines with {numbers} numbers")),
    };
    row(code, words, "")
}

/// A number as TOML writes it.
fn number(value: f64) -> String {
    if value.is_nan() { "nan".to_owned() } else { format!("{value}") }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" ")
}

fn listed(values: &[i64]) -> String {
    list(&values.iter().map(i64::to_string).collect::<Vec<_>>())
}

fn whole(value: usize) -> Fact {
    Fact::Whole(i64::try_from(value).unwrap_or(i64::MAX))
}

/// What the capture cannot tell, and what to capture to decide.
pub fn question(question: &Question) -> Said {
    asked(question).0
}

/// The same in a few words, as the end of "undecided: …".
pub fn question_in_short(question: &Question) -> &'static str {
    asked(question).1
}

/// The row of a question, and its few words.
fn asked(question: &Question) -> (Said, &'static str) {
    let rival = "more than one reading fits";
    let too_little = "the ranges moved too little";
    match question {
        Question::ByteOrder => {
            let what = "only the low byte moves, so the byte order is open";
            (row("byte_order", what, "capture again and walk 3 m further"), rival)
        }
        Question::Unit { farthest_m, likelier, other } => (unit(*farthest_m, *likelier, *other), rival),
        Question::Width { bytes, other } => (width(*bytes, *other), rival),
        Question::FrameStart { later_by } => (frame_start(*later_by), rival),
        Question::WhichNumbers => {
            let what = "other numbers move like ranges too (a signal strength may follow the distance)";
            (row("which_numbers", what, "stand still for 10 s, then move the tag by 1 m"), rival)
        }
        Question::LittleTravel { units } => {
            let what = format!("no reading changed by more than {units:.0} units");
            (row("little_travel", what, "capture again and move the tag by some metres"), too_little)
        }
        Question::NothingMoves => {
            let what = "frames come in, but nothing in them moves as a range does";
            (row("nothing_moves", what, "switch the anchors on and move the tag"), too_little)
        }
        Question::ReadsTooLittle { share } => {
            (reads_too_little(*share), "the best layout reads too little of the capture")
        }
        Question::TagNumber { place, values, smoother } => {
            (tag_number(place, values, *smoother), "a number beside the ranges may be the tag's")
        }
        Question::NoRole { place, values, distinct } => (
            no_role(place, values, *distinct),
            "something in the frames varies, and nothing shows what it is",
        ),
        Question::OtherFrames { halves, sample } => {
            (other_frames(*halves, sample), "something else than these frames comes as well")
        }
        Question::LeftOut { place, seen, short, lines } => (
            left_out(place, *seen, *short, *lines),
            "an element is left out at times, so the places are not fixed",
        ),
        Question::Jumps { share } => {
            (jumps(*share), "the ranges jump as those of several tags or groups of anchors do")
        }
        Question::UnitChanges { factor } => {
            (unit_changes(*factor), "the unit or the layout changed during the capture")
        }
        Question::NothingToTestOn => {
            let what = "too few frames are left to test the layout on that it was not made from";
            let said = row("nothing_to_test_on", what, "capture twice as long, with the tag moving");
            (said, "the capture is too short to test the proposal on its other half")
        }
        Question::RestUnread { share, made } => {
            (rest_unread(*share, *made), "the rest of the capture is read far worse than its own part")
        }
    }
}

fn unit(farthest_m: f64, likelier: Unit, other: Unit) -> Said {
    row(
        "unit",
        format!("{likelier} or {other}? The farthest range would be {farthest_m:.1} m in {likelier}"),
        format!(
            "Move the tag 1 m: the reading changes by about {} ({likelier}) or {} ({other}); or tell the farthest \
             distance with --farthest",
            likelier.per_metre(),
            other.per_metre()
        ),
    )
    .joined_by(". ")
}

fn width(bytes: usize, other: usize) -> Said {
    row(
        "width",
        format!(
            "the bytes beside each range are always zero: {bytes} or {other} bytes a range? The ranges are the same"
        ),
        "switch an anchor off and capture again to see which bytes say \"no range\"",
    )
    .joined_by("; ")
}

fn frame_start(later_by: usize) -> Said {
    row(
        "frame_start",
        format!(
            "the frame may start {later_by} bytes later: the same ranges, but a wrong cut completes one frame late"
        ),
        "Keep the arrival times with the capture: the idle gap tells the start",
    )
    .joined_by(". ")
}

fn reads_too_little(share: f64) -> Said {
    row(
        "reads_too_little",
        format!(
            "the layout reads only {:.0} % of the frames: bytes are lost or damaged, or frames are of more than one kind",
            100.0 * share
        ),
        "Check cable and baud rate, capture again",
    )
    .joined_by(". ")
}

fn tag_number(place: &str, values: &[i64], smoother: f64) -> Said {
    let evidence = match smoother >= SMOOTHER {
        true => format!("The ranges are {smoother:.0} times smoother within one value than where it changes"),
        false => "The ranges do not tell: they are as smooth either way".to_owned(),
    };
    row(
        "tag_number",
        format!("{place} takes the values {}: a tag number? {evidence}", listed(values)),
        "Switch all tags off but one and capture again: one value says a tag's number, and the layout with `tag` \
         is right; several values say a group of anchors or a state. If you know it, take the layout below \
         with `tag` or with `skip` there",
    )
    .joined_by(". ")
    .with("place", Some(Fact::Text(place.to_owned())))
    .with("values", Some(Fact::Wholes(values.to_vec())))
    .with("times_smoother", Some(Fact::Number(smoother)))
}

fn no_role(place: &str, values: &[i64], distinct: usize) -> Said {
    let mostly = if values.is_empty() { String::new() } else { format!(" (mostly {})", listed(values)) };
    row(
        "no_role",
        format!(
            "{place} takes {distinct} different values{mostly}, and nothing shows what it is: a battery, a status, a \
             number of the tag?"
        ),
        "Look it up, or change one thing at a time (another tag, an anchor off) and capture again; if it may be \
         ignored, take the layout below",
    )
    .joined_by(" ")
    .with("place", Some(Fact::Text(place.to_owned())))
    .with("values", Some(Fact::Wholes(values.to_vec())))
    .with("different_values", Some(whole(distinct)))
}

fn other_frames(halves: [f64; 2], sample: &str) -> Said {
    let [first, second] = halves.map(|share| 100.0 * share);
    row(
        "other_frames",
        format!(
            "something else comes as well, beginning with {sample}: {first:.0} % of the first half of the capture, \
             {second:.0} % of the second"
        ),
        "Switch status messages off, or give the layout by hand if they may be passed over; if the module was \
         changed meanwhile, capture again",
    )
    .joined_by(". ")
    .with("share_of_halves", Some(Fact::Numbers(halves.to_vec())))
    .with("begins_with", Some(Fact::Text(sample.to_owned())))
}

fn left_out(place: &str, (fewest, most): (usize, usize), short: usize, lines: usize) -> Said {
    let elements = [fewest, most].map(|n| i64::try_from(n).unwrap_or(i64::MAX));
    row(
        "left_out",
        format!(
            "{place} has {fewest} to {most} elements (fewer than {most} in {short} of {lines} lines): what stands \
             behind one that is left out has no fixed place"
        ),
        "Let the module send all of them always, with a word for \"no range\"",
    )
    .joined_by(". ")
    .with("place", Some(Fact::Text(place.to_owned())))
    .with("elements", Some(Fact::Wholes(elements.to_vec())))
    .with("short_lines", Some(whole(short)))
    .with("lines", Some(whole(lines)))
}

fn jumps(share: f64) -> Said {
    row(
        "jumps",
        format!(
            "ranges jump ({:.0} % of the frames), as those of several tags or of groups of anchors in turn do",
            100.0 * share
        ),
        "switch all tags off but one, and capture again",
    )
}

fn unit_changes(factor: f64) -> Said {
    row(
        "unit_changes",
        format!(
            "all ranges change by a factor of {factor:.2} from one frame to the next: the unit or the layout changed \
             during the capture"
        ),
        "Capture again without changing anything at the module",
    )
    .joined_by(". ")
}

fn rest_unread(share: f64, made: f64) -> Said {
    row(
        "rest_unread",
        format!(
            "the layout reads {:.0} % of the part of the capture that it was made from and {:.0} % of the rest: the line \
             failed for a time, or something was changed at the module",
            100.0 * made,
            100.0 * share
        ),
        "Check cable and baud rate, and capture again without changing anything",
    )
    .joined_by(". ")
}

/// What the user should know about a proposal.
pub fn caution(caution: &Caution) -> Said {
    match caution {
        Caution::SilentBytes { places, read } => {
            let place = |p: &std::ops::Range<usize>| match p.len() {
                1 => format!("{}", p.start),
                _ => format!("{}-{}", p.start, p.end - 1),
            };
            let places: Vec<String> = places.iter().map(place).collect();
            row(
                "silent_bytes",
                format!(
                    "may be ranges of anchors that are off: {} (places in the frame, from 0; {read} of them are read as \
                     range fields)",
                    places.join(", ")
                ),
                "switch all anchors on, or one off and on, and capture again",
            )
        }
        Caution::ShortPreamble { bytes } => row(
            "short_preamble",
            format!("a preamble of {bytes} byte(s) without a checksum can give false frames now and then"),
            "",
        ),
        Caution::Damaged { share } => row(
            "damaged",
            format!("{:.1} % belong to no good frame", 100.0 * share),
            "check cable and baud rate",
        ),
        Caution::ChecksumTwins { count } => row(
            "checksum_twins",
            format!("{count} other checksum(s) or spans give the same values on these frames"),
            "",
        ),
    }
}

/// Why a capture is not a stream of frames.
pub fn not_frames(why: &NotFrames) -> Said {
    match why {
        NotFrames::Silence => row(
            "silence",
            "nothing came",
            "check power, that the module's transmit line is the one connected, and the port",
        ),
        NotFrames::TooShort { bytes } => {
            row("too_short", format!("only {bytes} bytes"), "capture at least 20 s with the tag moving")
        }
        NotFrames::ConstantByte { byte } => row(
            "constant_byte",
            format!("only the byte {byte:02x} over and over: a line that is held, or a baud rate far off"),
            "",
        ),
        NotFrames::ConsoleText { sample } => row(
            "console_text",
            format!(
                "a command console or log, not a table of numbers (\"{sample}\"): the module waits for a command to \
                 send ranges"
            ),
            "",
        ),
        NotFrames::DamagedText { share } => row(
            "damaged_text",
            format!("text, but damaged ({:.1} % of it)", 100.0 * share),
            "check cable, ground and baud rate, then capture again",
        ),
        NotFrames::WrongBaud { shift: Some(bits) } => {
            row("wrong_baud", format!("the bits are shifted by {bits}: wrong baud rate or byte format"), "")
        }
        NotFrames::WrongBaud { shift: None } => {
            row("wrong_baud", "the bytes look like those of a wrong baud rate", "try others (9600 to 921600)")
        }
        NotFrames::Rubbish => row(
            "rubbish",
            "nothing repeats in these bytes: noise, an encrypted stream, or a wrong baud rate",
            "",
        ),
    }
}

#[cfg(test)]
mod tests;
