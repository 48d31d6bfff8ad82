//! What kind of stream it is, from the counts of its bytes.

use super::outcome::NotFrames;

/// Fewer bytes than this tell nothing.
const MIN_BYTES: usize = 64;
/// A share of one byte from which on nothing else matters.
const ONE_BYTE: f64 = 0.985;
/// A share of printable bytes from which on it is text.
const TEXT: f64 = 0.9;
/// A share of other bytes that undamaged text does not have.
const DIRTY: f64 = 0.01;

pub(super) enum Kind {
    Nothing(NotFrames),
    /// `damaged` is the share of bytes that are no text, when it is too high.
    Text {
        damaged: Option<f64>,
    },
    Bytes,
}

/// Counts of all byte values.
pub(super) fn histogram(bytes: &[u8]) -> [u32; 256] {
    let mut counts = [0; 256];
    for &byte in bytes {
        counts[usize::from(byte)] += 1;
    }
    counts
}

pub(super) fn triage(capture: &[u8]) -> Kind {
    if capture.is_empty() {
        return Kind::Nothing(NotFrames::Silence);
    }
    let counts = histogram(capture);
    let total = capture.len() as f64;
    let (byte, most) = (0..=255_u8).zip(counts).max_by_key(|&(_, n)| n).unwrap_or_default();
    if f64::from(most) / total >= ONE_BYTE && capture.len() >= 8 {
        return Kind::Nothing(NotFrames::ConstantByte { byte });
    }
    if capture.len() < MIN_BYTES {
        return Kind::Nothing(NotFrames::TooShort { bytes: capture.len() });
    }
    let is_text = |b: u8| (b' '..=b'~').contains(&b) || matches!(b, b'\t' | b'\n' | b'\r');
    let clean: u32 = (0..=255_u8).zip(counts).filter(|&(b, _)| is_text(b)).map(|(_, n)| n).sum();
    let share = f64::from(clean) / total;
    if share < TEXT {
        return Kind::Bytes;
    }
    Kind::Text { damaged: (1.0 - share > DIRTY).then_some(1.0 - share) }
}
