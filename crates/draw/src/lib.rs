//! Drawing: shapes and text in metres or sheet units become an SVG document.
//!
//! Nothing here knows what a tag or an anchor is: who draws says what stands where, and what it looks like.
#![forbid(unsafe_code)]
