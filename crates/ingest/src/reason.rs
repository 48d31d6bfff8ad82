//! Why a source is not there, in facts; words and advice are made from them here.

use std::io;
use std::path::{Path, PathBuf};

use rustix::io::Errno;
use thiserror::Error;

/// How the service of the operating system that tries serial ports for modems calls itself
/// (common practice, no source).
const MODEM_SERVICE: &str = "ModemManager";

/// A process that has the port open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Its number.
    pub pid: u32,
    /// What it calls itself, at most 15 characters; control characters are replaced.
    pub name: String,
    /// Whether it was seen to hold the port; `false` for a guess.
    pub seen: bool,
}

impl Holder {
    /// Whether it is a service that tries serial ports for modems and lets go by itself.
    pub fn probes_modems(&self) -> bool {
        self.name.starts_with(MODEM_SERVICE)
    }
}

/// Why the link is waiting. `Display` says what happened, [`LinkReason::advice`] what to do.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LinkReason {
    /// No such serial port.
    #[error("there is no serial port {}", path.display())]
    SerialAbsent {
        /// As configured.
        path: PathBuf,
    },
    /// The port is there, this user may not open it.
    #[error("no permission to open {}{}", path.display(), group.as_deref().map(|g| format!(", which belongs to the group {g}")).unwrap_or_default())]
    SerialDenied {
        /// As configured.
        path: PathBuf,
        /// The group that owns the device, when it has a name.
        group: Option<String>,
    },
    /// Another program holds the port.
    #[error("another program has {} open{}", path.display(), holder.as_ref().map(named).unwrap_or_default())]
    SerialBusy {
        /// As configured.
        path: PathBuf,
        /// The other program, as far as this user may know.
        holder: Option<Holder>,
    },
    /// The path leads to something else.
    #[error("{} is {found}, not a serial port", path.display())]
    NotSerial {
        /// As configured.
        path: PathBuf,
        /// What it is, with its article.
        found: &'static str,
    },
    /// The port refused its settings or failed in another way.
    #[error("{} could not be opened at {baud} baud: {detail}", path.display())]
    SerialFailed {
        /// As configured.
        path: PathBuf,
        /// As configured.
        baud: u32,
        /// The system's words.
        detail: String,
    },
    /// It was open and went away.
    #[error("{} went away{}", path.display(), detail.as_deref().map(|d| format!(" ({d})")).unwrap_or_default())]
    Unplugged {
        /// As configured.
        path: PathBuf,
        /// The system's words; `None` when it just ended.
        detail: Option<String>,
    },
    /// Nobody listens there.
    #[error("{addr} refused the connection")]
    TcpRefused {
        /// As configured.
        addr: String,
    },
    /// No way to the host.
    #[error("{addr} can't be reached: {detail}")]
    TcpUnreachable {
        /// As configured.
        addr: String,
        /// The system's words.
        detail: String,
    },
    /// No answer in time.
    #[error("{addr} did not answer within {waited_s} s")]
    TcpNoAnswer {
        /// As configured.
        addr: String,
        /// How long was waited, whole seconds.
        waited_s: u64,
    },
    /// The other side ended the connection.
    #[error("{addr} closed the connection")]
    TcpClosed {
        /// As configured.
        addr: String,
    },
    /// The connection broke.
    #[error("the connection to {addr} broke: {detail}")]
    TcpBroken {
        /// As configured.
        addr: String,
        /// The system's words.
        detail: String,
    },
    /// The address to listen on could not be taken.
    #[error("UDP datagrams can't be received on {addr}: {detail}")]
    UdpBind {
        /// As configured.
        addr: String,
        /// The system's words.
        detail: String,
    },
    /// No such file.
    #[error("there is no file {}", path.display())]
    FileMissing {
        /// As configured, joined to its folder.
        path: PathBuf,
    },
    /// The system gives out no more open files: nothing is known of the device.
    #[error("{what} can't be opened: {} too many files open (the system's error {errno})", if *whole_system { "this computer has" } else { "this program has" })]
    TooManyFiles {
        /// The device or address, as configured.
        what: String,
        /// All programs together have too many, not this one.
        whole_system: bool,
        /// `EMFILE` or `ENFILE`.
        errno: &'static str,
    },
    /// A file or a feeder has nothing more.
    #[error("the source has come to its end")]
    Ended,
    /// The file is there and can't be read.
    #[error("{} can't be read: {detail}", path.display())]
    FileUnreadable {
        /// As configured, joined to its folder.
        path: PathBuf,
        /// The system's words, or the line of the times file.
        detail: String,
    },
}

/// The other program as the end of a sentence.
fn named(holder: &Holder) -> String {
    let Holder { pid, name, seen } = holder;
    let mark = if *seen { ": " } else { ", perhaps " };
    format!("{mark}{name} (process {pid})")
}

/// What to do about a port that is in use.
fn busy_advice(path: &Path, holder: Option<&Holder>) -> String {
    match holder {
        Some(holder) if holder.probes_modems() => {
            let name = &holder.name;
            format!(
                "{name} is a service of the operating system that tries serial ports for modems, and lets go by \
                 itself after some seconds; to keep it off this port, give the port \
                 ENV{{ID_MM_DEVICE_IGNORE}}=\"1\" in a udev rule, or stop the service \
                 (`sudo systemctl disable --now {name}`)"
            )
        }
        Some(Holder { pid, name, .. }) => {
            format!("close {name}, or stop the service that runs it; `ps -fp {pid}` shows how it was started")
        }
        None => format!("close the other program; `sudo fuser -v {}` names it", path.display()),
    }
}

impl LinkReason {
    /// The reason when `error` says that no more files can be opened; whatever it was to open.
    pub(crate) fn too_many_files(what: &impl ToString, error: &io::Error) -> Option<LinkReason> {
        let (whole_system, errno) = match Errno::from_io_error(error)? {
            Errno::MFILE => (false, "EMFILE"),
            Errno::NFILE => (true, "ENFILE"),
            _ => return None,
        };
        Some(LinkReason::TooManyFiles { what: what.to_string(), whole_system, errno })
    }

    /// The same where a library has kept the error for itself: whether one more file can be opened tells.
    pub(crate) fn no_file_left(what: &impl ToString) -> Option<LinkReason> {
        let error = std::fs::File::open("/dev/null").err()?;
        LinkReason::too_many_files(what, &error)
    }

    /// What to do about it, one sentence.
    pub fn advice(&self) -> String {
        use LinkReason::{
            Ended, FileMissing, FileUnreadable, NotSerial, SerialAbsent, SerialBusy, SerialDenied,
            SerialFailed, TcpBroken, TcpClosed, TcpNoAnswer, TcpRefused, TcpUnreachable, TooManyFiles,
            UdpBind, Unplugged,
        };
        match self {
            SerialAbsent { .. } => {
                "check the cable and the primary anchor's power; `ls -l /dev/serial/by-id` \
                 lists the ports that are there, and those names stay the same after replugging"
                    .into()
            }
            SerialDenied { group, .. } => {
                let group = group.as_deref().filter(|g| *g != "root").unwrap_or("dialout");
                format!(
                    "add the user to that group (`sudo usermod -aG {group} USER`), log in again and restart"
                )
            }
            SerialBusy { path, holder } => busy_advice(path, holder.as_ref()),
            NotSerial { .. } => {
                "give the port's path in [source] port; `ls -l /dev/serial/by-id` lists them; \
                 a capture is written file://NAME.bin"
                    .into()
            }
            SerialFailed { .. } => {
                "check that the port supports this speed and that the path is a serial port; \
                 unplug it and plug it in again"
                    .into()
            }
            Unplugged { .. } => {
                "check the cable and the primary anchor's power; it is opened again when it returns".into()
            }
            TcpRefused { .. } => {
                "start the program that serves the kit's bytes there, or correct the port number".into()
            }
            TcpUnreachable { .. } | TcpNoAnswer { .. } => {
                "check the address, the network cable and that the device has power".into()
            }
            TcpClosed { .. } | TcpBroken { .. } => {
                "check that the device serves only one connection and has power; it is tried again".into()
            }
            UdpBind { .. } => "give an address of this machine and a port that no other program uses".into(),
            TooManyFiles { whole_system: false, .. } => {
                "close programs that are connected to this one; if there is none too many, raise its limit \
                 (`ulimit -n`, LimitNOFILE= of a systemd unit) and restart; it is tried again"
                    .into()
            }
            TooManyFiles { whole_system: true, .. } => {
                "find the program that holds them (`sudo lsof`), or raise the sysctl fs.file-max; it is tried again"
                    .into()
            }
            Ended => "start again to hear it once more; a live kit has a port in [source]".into(),
            FileMissing { .. } => "check the name; a relative one is looked up beside the site file".into(),
            FileUnreadable { .. } => {
                "check that it is a readable file and that its times file fits it".into()
            }
        }
    }

    /// A short fixed word for machines, one per kind.
    pub fn code(&self) -> &'static str {
        match self {
            LinkReason::SerialAbsent { .. } => "absent",
            LinkReason::SerialDenied { .. } => "permission_denied",
            LinkReason::SerialBusy { .. } => "busy",
            LinkReason::NotSerial { .. } => "not_a_serial_port",
            LinkReason::SerialFailed { .. } => "open_failed",
            LinkReason::Unplugged { .. } => "unplugged",
            LinkReason::TcpRefused { .. } => "refused",
            LinkReason::TcpUnreachable { .. } => "unreachable",
            LinkReason::TcpNoAnswer { .. } => "no_answer",
            LinkReason::TcpClosed { .. } => "closed",
            LinkReason::TcpBroken { .. } => "broken",
            LinkReason::UdpBind { .. } => "bind_failed",
            LinkReason::TooManyFiles { .. } => "too_many_files",
            LinkReason::Ended => "ended",
            LinkReason::FileMissing { .. } => "file_missing",
            LinkReason::FileUnreadable { .. } => "file_unreadable",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_source_says_what_can_be_done() {
        assert!(LinkReason::Ended.to_string().contains("end") && LinkReason::Ended.advice().len() > 20);
    }

    /// All that have a place to name.
    fn every() -> Vec<LinkReason> {
        let (path, addr) = (PathBuf::from("/dev/kit"), "127.0.0.1:7000".to_owned());
        let (p, a, detail) = (|| path.clone(), || addr.clone(), || "the system's words".to_owned());
        vec![
            LinkReason::SerialAbsent { path: p() },
            LinkReason::SerialDenied { path: p(), group: None },
            LinkReason::SerialBusy { path: p(), holder: None },
            LinkReason::NotSerial { path: p(), found: "a folder" },
            LinkReason::SerialFailed { path: p(), baud: 9600, detail: detail() },
            LinkReason::Unplugged { path: p(), detail: Some(detail()) },
            LinkReason::TcpRefused { addr: a() },
            LinkReason::TcpUnreachable { addr: a(), detail: detail() },
            LinkReason::TcpNoAnswer { addr: a(), waited_s: 2 },
            LinkReason::TcpClosed { addr: a() },
            LinkReason::TcpBroken { addr: a(), detail: detail() },
            LinkReason::UdpBind { addr: a(), detail: detail() },
            LinkReason::TooManyFiles { what: a(), whole_system: false, errno: "EMFILE" },
            LinkReason::FileMissing { path: p() },
            LinkReason::FileUnreadable { path: p(), detail: detail() },
        ]
    }

    #[test]
    fn too_many_open_files_is_said_and_nothing_about_cables() {
        // EMFILE and ENFILE: errno(3).
        for (errno, said) in
            [(Errno::MFILE, "this program has too many"), (Errno::NFILE, "this computer has too many")]
        {
            let reason = LinkReason::too_many_files(&"10.0.0.5:7000", &errno.into()).expect("it is that");
            assert!(
                reason.to_string().contains(said) && reason.to_string().contains("10.0.0.5:7000"),
                "{reason}"
            );
            assert_eq!(reason.code(), "too_many_files");
            let advice = reason.advice();
            assert!(!advice.contains("cable") && !advice.contains("  "), "{advice}");
        }
        assert_eq!(LinkReason::too_many_files(&"x", &Errno::HOSTUNREACH.into()), None);
        assert_eq!(LinkReason::no_file_left(&"x"), None, "there is one now");
    }

    #[test]
    fn a_busy_port_names_its_holder_and_what_to_do_about_it() {
        let busy = |name: &str, seen| LinkReason::SerialBusy {
            path: "/dev/kit".into(),
            holder: Some(Holder { pid: 812, name: name.into(), seen }),
        };
        let terminal = busy("cable-logger", true);
        assert_eq!(terminal.to_string(), "another program has /dev/kit open: cable-logger (process 812)");
        assert!(terminal.advice().contains("close cable-logger") && !terminal.advice().contains("modem"));
        let guess = busy("ModemManager", false);
        assert_eq!(
            guess.to_string(),
            "another program has /dev/kit open, perhaps ModemManager (process 812)"
        );
        for service in [guess, busy("ModemManager", true)] {
            let advice = service.advice();
            for part in ["by itself after some seconds", "ENV{ID_MM_DEVICE_IGNORE}=\"1\"", "stop the service"]
            {
                assert!(advice.contains(part), "{advice}");
            }
            assert!(!advice.contains("  "), "{advice}");
        }
    }

    #[test]
    fn every_reason_names_its_place_and_says_what_to_do() {
        let mut codes: Vec<&str> = every().iter().map(LinkReason::code).collect();
        for reason in every() {
            let words = reason.to_string();
            assert!(words.contains("/dev/kit") || words.contains("127.0.0.1:7000"), "{words}");
            let has_detail = format!("{reason:?}").contains("the system's words");
            assert_eq!(words.contains("the system's words"), has_detail, "{words}");
            let advice = reason.advice();
            assert!(advice.split(' ').count() > 5 && !advice.contains("  "), "{advice}");
        }
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), every().len(), "one code per kind");
    }
}
