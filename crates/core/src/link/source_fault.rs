//! Why a text names no source of bytes, in facts. The words are made in `words`.

/// Why a text is no source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SourceFault {
    /// Nothing there.
    Empty,
    /// `scheme://` of an unknown kind.
    UnknownScheme {
        /// The part before `://`.
        scheme: String,
    },
    /// Neither a path from the root nor anything with `://`.
    NotAPort {
        /// As given.
        text: String,
    },
    /// Not `host:port`.
    BadTcpAddress {
        /// As given.
        addr: String,
    },
    /// Not an address of this machine.
    BadUdpAddress {
        /// As given.
        addr: String,
    },
    /// No file name after the scheme.
    NoFile {
        /// `file` or `sim`.
        scheme: &'static str,
    },
    /// A query key other than `pace`.
    UnknownOption {
        /// As given.
        option: String,
    },
    /// A pace that is no pace.
    BadPace {
        /// As given.
        pace: String,
    },
    /// A speed that no serial line has.
    BadBaud {
        /// As given.
        baud: u32,
    },
}
