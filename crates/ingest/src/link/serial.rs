//! Serial ports: 8 data bits, no parity, one stop bit, no flow control, opened for this program
//! alone (`TIOCEXCL` and an advisory lock, so that a second daemon on the port gets "busy").
//!
//! Opening must not reset a board. Many boards take an edge of DTR, or RTS without DTR, as a reset
//! (common practice, no source). So nothing touches the two lines unless `dtr` asks, and `HUPCL` is cleared:
//! closing leaves DTR up then, and the next opening makes no edge. What can't be avoided: the kernel itself raises
//! DTR and RTS whenever a port is opened on which they are down, so at the first opening after plugging in.
//!
//! With `dtr` the lines are set after opening, and what closing does to them is left to the system.
//! The two calls are in an order in which DTR alone is up in between, never RTS alone, because the common
//! circuit of two transistors resets on the latter (common practice, no source).
//!
//! A second handle, the *key*, is opened before the port proper. It finds out about a lock while that still
//! costs nothing (the serial library takes the holder's `TIOCEXCL` away when it fails on a lock), it clears what
//! waited in the input from before, and it serves the [`Gauge`] for as long as the port is open.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use hereabout_core::{FileKind, IoFault, LinkReason};
use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::io::Errno;
use rustix::termios::{ControlModes, OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};
use tokio_serial::{DataBits, ErrorKind, FlowControl, Parity, SerialPort as _, SerialStream, StopBits};

use crate::link::gauge::Gauge;
use crate::link::line::{Line, Opened};
use crate::link::open_files::{no_file_left, too_many_files};
use crate::link::{holder, latency};

/// A port as configured.
pub(crate) struct SerialPort {
    path: PathBuf,
    baud: u32,
    /// As [`crate::Source::Serial`] has it.
    dtr: Option<bool>,
    /// Whether it was reported that the port has no such lines.
    reported_no_lines: AtomicBool,
}

impl SerialPort {
    pub(crate) fn new(path: PathBuf, baud: u32, dtr: Option<bool>) -> SerialPort {
        SerialPort { path, baud, dtr, reported_no_lines: AtomicBool::new(false) }
    }

    /// Opens the port, which does not block: no carrier is waited for.
    fn open_now(&self) -> Result<Opened<SerialStream>, LinkReason> {
        let key = key(&self.path, self.baud)?;
        if self.dtr.is_none() {
            keep_lines_on_close(&key, &self.path);
        }
        let mut stream = port(&self.path, self.baud)?;
        if let Some(up) = self.dtr
            && let Err(e) = set_lines(&mut stream, up)
            && !self.reported_no_lines.swap(true, Ordering::Relaxed)
        {
            let path = self.path.display();
            tracing::warn!("{path}: [source] dtr has no effect, its DTR and RTS can't be set ({e})");
        }
        forget_what_waited(&key, &self.path);
        let latency_ms = latency::latency_timer_ms(Path::new("/sys"), &self.path);
        Ok(Opened { stream, gauge: Gauge::through(key), latency_ms })
    }
}

impl Line for SerialPort {
    type Stream = SerialStream;

    async fn open(&self) -> Result<Opened<SerialStream>, LinkReason> {
        match self.open_now() {
            Err(LinkReason::SerialBusy { path, .. }) => Err(busy(path).await),
            opened => opened,
        }
    }

    fn lost(&self, error: Option<io::Error>) -> LinkReason {
        LinkReason::Unplugged { path: self.path.clone(), fault: error.as_ref().map(IoFault::from) }
    }
}

/// The reason with the holder's name. Looking through all processes is done beside the ticks.
async fn busy(path: PathBuf) -> LinkReason {
    let port = path.clone();
    let found = tokio::task::spawn_blocking(move || holder::find(Path::new("/proc"), &port));
    LinkReason::SerialBusy { path, holder: found.await.ok().flatten() }
}

/// Opens the second handle: of a serial port that nobody has locked.
fn key(path: &Path, baud: u32) -> Result<OwnedFd, LinkReason> {
    let refused = |e: io::Error| {
        let fault = IoFault::from(&e);
        too_many_files(&path.display(), fault).unwrap_or_else(|| refused_with(path, baud, fault))
    };
    let there = fs::metadata(path).map_err(refused)?;
    if !there.file_type().is_char_device() {
        return Err(LinkReason::NotSerial { path: path.into(), found: FileKind::of(&there) });
    }
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let key = rustix::fs::open(path, flags, Mode::empty()).map_err(|e| refused(e.into()))?;
    if matches!(tcgetattr(&key), Err(Errno::NOTTY)) {
        return Err(LinkReason::NotSerial { path: path.into(), found: FileKind::Device });
    }
    if flock(&key, FlockOperation::NonBlockingLockExclusive) == Err(Errno::WOULDBLOCK) {
        return Err(LinkReason::SerialBusy { path: path.into(), holder: None });
    }
    // The lock is for the port proper, which tells other troubles with locks.
    let _ = flock(&key, FlockOperation::Unlock);
    Ok(key)
}

/// Opens the port proper, for this program alone.
fn port(path: &Path, baud: u32) -> Result<SerialStream, LinkReason> {
    let builder = tokio_serial::new(path.to_string_lossy(), baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(FlowControl::None)
        .exclusive(true);
    SerialStream::open(&builder).map_err(|e| match e.kind() {
        // What the library reports when the port is locked by someone else.
        ErrorKind::NoDevice => LinkReason::SerialBusy { path: path.into(), holder: None },
        ErrorKind::Io(kind) => {
            no_file_left(&path.display()).unwrap_or_else(|| refused_with(path, baud, kind.into()))
        }
        ErrorKind::InvalidInput => failed(path, baud, io::ErrorKind::InvalidInput.into()),
        ErrorKind::Unknown => {
            no_file_left(&path.display()).unwrap_or_else(|| failed(path, baud, io::ErrorKind::Other.into()))
        }
    })
}

/// Has the lines stay as they are when the port is closed.
fn keep_lines_on_close(key: &OwnedFd, path: &Path) {
    let cleared = tcgetattr(key).and_then(|mut settings| {
        settings.control_modes.remove(ControlModes::HUPCL);
        tcsetattr(key, OptionalActions::Now, &settings)
    });
    if let Err(e) = cleared {
        let path = path.display();
        tracing::debug!("{path}: closing the port may reset the board, HUPCL can't be cleared ({e})");
    }
}

/// Asserts both lines, or lets both go.
fn set_lines(stream: &mut SerialStream, up: bool) -> Result<(), tokio_serial::Error> {
    if up {
        stream.write_data_terminal_ready(true)?;
        stream.write_request_to_send(true)
    } else {
        stream.write_request_to_send(false)?;
        stream.write_data_terminal_ready(false)
    }
}

/// Throws away what came before the port was opened: it must not be heard as new.
fn forget_what_waited(key: &OwnedFd, path: &Path) {
    if let Err(e) = tcflush(key, QueueSelector::IFlush) {
        let path = path.display();
        tracing::warn!("{path}: what waited in its input can't be thrown away, and is heard as new ({e})");
    }
}

fn refused_with(path: &Path, baud: u32, fault: IoFault) -> LinkReason {
    let path_buf = path.into();
    match fault.kind {
        io::ErrorKind::NotFound => LinkReason::SerialAbsent { path: path_buf },
        io::ErrorKind::PermissionDenied => {
            let group = fs::metadata(path).ok().and_then(|m| group_name(m.gid()));
            LinkReason::SerialDenied { path: path_buf, group }
        }
        io::ErrorKind::ResourceBusy => LinkReason::SerialBusy { path: path_buf, holder: None },
        _ => failed(path, baud, fault),
    }
}

fn failed(path: &Path, baud: u32, fault: IoFault) -> LinkReason {
    LinkReason::SerialFailed { path: path.into(), baud, fault }
}

/// The group's name from the local table; groups of a directory service stay unnamed.
fn group_name(gid: u32) -> Option<String> {
    name_in(&fs::read_to_string("/etc/group").ok()?, gid)
}

/// `name:password:gid:members`, as group(5) has it.
fn name_in(table: &str, gid: u32) -> Option<String> {
    table.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reason(path: &Path) -> LinkReason {
        // Opening registers with the runtime, so there must be one.
        tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(async {
            let opened = SerialPort::new(path.into(), 115_200, None).open().await;
            opened.err().expect("must not open")
        })
    }

    #[test]
    fn what_is_no_port_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("capture.bin");
        fs::write(&file, b"x").unwrap();
        assert_eq!(reason(&file), LinkReason::NotSerial { path: file, found: FileKind::Plain });
        let folder = dir.path().to_owned();
        assert_eq!(reason(&folder), LinkReason::NotSerial { path: folder, found: FileKind::Folder });
        let null = Path::new("/dev/null").to_owned();
        assert_eq!(reason(&null), LinkReason::NotSerial { path: null, found: FileKind::Device });
        let absent = dir.path().join("ttyUSB0");
        assert_eq!(reason(&absent), LinkReason::SerialAbsent { path: absent });
    }

    #[test]
    fn a_denied_port_comes_with_the_group_to_join() {
        // EACCES can't be provoked for every user that may run this, so the mapping is tested.
        let denied = refused_with(Path::new("/dev/null"), 9600, io::ErrorKind::PermissionDenied.into());
        // /dev/null is root's everywhere.
        let root = LinkReason::SerialDenied { path: "/dev/null".into(), group: group_name(0) };
        assert_eq!(denied, root);
    }

    #[test]
    fn groups_are_found_by_number() {
        let table = "root:x:0:\ndialout:x:20:ada\nbroken\nplugdev:x:46:\n";
        assert_eq!(name_in(table, 20).as_deref(), Some("dialout"));
        assert_eq!(name_in(table, 46).as_deref(), Some("plugdev"));
        assert_eq!(name_in(table, 21), None);
    }
}
