//! HTTP and WebSocket service, version 1.
