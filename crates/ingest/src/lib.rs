//! Serial ports, TCP, UDP, files and feeders: bytes with arrival time, reconnected when they fall away.
