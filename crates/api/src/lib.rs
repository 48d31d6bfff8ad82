//! HTTP and WebSocket service, version 1: how everybody but the site file talks to the daemon.
//!
//! The way of the data:
//!
//! ```text
//! engine Output ──► Hub::publish ──► latest state ──► GET routes (routes, table, metrics)
//!                        └─────────► Mailbox of each subscriber ──► /v1/live (live), /v1/live.sse (sse)
//! what happens ──► Hub::publish_event ──► Ring, and a Cursor of each subscriber ──► the same, /v1/events
//! ```
//!
//! - [`v1`] owns the JSON bodies, the only shapes that leave; the engine's types never do.
//! - [`Hub`] holds the latest of everything under one short lock. Each message becomes text once,
//!   however many listen, and a reader who is slow costs nobody else anything.
//! - `current` says what of it still counts: whoever serves something of "now" takes it from there, so that nothing that
//!   has run out is served as current. `heard` says whether anything comes at all, for `/readyz`.
//! - [`serve`] is the whole server: its own accept loop, because header time-outs, a bound on
//!   connections and a shutdown that ends WebSockets with a close frame are not to be had otherwise.
//! - `rights` says who may change the daemon: a route that changes takes `MayChange`. `seats` says who may be connected.
//! - `guard` stands before every route: who asks (Host and Origin), how much (URI, header, body).
//!
//! No clock is read here but by two functions in [`ApiSettings`], for the present in UTC and the steady time since the
//! start, and for pacing (the monotonic one). Only loopback is listened on: see [`bind`].
#![forbid(unsafe_code)]

mod current;
mod description;
mod events;
mod expiry;
mod guard;
mod health;
mod heard;
mod hub;
mod kept;
mod live;
mod mailbox;
mod metrics;
mod page;
mod phrases;
pub mod picture;
mod places;
mod plan;
mod plan_labels;
mod plan_looks;
mod plan_marks;
pub mod plausible_words;
mod problem;
mod query;
mod reader;
mod readiness;
mod rights;
mod routes;
mod seats;
mod serve;
mod settings;
mod site_fit_words;
mod site_info;
mod sse;
mod state;
mod subscription;
mod table;
#[cfg(test)]
mod tests;
mod time_text;
pub mod v1;
pub mod words;

pub use events::KEPT as EVENTS_KEPT;
pub use hub::Hub;
pub use rights::{Key, Rights};
pub use routes::{cautions, openapi_json};
pub use serve::{ApiError, Listeners, bind, check_loopback, serve};
pub use settings::{ApiSettings, NotDone, Operation, Work};
pub use site_fit_words::{SiteNames, site_does_not_fit};
pub use site_info::SiteInfo;
pub use state::{ClockStatus, HubInfo, LinkState, LinkStatus, LogStatus, MAX_TAGS};
