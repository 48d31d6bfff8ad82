//! What is told of texts that name no source.

use super::*;

#[test]
fn every_refusal_says_what_was_expected() {
    let line = |f: SourceFault| fault(&f).line();
    assert_eq!(
        line(SourceFault::Empty),
        "the source is empty: give a serial port's path, or tcp://, udp://, file:// or sim://"
    );
    assert_eq!(
        line(SourceFault::UnknownScheme { scheme: "http".into() }),
        "`http://` is not known: use a serial port's path, tcp://, udp://, file:// or sim://"
    );
    assert_eq!(
        line(SourceFault::NotAPort { text: "capture.bin".into() }),
        "`capture.bin` is neither a port's full path (such as /dev/serial/by-id/…) nor a source with ://; a capture is \
         written file://capture.bin"
    );
    assert_eq!(
        line(SourceFault::UnknownOption { option: "speed=2".into() }),
        "`speed=2` is not known: file:// takes only `?pace=real`, `?pace=max` or a factor, `?pace=2.0`"
    );
    assert_eq!(
        line(SourceFault::BadBaud { baud: 0 }),
        "0 is not a serial speed: 300 to 12000000 baud, 115200 as a rule"
    );
}

#[test]
fn codes_stay() {
    let text = || "x".to_owned();
    let all = [
        SourceFault::Empty,
        SourceFault::UnknownScheme { scheme: text() },
        SourceFault::NotAPort { text: text() },
        SourceFault::BadTcpAddress { addr: text() },
        SourceFault::BadUdpAddress { addr: text() },
        SourceFault::NoFile { scheme: "file" },
        SourceFault::UnknownOption { option: text() },
        SourceFault::BadPace { pace: text() },
        SourceFault::BadBaud { baud: 0 },
    ];
    let codes: Vec<&str> = all.iter().map(|f| fault(f).code).collect();
    assert_eq!(
        codes.join(" "),
        "empty unknown_scheme not_a_port bad_tcp_address bad_udp_address no_file unknown_option bad_pace bad_baud"
    );
}
