//! A survey session with the tag at known places, live or from a recording.

pub mod session;
pub mod spots;
