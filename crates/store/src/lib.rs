//! The log: sessions, ranges with verdicts, fixes and events in one SQLite file.
