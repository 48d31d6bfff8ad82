//! Delivery to readers: what happened last, and who is sent what.
//!
//! ```text
//! engine Output ──► Hub ──► ServiceState (what is known; the messages for it) ──► Mailbox of each Reader ─┐
//! what happens  ──► Hub ──► EventRing, with an EventCursor of each Reader ────────────────────────────────┤
//!                                                             Subscription::next_message ◄────────────────┘
//!                                                             ──► websocket, sse ──► the network
//! ```
//!
//! The [`hub`] locks and delivers; what it delivers is worked out in [`service_state`] and [`events`], which know no lock.

pub(crate) mod events;
pub(crate) mod filter;
pub(crate) mod hub;
pub(crate) mod mailbox;
pub(crate) mod message;
pub(crate) mod ping;
pub(crate) mod reader;
pub(crate) mod service_state;
pub(crate) mod sse;
pub(crate) mod subscription;
pub(crate) mod websocket;
