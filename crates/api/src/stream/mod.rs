//! Delivery to readers: what happened last, and who is told.
//!
//! The [`hub`] is where the daemon's loop and the readers meet. A reader's messages wait in its [`mailbox`], events in one
//! ring that all share ([`events`]); [`websocket`] and [`sse`] write both to the network.

pub(crate) mod events;
pub(crate) mod hub;
pub(crate) mod mailbox;
pub(crate) mod reader;
pub(crate) mod sse;
pub(crate) mod subscription;
pub(crate) mod websocket;
