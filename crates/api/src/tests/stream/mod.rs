//! Delivery to readers: the hub, the WebSocket, the event stream.

mod hub;
mod live;
mod sse;
