//! HTTP and WebSocket service, version 1: how everybody but the site file talks to the daemon.
//!
//! Folders from the bottom up; each uses only those before it:
//!
//! - `state`: what is known at one moment and what has run out of it. Pure; knows no body.
//! - [`v1`]: the JSON bodies, the only shapes that leave; the engine's types never do.
//! - `current`: what counts now, as bodies: whoever serves something of "now" takes it from there, so that nothing that has
//!   run out is served as current. Whether anything comes at all (`/readyz`), and what needs a person (`/v1/status`).
//! - `http`: what every request meets. `guard`: who asks (Host and Origin), how much (URI, header, body). `rights`: who may
//!   change the daemon; a route that changes takes `MayChange`. `seats`: who may be connected.
//! - `stream`: delivery to readers. [`Hub`] holds the latest of everything under one short lock. Each message becomes text
//!   once, however many listen, and a reader who is slow costs nobody else anything.
//! - `routes`: one file for each subject, the page for people among them.
//! - [`serve`] is the whole server: its own accept loop, because header time-outs, a bound on
//!   connections and a shutdown that ends WebSockets with a close frame are not to be had otherwise.
//!
//! No clock is read here but by two functions in [`ApiSettings`], for the present in UTC and the steady time since the
//! start, and for pacing (the monotonic one). Only loopback is listened on: see [`bind`].
#![forbid(unsafe_code)]

mod current;
mod health;
mod http;
mod metrics;
mod plan;
mod routes;
mod serve;
mod state;
mod stream;
mod table;
#[cfg(test)]
mod tests;
pub mod v1;

pub use http::rights::{Key, Rights};
pub use http::settings::{ApiSettings, NotDone, Operation, Work};
pub use routes::{cautions, openapi_json};
pub use serve::{ApiError, Listeners, bind, check_loopback, serve};
pub use state::site_info::SiteInfo;
pub use state::{ClockStatus, Connectivity, HubInfo, LinkView, LogStatus, MAX_REMEMBERED_TAGS};
pub use stream::events::MAX_EVENTS;
pub use stream::hub::Hub;
