//! Instants as text.

use hereabout_core::Timestamp;

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
