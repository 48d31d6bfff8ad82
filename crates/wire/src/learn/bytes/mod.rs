//! What the bytes of a capture show before anybody says what they mean: frames of one length laid under one another,
//! columns that stay or count, sums that hold, numbers that move together.

pub(in crate::learn) mod arrays;
pub(in crate::learn) mod columns;
pub(in crate::learn) mod compose;
pub(in crate::learn) mod fold;
pub(in crate::learn) mod period;
pub(in crate::learn) mod sums;
mod words;
