//! Frame layout language and stream decoder: bytes in, frames out, no I/O.
//!
//! A kit's primary anchor sends frames in whatever form its maker chose. The user describes that
//! form in a line of text, a [`Layout`]; a [`Decoder`] made from it takes bytes as they arrive, in
//! chunks of any size, and gives [`Frame`](hereabout_core::Frame)s of raw words. A [`FrameSpec`]
//! adds the unit and the "no range" words, and turns words into metres. [`Layout::encode`] is the
//! way back, for the simulator.
//!
//! ```
//! use hereabout_core::Timestamp;
//! use hereabout_wire::{Decoder, FrameSpec, Layout, NoRange, Unit};
//!
//! let layout = Layout::parse_binary("c3 5a seq:u8 range:u16le*2 sum8").unwrap();
//! let spec = FrameSpec { layout: layout.clone(), unit: Unit::Cm, no_range: NoRange::new([0.0]) };
//! let mut decoder = Decoder::new(layout);
//! let bytes = [0xFF, 0xC3, 0x5A, 0x07, 0x40, 0x01, 0x00, 0x00, 0x65];
//! assert_eq!(decoder.push(Timestamp::from_micros(5), &bytes), bytes.len());
//! let frame = decoder.next_frame().unwrap();
//! assert_eq!(frame.seq, Some(7));
//! assert_eq!(spec.range_m(frame.words[0]), Some(3.2));
//! assert_eq!(spec.range_m(frame.words[1]), None);
//! assert_eq!(decoder.counts().skipped_bytes, 1);
//! ```
#![doc = include_str!("../LAYOUT.md")]
#![forbid(unsafe_code)]

mod checksum;
mod decoder;
mod encode;
mod field_name;
mod layout;
pub mod learn;
mod rejection;
mod spec;

pub use checksum::{ByteOrder, Checksum, ChecksumAlgorithm, checksum_algorithms, checksum_named};
pub use decoder::{Arrival, BUFFER_BYTES, Counts, Decoder, Item};
pub use encode::{EncodeError, FrameFields};
pub use field_name::FieldName;
pub use layout::{
    Layout, LayoutError, LayoutErrorKind, MAX_FRAME_BYTES, MAX_JSON_LINE_BYTES, MAX_SOURCE_BYTES,
    MAX_TEXT_LINE_BYTES, RangeKind,
};
pub use rejection::{Rejection, Wanted};
pub use spec::{FrameSpec, NoRange, Unit, UnitError};
