//! Signs that the port runs at another speed than the line.

use hereabout_core::Word;

use super::outcome::{Alternative, FrameGuess, Outcome, PartKind, Proposal, Question};
use super::proof::read_back;
use super::triage::histogram;

/// Bytes that are studied for each shift.
const TRIAL_BYTES: usize = 16 * 1024;
/// Bytes other than 00 and ff that the look at runs of bits needs.
const MIN_BYTES: u32 = 200;

/// Share of other values up to which a bit counts as stuck: bytes may be damaged.
const STUCK: f64 = 0.03;
/// Words that a field must have to say whether a bit is stuck.
const MIN_WORDS: usize = 12;

/// Whether nearly all bytes are made of runs of two or more equal bits: a port that is faster than
/// the line sees every bit several times.
pub(super) fn is_stretched(capture: &[u8]) -> bool {
    let counts = histogram(&capture[..capture.len().min(TRIAL_BYTES)]);
    let telling = || (1..=254_u8).map(|byte| (byte, counts[usize::from(byte)]));
    let all: u32 = telling().map(|(_, n)| n).sum();
    let smooth: u32 = telling().filter(|&(byte, _)| !has_lone_bit(byte)).map(|(_, n)| n).sum();
    all >= MIN_BYTES && f64::from(smooth) >= 0.95 * f64::from(all)
}

/// Whether a bit differs from both of its neighbours within the byte.
fn has_lone_bit(byte: u8) -> bool {
    let (lower, upper) = (byte ^ (byte << 1), byte ^ (byte >> 1));
    (lower & upper & 0x7E) != 0
}

/// Whether all byte values are equally frequent, as in noise: Pearson's χ² with 255 degrees of
/// freedom, eight standard deviations (√510) above its mean.
pub(super) fn is_even(capture: &[u8]) -> bool {
    let expected = capture.len() as f64 / 256.0;
    let counts = histogram(capture);
    let chi_square: f64 = counts.iter().map(|&n| (f64::from(n) - expected).powi(2) / expected).sum();
    chi_square < 255.0 + 8.0 * 510.0_f64.sqrt()
}

/// Whether an outcome is what shifted bits would give: numbers whose lowest bit never moves, or
/// frames without a checksum in which little can be read.
pub(super) fn is_suspect(outcome: &Outcome, capture: &[u8]) -> bool {
    match outcome {
        Outcome::Proposal(proposal) => is_low_bit_stuck(&proposal.frame, capture),
        Outcome::Undecided(undecided) => {
            let is_plain = |q: &Question| matches!(q, Question::Unit { .. } | Question::Width { .. });
            let has_sum =
                |a: &Alternative| ["sum8", "xor8", "crc-"].iter().any(|name| a.frame.layout.contains(name));
            let stuck = |a: &Alternative| is_low_bit_stuck(&a.frame, capture);
            let is_odd = !undecided.questions.iter().all(is_plain)
                || undecided.alternatives.first().is_some_and(stuck);
            is_odd && !undecided.alternatives.iter().any(has_sum)
        }
        Outcome::NotFrames(_) => false,
    }
}

/// Whether the lowest bit never moves in most of the fields: it is the top bit of the next number.
fn is_low_bit_stuck(frame: &FrameGuess, capture: &[u8]) -> bool {
    let Ok(spec) = frame.spec() else { return false };
    let rows = read_back(&spec.layout, &capture[..capture.len().min(TRIAL_BYTES)]).rows;
    let (mut heard, mut stuck) = (0, 0);
    for field in 0..spec.layout.range_fields() {
        let ranges = rows.iter().filter_map(|row| row.get(field)).filter(|w| !spec.no_range.contains(**w));
        let bits: Vec<i64> =
            ranges.filter_map(|w| if let Word::Int(v) = w { Some(v & 1) } else { None }).collect();
        let (odd, all) = (bits.iter().sum::<i64>() as f64, bits.len() as f64);
        if bits.len() >= MIN_WORDS {
            heard += 1;
            stuck += usize::from(odd <= STUCK * all || odd >= (1.0 - STUCK) * all);
        }
    }
    heard > 0 && stuck * 2 >= heard
}

/// The shift in bits by which the stream becomes frames with ranges, if there is one; `study` looks for frames.
pub(super) fn shift(capture: &[u8], study: impl Fn(&[u8]) -> Option<Outcome>) -> Option<u32> {
    let head = &capture[..capture.len().min(TRIAL_BYTES)];
    let makes_sense = |bytes: &[u8]| match study(bytes) {
        Some(Outcome::Proposal(p)) => is_strong(&p) && !is_low_bit_stuck(&p.frame, bytes),
        _ => false,
    };
    (1..8).find(|&bits| {
        let high_first = |w: &[u8]| (w[0] << bits) | (w[1] >> (8 - bits));
        let low_first = |w: &[u8]| (w[0] >> bits) | (w[1] << (8 - bits));
        makes_sense(&head.windows(2).map(high_first).collect::<Vec<u8>>())
            || makes_sense(&head.windows(2).map(low_first).collect::<Vec<u8>>())
    })
}

/// Whether a proposal is proven by a checksum: shifted numbers can look like numbers, a shifted
/// checksum holds no longer.
fn is_strong(proposal: &Proposal) -> bool {
    proposal.parts.iter().any(|part| matches!(part.what, PartKind::Checksum { .. }))
}
