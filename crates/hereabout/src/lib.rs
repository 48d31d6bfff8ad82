//! The hereabout daemon and its commands.
