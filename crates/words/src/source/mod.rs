//! What comes from a kit: the link, its layout, what is learnt of bytes, what is odd when it is listened to.

pub mod address;
pub mod hearing;
pub mod layout;
pub mod learn;
pub mod link;
