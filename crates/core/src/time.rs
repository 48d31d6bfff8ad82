//! Time as an integer of microseconds. No `now()`: only `ingest` reads a clock.

use std::fmt;

/// A length of time in whole microseconds; may be negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Micros(i64);

impl Micros {
    /// No time at all.
    pub const ZERO: Micros = Micros(0);

    /// A length of `us` microseconds.
    pub const fn from_micros(us: i64) -> Micros {
        Micros(us)
    }

    /// A length of `ms` milliseconds; saturates at the ends of the range.
    pub const fn from_millis(ms: i64) -> Micros {
        Micros(ms.saturating_mul(1_000))
    }

    /// The nearest whole microsecond to `s` seconds. Out of range saturates, NaN gives zero.
    pub fn from_secs_f64(s: f64) -> Micros {
        // `as` saturates and maps NaN to zero, which is what the doc comment promises.
        Micros((s * 1e6).round() as i64)
    }

    /// Whole microseconds.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Seconds; exact to the microsecond up to 285 years.
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

/// An instant: microseconds since 1970-01-01T00:00:00 UTC, leap seconds not counted (Unix time).
///
/// Range about ±292 000 years; arithmetic saturates, so that no stamp in a file can panic.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

impl Timestamp {
    /// The earliest instant that can be written down.
    pub const MIN: Timestamp = Timestamp(i64::MIN);

    /// The instant `us` microseconds after the Unix epoch.
    pub const fn from_micros(us: i64) -> Timestamp {
        Timestamp(us)
    }

    /// The nearest microsecond to `s` Unix seconds. `None` for NaN, infinities and anything
    /// outside ±10^12 s, where a `f64` cannot be a time that someone meant.
    pub fn from_unix_secs_f64(s: f64) -> Option<Timestamp> {
        (s.is_finite() && s.abs() <= 1e12).then(|| Timestamp((s * 1e6).round() as i64))
    }

    /// Microseconds since the Unix epoch.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Unix seconds, for tables; exact to the microsecond until the year 2255.
    pub fn unix_secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// This instant moved by `d`; saturates at the ends of the range.
    #[must_use]
    pub const fn plus(self, d: Micros) -> Timestamp {
        Timestamp(self.0.saturating_add(d.0))
    }

    /// The time from `earlier` to this instant; negative if `earlier` is later. Saturates.
    pub const fn since(self, earlier: Timestamp) -> Micros {
        Micros(self.0.saturating_sub(earlier.0))
    }
}

impl fmt::Display for Timestamp {
    /// Unix seconds with six digits. RFC 3339 text is made at the edges.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let us = self.0.unsigned_abs();
        write!(f, "{sign}{}.{:06}", us / 1_000_000, us % 1_000_000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arithmetic_saturates_instead_of_panicking() {
        let end = Timestamp::from_micros(i64::MAX);
        assert_eq!(end.plus(Micros::from_micros(1)), end);
        assert_eq!(Timestamp::MIN.since(end), Micros::from_micros(i64::MIN));
        assert_eq!(Micros::from_secs_f64(f64::NAN), Micros::ZERO);
        assert_eq!(Micros::from_millis(i64::MAX).micros(), i64::MAX);
    }

    #[test]
    fn seconds_round_to_the_nearest_microsecond() {
        assert_eq!(Timestamp::from_unix_secs_f64(0.000_000_6), Some(Timestamp::from_micros(1)));
        assert_eq!(Timestamp::from_unix_secs_f64(-1.236), Some(Timestamp::from_micros(-1_236_000)));
        assert_eq!(Timestamp::from_unix_secs_f64(f64::INFINITY), None);
        assert_eq!(Timestamp::from_unix_secs_f64(1e13), None);
        assert_eq!(Timestamp::from_micros(-1_236_000).to_string(), "-1.236000");
    }
}
