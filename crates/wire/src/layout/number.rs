//! Numbers at fixed places of a binary frame.

use hereabout_core::Word;

use super::RangeKind;
use crate::checksum::ByteOrder;

/// What the bits of a number mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Meaning {
    Unsigned,
    Signed,
    Float,
}

/// A type of the layout language, such as `u16le`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NumberType {
    pub(crate) name: &'static str,
    pub(crate) meaning: Meaning,
    pub(crate) order: ByteOrder,
    /// 1 to 4.
    pub(crate) bytes: usize,
}

const fn number(name: &'static str, meaning: Meaning, bytes: usize, order: ByteOrder) -> NumberType {
    NumberType { name, meaning, order, bytes }
}

const TYPES: [NumberType; 12] = [
    number("u8", Meaning::Unsigned, 1, ByteOrder::LowFirst),
    number("i8", Meaning::Signed, 1, ByteOrder::LowFirst),
    number("u16le", Meaning::Unsigned, 2, ByteOrder::LowFirst),
    number("u16be", Meaning::Unsigned, 2, ByteOrder::HighFirst),
    number("i16le", Meaning::Signed, 2, ByteOrder::LowFirst),
    number("i16be", Meaning::Signed, 2, ByteOrder::HighFirst),
    number("u24le", Meaning::Unsigned, 3, ByteOrder::LowFirst),
    number("u24be", Meaning::Unsigned, 3, ByteOrder::HighFirst),
    number("u32le", Meaning::Unsigned, 4, ByteOrder::LowFirst),
    number("u32be", Meaning::Unsigned, 4, ByteOrder::HighFirst),
    number("f32le", Meaning::Float, 4, ByteOrder::LowFirst),
    number("f32be", Meaning::Float, 4, ByteOrder::HighFirst),
];

impl NumberType {
    pub(crate) fn named(name: &str) -> Option<NumberType> {
        TYPES.into_iter().find(|t| t.name == name)
    }

    /// The number in `bytes`, which are exactly this type's.
    pub(crate) fn read(self, bytes: &[u8]) -> Word {
        let raw = read_bits(bytes, self.order);
        match self.meaning {
            Meaning::Unsigned => Word::Int(i64::from(raw)),
            Meaning::Signed => {
                let unused = 32 - 8 * self.bytes;
                Word::Int(i64::from((raw << unused).cast_signed() >> unused))
            }
            Meaning::Float => Word::Float(f64::from(f32::from_bits(raw))),
        }
    }

    /// The bits that carry `word`; `None` when this type cannot carry it.
    pub(crate) fn bits(self, word: Word) -> Option<u32> {
        match (self.kind(), word) {
            (RangeKind::Integer { min, max }, Word::Int(value)) if (min..=max).contains(&value) => {
                // Within the limits the low bits are the number, negative ones included.
                Some((value & i64::from(u32::MAX)) as u32)
            }
            (RangeKind::Float, Word::Float(value)) => {
                let narrow = value as f32;
                (narrow.is_finite() || !value.is_finite()).then(|| narrow.to_bits())
            }
            (RangeKind::Float, Word::Int(value)) => Some((value as f32).to_bits()),
            _ => None,
        }
    }

    pub(crate) fn write(self, bits: u32, out: &mut Vec<u8>) {
        write_bits(bits, self.bytes, self.order, out);
    }

    /// What the type can carry.
    pub(crate) fn kind(self) -> RangeKind {
        let bits = 8 * self.bytes;
        match self.meaning {
            Meaning::Unsigned => RangeKind::Integer { min: 0, max: (1_i64 << bits) - 1 },
            Meaning::Signed => {
                RangeKind::Integer { min: -(1_i64 << (bits - 1)), max: (1_i64 << (bits - 1)) - 1 }
            }
            Meaning::Float => RangeKind::Float,
        }
    }
}

/// One to four bytes as a number.
pub(crate) fn read_bits(bytes: &[u8], order: ByteOrder) -> u32 {
    // Matched by length rather than looped over: this runs for every field of every frame.
    let four = match *bytes {
        [a] => [a, 0, 0, 0],
        [a, b] => [a, b, 0, 0],
        [a, b, c] => [a, b, c, 0],
        [a, b, c, d] => [a, b, c, d],
        _ => [0; 4],
    };
    match order {
        ByteOrder::LowFirst => u32::from_le_bytes(four),
        ByteOrder::HighFirst => u32::from_be_bytes(four) >> (32 - 8 * bytes.len().clamp(1, 4)),
    }
}

/// The low `bytes` (1 to 4) bytes of `bits`.
pub(crate) fn write_bits(bits: u32, bytes: usize, order: ByteOrder, out: &mut Vec<u8>) {
    match order {
        ByteOrder::LowFirst => out.extend_from_slice(&bits.to_le_bytes()[..bytes]),
        ByteOrder::HighFirst => out.extend_from_slice(&bits.to_be_bytes()[4 - bytes..]),
    }
}
