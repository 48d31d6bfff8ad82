//! The running daemon: what joins source, engine, log and service, and what keeps them going.

mod adapter;
mod config_reloader;
mod file_worker;
pub mod losses;
pub mod pipeline;
mod reload_pace;
pub mod runnable;
pub mod wall_clock;

pub use config_reloader::ConfigReloader;
