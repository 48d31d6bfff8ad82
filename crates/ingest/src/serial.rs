//! Serial ports: 8 data bits, no parity, one stop bit, no flow control, opened for this program
//! alone (`TIOCEXCL` and an advisory lock, so that a second daemon on the port is told "busy").

use std::fs;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use tokio_serial::{DataBits, ErrorKind, FlowControl, Parity, SerialStream, StopBits};

use crate::LinkReason;
use crate::run::Line;

/// A port as configured.
pub(crate) struct SerialPort {
    pub(crate) path: PathBuf,
    pub(crate) baud: u32,
}

impl Line for SerialPort {
    type Stream = SerialStream;

    async fn open(&self) -> Result<SerialStream, LinkReason> {
        open(&self.path, self.baud)
    }

    fn lost(&self, error: Option<io::Error>) -> LinkReason {
        LinkReason::Unplugged { path: self.path.clone(), detail: error.map(|e| e.to_string()) }
    }
}

/// Opens the port, which does not block: no carrier is waited for.
fn open(path: &Path, baud: u32) -> Result<SerialStream, LinkReason> {
    let found = fs::metadata(path).map_err(|e| from_io(path, baud, e.kind(), &e.to_string()))?;
    let kind = found.file_type();
    if !kind.is_char_device() {
        let found = if kind.is_dir() {
            "a folder"
        } else if kind.is_file() {
            "a plain file"
        } else {
            "something else"
        };
        return Err(LinkReason::NotSerial { path: path.into(), found });
    }
    let builder = tokio_serial::new(path.to_string_lossy(), baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(FlowControl::None)
        .exclusive(true);
    SerialStream::open(&builder).map_err(|e| match e.kind() {
        // What the library reports when the port is locked by someone else.
        ErrorKind::NoDevice => LinkReason::SerialBusy { path: path.into() },
        ErrorKind::Io(kind) => from_io(path, baud, kind, &e.description),
        _ if is_no_terminal(&e.description) => {
            LinkReason::NotSerial { path: path.into(), found: "another kind of device" }
        }
        _ => failed(path, baud, &e.description),
    })
}

fn from_io(path: &Path, baud: u32, kind: io::ErrorKind, detail: &str) -> LinkReason {
    let path_buf = path.into();
    match kind {
        io::ErrorKind::NotFound => LinkReason::SerialAbsent { path: path_buf },
        io::ErrorKind::PermissionDenied => {
            let group = fs::metadata(path).ok().and_then(|m| group_name(m.gid()));
            LinkReason::SerialDenied { path: path_buf, group }
        }
        io::ErrorKind::ResourceBusy => LinkReason::SerialBusy { path: path_buf },
        _ => failed(path, baud, detail),
    }
}

fn failed(path: &Path, baud: u32, detail: &str) -> LinkReason {
    LinkReason::SerialFailed { path: path.into(), baud, detail: detail.into() }
}

/// ENOTTY in the words of the C library and of the serial library.
fn is_no_terminal(description: &str) -> bool {
    description.contains("typewriter") || description.contains("Inappropriate ioctl")
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
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap()
            .block_on(async { open(path, 115_200).expect_err("must not open") })
    }

    #[test]
    fn what_is_no_port_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("capture.bin");
        fs::write(&file, b"x").unwrap();
        assert_eq!(reason(&file), LinkReason::NotSerial { path: file, found: "a plain file" });
        let folder = dir.path().to_owned();
        assert_eq!(reason(&folder), LinkReason::NotSerial { path: folder, found: "a folder" });
        let null = Path::new("/dev/null").to_owned();
        assert_eq!(reason(&null), LinkReason::NotSerial { path: null, found: "another kind of device" });
        let absent = dir.path().join("ttyUSB0");
        assert_eq!(reason(&absent), LinkReason::SerialAbsent { path: absent });
    }

    #[test]
    fn a_denied_port_names_the_group_to_join() {
        // EACCES can't be provoked for every user that may run this, so the mapping is tested.
        let denied = from_io(Path::new("/dev/null"), 9600, io::ErrorKind::PermissionDenied, "");
        assert!(matches!(&denied, LinkReason::SerialDenied { .. }));
        let denied = LinkReason::SerialDenied { path: "/dev/ttyS0".into(), group: Some("uucp".into()) };
        assert_eq!(denied.to_string(), "no permission to open /dev/ttyS0, which belongs to the group uucp");
        assert!(denied.advice().contains("usermod -aG uucp"));
        let unnamed = LinkReason::SerialDenied { path: "/dev/ttyS0".into(), group: None };
        assert!(unnamed.advice().contains("usermod -aG dialout"));
    }

    #[test]
    fn groups_are_found_by_number() {
        let table = "root:x:0:\ndialout:x:20:ada\nbroken\nplugdev:x:46:\n";
        assert_eq!(name_in(table, 20).as_deref(), Some("dialout"));
        assert_eq!(name_in(table, 46).as_deref(), Some("plugdev"));
        assert_eq!(name_in(table, 21), None);
    }
}
