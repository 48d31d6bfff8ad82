//! The simulated kit: truth, noise, blocked lines of sight, dropouts and faults as bytes of a port.
