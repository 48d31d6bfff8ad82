//! Who may change a running daemon: the key, the socket, and the file descriptors that both need.

pub mod key_file;
pub mod open_files;
pub mod socket_file;
