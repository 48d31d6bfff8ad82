//! The one toolkit for vectors, lines, polygons and areas: pure functions over plain arrays in metres.

pub mod area;
pub mod line;
pub mod polygon;
pub mod vector;
