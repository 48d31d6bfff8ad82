//! Why a text names no source of bytes, and what was expected instead.

use hereabout_core::SourceFault;

use crate::said::{Said, Topic};

/// What is wrong with the text, and how a source is written.
pub fn fault(fault: &SourceFault) -> Said {
    let row = |code, words: String, advice: String| Said::new(Topic::Source, code, words, advice);
    match fault {
        SourceFault::Empty => row(
            "empty",
            "the source is empty".to_owned(),
            "give a serial port's path, or tcp://, udp://, file:// or sim://".to_owned(),
        ),
        SourceFault::UnknownScheme { scheme } => row(
            "unknown_scheme",
            format!("`{scheme}://` is not known"),
            "use a serial port's path, tcp://, udp://, file:// or sim://".to_owned(),
        ),
        SourceFault::NotAPort { text } => row(
            "not_a_port",
            format!(
                "`{text}` is neither a port's full path (such as /dev/serial/by-id/…) nor a source with ://"
            ),
            format!("a capture is written file://{text}"),
        )
        .joined_by("; "),
        SourceFault::BadTcpAddress { addr } => row(
            "bad_tcp_address",
            format!("`{addr}` is not HOST:PORT with a port from 1 to 65535, such as 127.0.0.1:7000"),
            String::new(),
        ),
        SourceFault::BadUdpAddress { addr } => row(
            "bad_udp_address",
            format!("`{addr}` is not ADDRESS:PORT with the address in digits, such as 0.0.0.0:7000"),
            String::new(),
        ),
        SourceFault::NoFile { scheme } => {
            row("no_file", format!("`{scheme}://` needs a file name"), String::new())
        }
        SourceFault::UnknownOption { option } => row(
            "unknown_option",
            format!("`{option}` is not known"),
            "file:// takes only `?pace=real`, `?pace=max` or a factor, `?pace=2.0`".to_owned(),
        ),
        SourceFault::BadPace { pace } => row(
            "bad_pace",
            format!("`pace={pace}` is not `real`, `max` or a factor from 0.001 to 1000"),
            String::new(),
        ),
        SourceFault::BadBaud { baud } => row(
            "bad_baud",
            format!("{baud} is not a serial speed"),
            "300 to 12000000 baud, 115200 as a rule".to_owned(),
        ),
    }
}

#[cfg(test)]
mod tests;
