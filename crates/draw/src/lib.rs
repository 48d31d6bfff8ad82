//! Drawing: shapes and text in metres or sheet units become an SVG document.
//!
//! Nothing here knows what a tag or an anchor is: who draws says what stands where, and what it is called.
#![forbid(unsafe_code)]

pub mod arrow;
pub mod distribution;
pub mod frame;
pub mod labels;
pub mod scale;
pub mod text;
pub mod track;
pub mod xml;
