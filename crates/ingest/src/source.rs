//! Where bytes come from, and how a person writes it.
//!
//! | text | source |
//! |---|---|
//! | `/dev/serial/by-id/…` | a serial port: 8 data bits, no parity, 1 stop bit, no flow control |
//! | `tcp://HOST:PORT` | a server that sends the kit's bytes |
//! | `udp://ADDRESS:PORT` | an address of this machine where the kit's datagrams arrive |
//! | `file://capture.bin?pace=real` | a capture; `pace` is `real`, `max` or a factor such as `2.0` |
//! | `sim://scenario.toml` | the simulated kit |
//!
//! Relative file names are looked up beside the site file.

use std::fmt;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use hereabout_core::SourceFault;

use crate::Feeder;

/// How fast a capture is played.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// As fast as the reader takes it.
    Max,
    /// By the times file, this many times as fast as it was recorded; 1 is real speed.
    Timed(f64),
    /// At real speed when there is a times file, else as fast as possible.
    Auto,
}

/// A source that [`crate::run`] can read.
pub enum Source {
    /// A serial port.
    Serial {
        /// The device, or a link to it such as those under `/dev/serial/by-id`.
        path: PathBuf,
        /// Symbols per second.
        baud: u32,
        /// `true`: DTR and RTS are asserted after opening. `false`: both are let go. `None`: they stay
        /// as the system sets them, also when the port is closed. What can't be avoided: the kernel raises them
        /// itself when it opens a port on which they are down, so at the first opening after plugging in.
        dtr: Option<bool>,
    },
    /// A TCP server that sends the kit's bytes.
    Tcp {
        /// `host:port`.
        addr: String,
    },
    /// Datagrams to an address of this machine.
    Udp {
        /// The address to listen on.
        addr: SocketAddr,
    },
    /// A capture.
    File {
        /// The `.bin` file.
        path: PathBuf,
        /// How fast.
        pace: Pace,
    },
    /// A program.
    Feeder(Box<dyn Feeder>),
}

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Serial { path, baud, dtr: None } => write!(f, "Serial({}, {baud})", path.display()),
            Source::Serial { path, baud, dtr: Some(dtr) } => {
                write!(f, "Serial({}, {baud}, dtr {dtr})", path.display())
            }
            Source::Tcp { addr } => write!(f, "Tcp({addr})"),
            Source::Udp { addr } => write!(f, "Udp({addr})"),
            Source::File { path, pace } => write!(f, "File({}, {pace:?})", path.display()),
            Source::Feeder(_) => write!(f, "Feeder"),
        }
    }
}

/// A source's text, read: a source, or a scenario to be made one.
#[derive(Debug)]
pub enum SourceText {
    /// A source that can be run as it is.
    Ready(Source),
    /// A scenario that the caller turns into a [`Feeder`]: this crate knows no simulator.
    Sim(PathBuf),
}

impl Source {
    /// Reads a source's text. `baud` matters only for a serial port; `base` is the folder that
    /// relative file names start from (the site file's).
    ///
    /// # Errors
    /// [`SourceFault`], with what was expected instead.
    pub fn parse(text: &str, baud: u32, base: &Path) -> Result<SourceText, SourceFault> {
        let text = text.trim();
        let Some((scheme, rest)) = text.split_once("://") else {
            return serial(text, baud).map(SourceText::Ready);
        };
        match scheme {
            "tcp" => tcp(rest).map(SourceText::Ready),
            "udp" => {
                let addr = rest.parse().map_err(|_| SourceFault::BadUdpAddress { addr: rest.into() })?;
                Ok(SourceText::Ready(Source::Udp { addr }))
            }
            "file" => file(rest, base).map(SourceText::Ready),
            "sim" if rest.is_empty() => Err(SourceFault::NoFile { scheme: "sim" }),
            "sim" => Ok(SourceText::Sim(base.join(rest))),
            _ => Err(SourceFault::UnknownScheme { scheme: scheme.into() }),
        }
    }
}

impl Source {
    /// The same with this use of the modem lines; of no effect unless it is a serial port.
    #[must_use]
    pub fn with_dtr(mut self, asked: Option<bool>) -> Source {
        if let Source::Serial { dtr, .. } = &mut self {
            *dtr = asked;
        }
        self
    }
}

fn serial(text: &str, baud: u32) -> Result<Source, SourceFault> {
    if text.is_empty() {
        Err(SourceFault::Empty)
    } else if !text.starts_with('/') {
        Err(SourceFault::NotAPort { text: text.into() })
    } else if !(300..=12_000_000).contains(&baud) {
        Err(SourceFault::BadBaud { baud })
    } else {
        Ok(Source::Serial { path: text.into(), baud, dtr: None })
    }
}

fn tcp(rest: &str) -> Result<Source, SourceFault> {
    let good = rest.rsplit_once(':').is_some_and(|(host, port)| {
        !host.is_empty() && !host.contains('/') && port.parse::<u16>().is_ok_and(|p| p > 0)
    });
    if good {
        Ok(Source::Tcp { addr: rest.into() })
    } else {
        Err(SourceFault::BadTcpAddress { addr: rest.into() })
    }
}

fn file(rest: &str, base: &Path) -> Result<Source, SourceFault> {
    let (name, query) = rest.split_once('?').unwrap_or((rest, ""));
    if name.is_empty() {
        return Err(SourceFault::NoFile { scheme: "file" });
    }
    let mut pace = Pace::Auto;
    for option in query.split('&').filter(|o| !o.is_empty()) {
        let Some(value) = option.strip_prefix("pace=") else {
            return Err(SourceFault::UnknownOption { option: option.into() });
        };
        pace = parse_pace(value)?;
    }
    Ok(Source::File { path: base.join(name), pace })
}

fn parse_pace(value: &str) -> Result<Pace, SourceFault> {
    match value {
        "real" => Ok(Pace::Timed(1.0)),
        "max" => Ok(Pace::Max),
        _ => value
            .parse()
            .ok()
            .filter(|factor| (0.001..=1000.0).contains(factor))
            .map(Pace::Timed)
            .ok_or_else(|| SourceFault::BadPace { pace: value.into() }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ready(text: &str) -> String {
        match Source::parse(text, 115_200, Path::new("/srv/yard")).unwrap() {
            SourceText::Ready(source) => format!("{source:?}"),
            SourceText::Sim(path) => format!("Sim({})", path.display()),
        }
    }

    fn refused(text: &str) -> SourceFault {
        Source::parse(text, 115_200, Path::new("/srv/yard")).unwrap_err()
    }

    #[test]
    fn every_kind_of_source_is_read() {
        assert_eq!(ready("/dev/ttyUSB0"), "Serial(/dev/ttyUSB0, 115200)");
        assert_eq!(ready("tcp://127.0.0.1:7000"), "Tcp(127.0.0.1:7000)");
        assert_eq!(ready("tcp://[::1]:7000"), "Tcp([::1]:7000)");
        assert_eq!(ready("tcp://bridge.local:7000"), "Tcp(bridge.local:7000)");
        assert_eq!(ready("udp://0.0.0.0:7000"), "Udp(0.0.0.0:7000)");
        assert_eq!(ready("file://a.bin"), "File(/srv/yard/a.bin, Auto)");
        assert_eq!(ready("file:///tmp/a.bin?pace=max"), "File(/tmp/a.bin, Max)");
        assert_eq!(ready("file://a.bin?pace=real"), "File(/srv/yard/a.bin, Timed(1.0))");
        assert_eq!(ready("file://a.bin?pace=2.5"), "File(/srv/yard/a.bin, Timed(2.5))");
        assert_eq!(ready("sim://scenario.toml"), "Sim(/srv/yard/scenario.toml)");
    }

    #[test]
    fn modem_lines_are_asked_for_on_serial_ports_alone() {
        let port = |dtr| Source::Serial { path: "/dev/ttyUSB0".into(), baud: 9600, dtr: None }.with_dtr(dtr);
        assert_eq!(format!("{:?}", port(Some(false))), "Serial(/dev/ttyUSB0, 9600, dtr false)");
        assert_eq!(format!("{:?}", port(None)), "Serial(/dev/ttyUSB0, 9600)");
        let tcp = Source::Tcp { addr: "127.0.0.1:7000".into() }.with_dtr(Some(true));
        assert_eq!(format!("{tcp:?}"), "Tcp(127.0.0.1:7000)");
    }

    #[test]
    fn what_is_no_source_is_refused_with_what_was_expected() {
        assert_eq!(refused(" "), SourceFault::Empty);
        assert_eq!(refused("capture.bin"), SourceFault::NotAPort { text: "capture.bin".into() });
        assert_eq!(refused("http://x"), SourceFault::UnknownScheme { scheme: "http".into() });
        for addr in ["127.0.0.1", ":7000", "host:0", "host:70000", "host/path:1"] {
            assert_eq!(refused(&format!("tcp://{addr}")), SourceFault::BadTcpAddress { addr: addr.into() });
        }
        assert_eq!(refused("udp://host:1"), SourceFault::BadUdpAddress { addr: "host:1".into() });
        assert_eq!(refused("sim://"), SourceFault::NoFile { scheme: "sim" });
        assert_eq!(refused("file://?pace=max"), SourceFault::NoFile { scheme: "file" });
        assert_eq!(refused("file://a?speed=2"), SourceFault::UnknownOption { option: "speed=2".into() });
        for pace in ["0", "-1", "nan", "inf", "fast"] {
            assert_eq!(refused(&format!("file://a?pace={pace}")), SourceFault::BadPace { pace: pace.into() });
        }
        let slow = Source::parse("/dev/ttyUSB0", 0, Path::new("/")).unwrap_err();
        assert_eq!(slow, SourceFault::BadBaud { baud: 0 });
    }
}
