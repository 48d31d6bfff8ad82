//! Instants and lengths of time as text, for programs and for people. Everything is UTC.

use hereabout_core::{Micros, Timestamp};

/// RFC 3339 text in UTC with exactly six digits and `Z`.
///
/// A stamp outside the years 0000 to 9999 (rubbish in a table, say) is written as the nearest end of
/// what can be written, because a message without a stamp would be worse. The last one is a day short
/// of the year's end: the calendar keeps room there for any zone.
pub fn rfc3339(at: Timestamp) -> String {
    const FIRST: i64 = -62_167_219_200_000_000; // 0000-01-01T00:00:00Z
    const LAST: i64 = 253_402_207_200_999_999; // 9999-12-30T22:00:00.999999Z
    const PRINTER: jiff::fmt::temporal::DateTimePrinter =
        jiff::fmt::temporal::DateTimePrinter::new().precision(Some(6));
    let stamp =
        jiff::Timestamp::from_microsecond(at.micros().clamp(FIRST, LAST)).unwrap_or(jiff::Timestamp::MAX);
    PRINTER.timestamp_to_string(&stamp)
}

/// RFC 3339 text in UTC to the whole second: `2026-05-04T09:12:31Z`.
pub fn rfc3339_seconds(at: Timestamp) -> String {
    let text = rfc3339(at);
    format!("{}Z", text.split('.').next().unwrap_or(&text))
}

/// The same to the microsecond without the signs that file names should not have: `20260504T091231.204512Z`.
pub fn stamp_of_file(at: Timestamp) -> String {
    rfc3339(at).replace(['-', ':'], "")
}

/// An instant for people, to the second: `2026-05-04 09:12:31 UTC`.
pub fn instant(at: Timestamp) -> String {
    let text = rfc3339(at);
    format!("{} UTC", text.get(..19).unwrap_or(&text).replace('T', " "))
}

/// A length of time in words.
pub fn span(time: Micros) -> String {
    match time.secs_f64() {
        s if s < 10.0 => format!("{s:.2} s"),
        s if s < 100.0 => format!("{s:.0} s"),
        s if s < 6_000.0 => format!("{:.0} min", s / 60.0),
        s if s < 360_000.0 => format!("{:.0} h", s / 3_600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

/// How long ago `then` was at `now`, in one short word and its unit: `12.0 s`.
pub fn ago(now: Timestamp, then: Timestamp) -> String {
    let s = now.since(then).secs_f64().max(0.0);
    match s {
        s if s < 100.0 => format!("{s:.1} s"),
        s if s < 6_000.0 => format!("{:.0} min", s / 60.0),
        s if s < 360_000.0 => format!("{:.0} h", s / 3_600.0),
        s => format!("{:.0} d", s / 86_400.0),
    }
}

#[cfg(test)]
mod tests;
