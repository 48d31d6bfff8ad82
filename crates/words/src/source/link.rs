//! What is said of a source that is not there, of captures, and of adapters that keep bytes back.

use std::path::Path;

use hereabout_core::{CaptureFault, FileKind, Holder, IoFault, LinkReason, TimesProblem};

use crate::system::io;

/// A short fixed word for machines, one per kind.
pub fn code(reason: &LinkReason) -> &'static str {
    match reason {
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

/// What happened and where, without a full stop.
pub fn words(reason: &LinkReason) -> String {
    match reason {
        LinkReason::SerialAbsent { path } => format!("there is no serial port {}", path.display()),
        LinkReason::SerialDenied { path, group } => {
            let group = group.as_deref().map(|g| format!(", which belongs to the group {g}"));
            format!("no permission to open {}{}", path.display(), group.unwrap_or_default())
        }
        LinkReason::SerialBusy { path, holder } => {
            let holder = holder.as_ref().map(named).unwrap_or_default();
            format!("another program has {} open{holder}", path.display())
        }
        LinkReason::NotSerial { path, found } => {
            let found = match found {
                FileKind::Device => "another kind of device".to_owned(),
                other => other.to_string(),
            };
            format!("{} is {found}, not a serial port", path.display())
        }
        LinkReason::SerialFailed { path, baud, fault } => {
            format!("{} could not be opened at {baud} baud: {}", path.display(), io::words(*fault))
        }
        LinkReason::Unplugged { path, fault } => {
            let fault = fault.map(|fault| format!(" ({})", io::words(fault)));
            format!("{} went away{}", path.display(), fault.unwrap_or_default())
        }
        LinkReason::TcpRefused { addr } => format!("{addr} refused the connection"),
        LinkReason::TcpUnreachable { addr, fault } => {
            format!("{addr} can't be reached: {}", unreachable_words(*fault))
        }
        LinkReason::TcpNoAnswer { addr, waited_s } => format!("{addr} did not answer within {waited_s} s"),
        LinkReason::TcpClosed { addr } => format!("{addr} closed the connection"),
        LinkReason::TcpBroken { addr, fault } => {
            format!("the connection to {addr} broke: {}", io::words(*fault))
        }
        LinkReason::UdpBind { addr, fault } => {
            format!("UDP datagrams can't be received on {addr}: {}", io::words(*fault))
        }
        LinkReason::FileMissing { path } => format!("there is no file {}", path.display()),
        LinkReason::TooManyFiles { what, whole_system } => {
            let (who, errno) =
                if *whole_system { ("this computer has", "ENFILE") } else { ("this program has", "EMFILE") };
            format!("{what} can't be opened: {who} too many files open (the system's error {errno})")
        }
        LinkReason::Ended => "the source has come to its end".to_owned(),
        LinkReason::FileUnreadable { path, fault } => {
            format!("{} can't be read: {}", path.display(), capture_words(fault))
        }
    }
}

/// A name that can't be looked up gives no number of the system.
fn unreachable_words(fault: IoFault) -> String {
    match fault.errno {
        None => "its name is not known on this network".to_owned(),
        Some(_) => io::words(fault),
    }
}

/// What to do about it, one sentence.
pub fn advice(reason: &LinkReason) -> String {
    use LinkReason::{
        Ended, FileMissing, FileUnreadable, NotSerial, SerialAbsent, SerialBusy, SerialDenied, SerialFailed,
        TcpBroken, TcpClosed, TcpNoAnswer, TcpRefused, TcpUnreachable, TooManyFiles, UdpBind, Unplugged,
    };
    match reason {
        SerialAbsent { .. } => {
            "check the cable and the primary anchor's power; `ls -l /dev/serial/by-id` \
             lists the ports that are there, and those names stay the same after replugging"
                .into()
        }
        SerialDenied { group, .. } => {
            let group = group.as_deref().filter(|g| *g != "root").unwrap_or("dialout");
            format!("add the user to that group (`sudo usermod -aG {group} USER`), log in again and restart")
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
        FileUnreadable { .. } => "check that it is a readable file and that its times file fits it".into(),
    }
}

/// The other program as the end of a sentence.
fn named(holder: &Holder) -> String {
    let Holder { pid, name, seen } = holder;
    let sign = if *seen { ": " } else { ", perhaps " };
    format!("{sign}{name} (process {pid})")
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

/// What is wrong with a capture, with the file.
pub fn capture_words(fault: &CaptureFault) -> String {
    match fault {
        CaptureFault::Io { path, fault } => format!("{}: {}", path.display(), io::words(*fault)),
        CaptureFault::NotAFile { path, kind } => format!("{} is {kind}, not a plain file", path.display()),
        CaptureFault::Times { path, line, problem } => {
            format!("{}, line {line}: {}", path.display(), times_words(problem))
        }
        CaptureFault::NoTimes { path } => {
            format!("pace needs its times, and there is no {}", path.display())
        }
    }
}

fn times_words(problem: &TimesProblem) -> String {
    match problem {
        TimesProblem::Header { expected, found } => {
            format!("expected the header `{expected}`, found `{found}`")
        }
        TimesProblem::NotARow { found } => {
            format!("expected `byte_offset,time_s` in numbers, found `{found}`")
        }
        TimesProblem::OffsetNotUp => "the byte offset does not go up".to_owned(),
        TimesProblem::TimeBackward => "the time goes backward".to_owned(),
        TimesProblem::FirstNotZero => "the first read must start at byte_offset 0".to_owned(),
    }
}

/// One line about a link that stands: for how long, and from where.
pub fn connected_line(held: &str, source: &str) -> String {
    format!("Link: connected for {held}, {source}")
}

/// One line about a link that waits: for how long, and why.
pub fn waiting_line(held: &str, reason: &str) -> String {
    format!("Link: WAITING for {held}: {reason}")
}

/// What a latency timer of a USB serial adapter means that makes positions older; what to do about it is
/// [`LATENCY_ADVICE`].
pub fn latency_words(latency_ms: u32) -> String {
    format!(
        "the USB adapter keeps bytes back for up to {latency_ms} ms (its latency timer), so positions are up to \
         that much older than they seem"
    )
}

/// What to do about such a timer.
pub const LATENCY_ADVICE: &str = "set the timer to 1 ms, for good by a udev rule with \
                                  SUBSYSTEM==\"usb-serial\", ATTR{latency_timer}=\"1\"";

#[cfg(test)]
mod tests;
