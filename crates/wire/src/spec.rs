//! From raw words to metres: the unit of the module, and the words by which it says "no range".

use std::fmt;
use std::str::FromStr;

use hereabout_core::Word;

use crate::layout::{Layout, RangeKind};

/// Unit of the range words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Metre.
    M,
    /// Decimetre.
    Dm,
    /// Centimetre.
    Cm,
    /// Millimetre.
    Mm,
}

impl Unit {
    /// How many of this unit make a metre. A division by it is the nearest `f64` to the decimal
    /// value, which a multiplication by 0.01 is not.
    pub const fn per_metre(self) -> f64 {
        match self {
            Unit::M => 1.0,
            Unit::Dm => 10.0,
            Unit::Cm => 100.0,
            Unit::Mm => 1000.0,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Unit::M => "m",
            Unit::Dm => "dm",
            Unit::Cm => "cm",
            Unit::Mm => "mm",
        })
    }
}

/// A text that names no unit of length.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitError(pub String);

impl FromStr for Unit {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Unit, UnitError> {
        match text {
            "m" => Ok(Unit::M),
            "dm" => Ok(Unit::Dm),
            "cm" => Ok(Unit::Cm),
            "mm" => Ok(Unit::Mm),
            other => Err(UnitError(other.to_owned())),
        }
    }
}

/// The words that mean "no range". An empty field, NaN and infinities mean it always.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NoRange {
    numbers: Vec<f64>,
}

impl NoRange {
    /// The given numbers, in the module's unit; NaN may be among them.
    pub fn new(numbers: impl IntoIterator<Item = f64>) -> NoRange {
        NoRange { numbers: numbers.into_iter().collect() }
    }

    /// The numbers as given.
    pub fn numbers(&self) -> &[f64] {
        &self.numbers
    }

    /// Whether `word` is one of them.
    pub fn contains(&self, word: Word) -> bool {
        let Some(number) = word.number() else { return true };
        if !number.is_finite() {
            return true;
        }
        let narrow = number as f32;
        // A 32 bit field cannot carry -0.1 itself, only the 32 bit number next to it.
        let is_narrow = matches!(word, Word::Float(_)) && f64::from(narrow) == number;
        self.numbers.iter().any(|&n| n == number || (is_narrow && n as f32 == narrow))
    }
}

/// All that the `[frame]` table of a site file says.
#[derive(Clone, Debug)]
pub struct FrameSpec {
    /// How frames are laid out.
    pub layout: Layout,
    /// Unit of the range words.
    pub unit: Unit,
    /// Which range words mean "no range".
    pub no_range: NoRange,
}

impl FrameSpec {
    /// The range in metres; `None` when the word says that there is none, is empty, or is not finite.
    pub fn range_m(&self, word: Word) -> Option<f64> {
        if self.no_range.contains(word) {
            return None;
        }
        word.number().map(|number| number / self.unit.per_metre())
    }

    /// The word by which range field `index` says `range_m`, rounded as the field needs it: to whole
    /// units in integer fields and in lines of dm, cm or mm, to millimetres in lines of m. `None` for
    /// "no range" gives the first `no_range` word, or an empty field in lines when there is none.
    ///
    /// `None` when the field cannot say it.
    pub fn word(&self, index: usize, range_m: Option<f64>) -> Option<Word> {
        let kind = self.layout.range_kind(index)?;
        let Some(range_m) = range_m else { return self.absent(kind) };
        let number = range_m * self.unit.per_metre();
        let word = match kind {
            _ if !number.is_finite() => return None,
            RangeKind::Integer { min, max } => {
                let whole = number.round();
                let fits = whole >= min as f64 && whole <= max as f64;
                return fits.then_some(Word::Int(whole as i64));
            }
            RangeKind::Float => Word::Float(number),
            RangeKind::Written if self.unit == Unit::M => Word::Float((number * 1000.0).round() / 1000.0),
            // `as` saturates; a range of that length has no meaning anyway.
            RangeKind::Written => Word::Int(number.round() as i64),
        };
        Some(word)
    }

    fn absent(&self, kind: RangeKind) -> Option<Word> {
        let number = self.no_range.numbers.first().copied();
        match (kind, number) {
            (RangeKind::Written, None) => Some(Word::Missing),
            (RangeKind::Float, None) => Some(Word::Float(f64::NAN)),
            (RangeKind::Integer { .. }, None) => None,
            (RangeKind::Float, Some(number)) => Some(Word::Float(number)),
            (RangeKind::Integer { .. } | RangeKind::Written, Some(number)) if number.fract() == 0.0 => {
                Some(Word::Int(number as i64))
            }
            (RangeKind::Written, Some(number)) => Some(Word::Float(number)),
            (RangeKind::Integer { .. }, Some(_)) => None,
        }
    }
}

#[cfg(test)]
mod tests;
