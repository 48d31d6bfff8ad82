use std::io::ErrorKind;
use std::path::PathBuf;

use super::*;

#[test]
fn the_end_of_a_source_says_what_can_be_done() {
    assert!(words(&LinkReason::Ended).contains("end") && advice(&LinkReason::Ended).len() > 20);
}

/// All that have a place to name.
fn every() -> Vec<LinkReason> {
    let (path, addr) = (PathBuf::from("/dev/kit"), "127.0.0.1:7000".to_owned());
    let (p, a) = (|| path.clone(), || addr.clone());
    let fault = IoFault::from(ErrorKind::TimedOut);
    vec![
        LinkReason::SerialAbsent { path: p() },
        LinkReason::SerialDenied { path: p(), group: None },
        LinkReason::SerialBusy { path: p(), holder: None },
        LinkReason::NotSerial { path: p(), found: FileKind::Folder },
        LinkReason::SerialFailed { path: p(), baud: 9600, fault },
        LinkReason::Unplugged { path: p(), fault: Some(fault) },
        LinkReason::TcpRefused { addr: a() },
        LinkReason::TcpUnreachable { addr: a(), fault: IoFault { errno: Some(110), ..fault } },
        LinkReason::TcpNoAnswer { addr: a(), waited_s: 2 },
        LinkReason::TcpClosed { addr: a() },
        LinkReason::TcpBroken { addr: a(), fault },
        LinkReason::UdpBind { addr: a(), fault },
        LinkReason::TooManyFiles { what: a(), whole_system: false },
        LinkReason::FileMissing { path: p() },
        LinkReason::FileUnreadable { path: p(), fault: CaptureFault::Io { path: p(), fault } },
    ]
}

#[test]
fn too_many_open_files_is_said_and_nothing_about_cables() {
    for (whole_system, said) in [(false, "this program has too many"), (true, "this computer has too many")] {
        let reason = LinkReason::TooManyFiles { what: "10.0.0.5:7000".into(), whole_system };
        let words = words(&reason);
        assert!(words.contains(said) && words.contains("10.0.0.5:7000"), "{words}");
        assert_eq!(code(&reason), "too_many_files");
        let advice = advice(&reason);
        assert!(!advice.contains("cable") && !advice.contains("  "), "{advice}");
    }
}

#[test]
fn a_denied_port_names_the_group_to_join() {
    let denied = LinkReason::SerialDenied { path: "/dev/ttyS0".into(), group: Some("uucp".into()) };
    assert_eq!(words(&denied), "no permission to open /dev/ttyS0, which belongs to the group uucp");
    assert!(advice(&denied).contains("usermod -aG uucp"));
    let unnamed = LinkReason::SerialDenied { path: "/dev/ttyS0".into(), group: None };
    assert!(advice(&unnamed).contains("usermod -aG dialout"));
}

#[test]
fn what_is_no_port_is_named() {
    let found = |found| words(&LinkReason::NotSerial { path: "/dev/x".into(), found });
    assert_eq!(found(FileKind::Folder), "/dev/x is a folder, not a serial port");
    assert_eq!(found(FileKind::Device), "/dev/x is another kind of device, not a serial port");
}

#[test]
fn a_host_whose_name_is_not_known_is_not_told_as_a_broken_network() {
    let unknown = LinkReason::TcpUnreachable { addr: "bridge:7000".into(), fault: ErrorKind::Other.into() };
    assert_eq!(words(&unknown), "bridge:7000 can't be reached: its name is not known on this network");
}

#[test]
fn a_capture_is_told_with_its_file_and_line() {
    let path = PathBuf::from("a.times.csv");
    let at = |problem| capture_words(&CaptureFault::Times { path: path.clone(), line: 4, problem });
    assert_eq!(at(TimesProblem::OffsetNotUp), "a.times.csv, line 4: the byte offset does not go up");
    assert_eq!(at(TimesProblem::TimeBackward), "a.times.csv, line 4: the time goes backward");
    let header = at(TimesProblem::Header { expected: "byte_offset,time_s", found: "x".into() });
    assert_eq!(header, "a.times.csv, line 4: expected the header `byte_offset,time_s`, found `x`");
    assert!(capture_words(&CaptureFault::NoTimes { path }).contains("a.times.csv"));
}

#[test]
fn a_latency_timer_is_told_with_its_length() {
    assert!(latency_words(17).contains("17 ms") && !LATENCY_ADVICE.contains("  "));
}

#[test]
fn a_busy_port_names_its_holder_and_what_to_do_about_it() {
    let busy = |name: &str, seen| LinkReason::SerialBusy {
        path: "/dev/kit".into(),
        holder: Some(Holder { pid: 812, name: name.into(), seen }),
    };
    let terminal = busy("cable-logger", true);
    assert_eq!(words(&terminal), "another program has /dev/kit open: cable-logger (process 812)");
    assert!(advice(&terminal).contains("close cable-logger") && !advice(&terminal).contains("modem"));
    let guess = busy("ModemManager", false);
    assert_eq!(words(&guess), "another program has /dev/kit open, perhaps ModemManager (process 812)");
    for service in [guess, busy("ModemManager", true)] {
        let advice = advice(&service);
        for part in ["by itself after some seconds", "ENV{ID_MM_DEVICE_IGNORE}=\"1\"", "stop the service"] {
            assert!(advice.contains(part), "{advice}");
        }
        assert!(!advice.contains("  "), "{advice}");
    }
}

#[test]
fn every_reason_names_its_place_and_says_what_to_do() {
    let mut codes: Vec<&str> = every().iter().map(code).collect();
    for reason in every() {
        let words = words(&reason);
        assert!(words.contains("/dev/kit") || words.contains("127.0.0.1:7000"), "{words}");
        let has_detail = format!("{reason:?}").contains("TimedOut");
        assert_eq!(words.contains("no answer came in time"), has_detail, "{words}");
        let advice = advice(&reason);
        assert!(advice.split(' ').count() > 5 && !advice.contains("  "), "{advice}");
    }
    codes.sort_unstable();
    codes.dedup();
    assert_eq!(codes.len(), every().len(), "one code per kind");
}
