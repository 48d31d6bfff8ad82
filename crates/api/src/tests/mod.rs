//! Tests of the service: bodies and errors through the router, the server and its WebSocket through
//! real sockets on loopback. Nothing asserts a duration; limits of time only keep a failure from hanging.

mod bodies;
mod calibrations;
mod clock;
mod errors;
mod events;
mod expiry;
pub(crate) mod fixtures;
mod rights;
mod server;
mod site_fit;
mod stream;
mod zones;
