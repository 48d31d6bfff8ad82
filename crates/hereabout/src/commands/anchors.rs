//! `anchors`: the table of a running daemon, for the technician at the foot of a ladder.
//!
//! One request over plain HTTP/1.0 (RFC 1945: the answer ends where the connection does), by hand: an HTTP library
//! for it would outweigh the rest of the command. Whatever answers is taken for a stranger until it shows that
//! it is the daemon: its answer is bounded in time and size, and nothing of it moves the terminal's cursor.

use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream, ToSocketAddrs};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::cli::AnchorsArgs;
use crate::exit::{self, Failure};

/// Where a daemon listens unless its site file says otherwise.
const PORT: u16 = 6208;
/// Largest answer, bytes; a table of sixteen anchors with all that can be said has a tenth of it.
const MAX_ANSWER: u64 = 1 << 20;

/// Prints the table, or the rows as JSON.
///
/// # Errors
/// When the URL makes no sense, nobody answers in time, or somebody else does.
pub fn anchors(args: &AnchorsArgs) -> Result<u8, Failure> {
    let address = Address::parse(&args.url)?;
    let path = if args.json { "/v1/anchors" } else { "/v1/anchors.txt" };
    let answer = ask(&address, path, args.timeout)?;
    let text = body(&address, &answer, args.json)?;
    let shown: String = text.chars().map(|c| if c.is_control() && c != '\n' { '?' } else { c }).collect();
    let end = if shown.ends_with('\n') { "" } else { "\n" };
    match std::io::stdout().write_all(format!("{shown}{end}").as_bytes()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::new(exit::IO, format!("standard output: {e}")))
        }
        _ => Ok(0),
    }
}

/// Host and port of a daemon.
#[derive(Debug, PartialEq)]
struct Address {
    /// As in the URL: a v6 address has brackets.
    host: String,
    port: u16,
}

impl Address {
    fn parse(url: &str) -> Result<Address, Failure> {
        let wrong = |what: &str| {
            let shape = "an address looks like http://127.0.0.1:6208";
            Failure::new(exit::USAGE, format!("{}: {what}; {shape}", plain(url)))
        };
        if url.starts_with("https://") {
            return Err(wrong("the daemon speaks plain HTTP, without TLS"));
        }
        let rest = url.strip_prefix("http://").unwrap_or(url);
        let authority = rest.strip_suffix('/').unwrap_or(rest);
        if authority.is_empty() || authority.contains(['/', '?', '#', '@']) || authority.contains("://") {
            return Err(wrong("only host and port are wanted"));
        }
        let (host, port) = match authority.rsplit_once(':') {
            Some((host, port)) if !port.ends_with(']') => {
                (host, port.parse().map_err(|_| wrong("the port is not a number from 1 to 65535"))?)
            }
            _ => (authority, PORT),
        };
        let bracketed = host.starts_with('[') && host.ends_with(']');
        let odd = |c: char| c.is_whitespace() || c.is_control();
        if host.is_empty() || port == 0 || host.contains(odd) || (host.contains(':') && !bracketed) {
            return Err(wrong("the host or port makes no sense"));
        }
        Ok(Address { host: host.to_owned(), port })
    }

    fn shown(&self) -> String {
        format!("http://{}:{}", self.host, self.port)
    }

    fn resolved(&self) -> Result<Vec<SocketAddr>, Failure> {
        let bare = self.host.trim_start_matches('[').trim_end_matches(']');
        let found = (bare, self.port).to_socket_addrs().map(Iterator::collect).map_err(|e| e.to_string());
        match found {
            Ok(list) if !Vec::is_empty(&list) => Ok(list),
            Ok(_) => Err(self.unavailable("the host has no address")),
            Err(e) => Err(self.unavailable(&format!("the host is not known ({e})"))),
        }
    }

    fn unavailable(&self, what: &str) -> Failure {
        let todo = "is the daemon running (hereabout run SITE), and does it listen there? [api] listen in its site file says where";
        Failure::new(exit::UNAVAILABLE, format!("{}: {what}\n  {todo}", self.shown()))
    }

    fn stranger(&self, what: &str) -> Failure {
        let todo = "it is no hereabout of this version; give the address that `hereabout run` printed";
        Failure::new(exit::DATA, format!("{}: {what}\n  {todo}", self.shown()))
    }
}

/// The whole answer, head and body.
fn ask(address: &Address, path: &str, limit: Duration) -> Result<Vec<u8>, Failure> {
    let until = Instant::now() + limit;
    let mut last = None;
    for socket in address.resolved()? {
        match TcpStream::connect_timeout(&socket, left(until)) {
            Ok(stream) => return exchange(address, stream, path, until, limit),
            Err(e) => last = Some(e),
        }
    }
    Err(match last {
        Some(e) if e.kind() == ErrorKind::ConnectionRefused => address.unavailable("nobody listens there"),
        Some(e) => address.unavailable(&format!("cannot be reached ({e})")),
        None => address.unavailable("the host has no address"),
    })
}

fn exchange(
    address: &Address,
    mut stream: TcpStream,
    path: &str,
    until: Instant,
    limit: Duration,
) -> Result<Vec<u8>, Failure> {
    let late =
        || address.unavailable(&format!("no whole answer within {}", humantime::format_duration(limit)));
    let broke = |e: &std::io::Error| match e.kind() {
        ErrorKind::WouldBlock | ErrorKind::TimedOut => late(),
        _ => address.unavailable(&format!("the connection broke ({e})")),
    };
    let request =
        format!("GET {path} HTTP/1.0\r\nHost: {}:{}\r\nAccept: */*\r\n\r\n", address.host, address.port);
    stream.set_write_timeout(Some(left(until))).map_err(|e| broke(&e))?;
    stream.write_all(request.as_bytes()).map_err(|e| broke(&e))?;
    let mut answer = Vec::new();
    let mut piece = [0; 8192];
    loop {
        if Instant::now() >= until {
            return Err(late()); // a byte now and then must not keep us here
        }
        stream.set_read_timeout(Some(left(until))).map_err(|e| broke(&e))?;
        match stream.read(&mut piece) {
            Ok(0) => return Ok(answer),
            Ok(n) => answer.extend_from_slice(&piece[..n]),
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(broke(&e)),
        }
        if answer.len() as u64 > MAX_ANSWER {
            return Err(address.stranger("its answer has no end"));
        }
    }
}

/// Time that is left; a socket takes no zero.
fn left(until: Instant) -> Duration {
    until.saturating_duration_since(Instant::now()).max(Duration::from_millis(1))
}

/// The body of a good answer of the daemon.
fn body(address: &Address, answer: &[u8], json: bool) -> Result<String, Failure> {
    let text = std::str::from_utf8(answer).map_err(|_| address.stranger("its answer is not text"))?;
    let Some((head, body)) = text.split_once("\r\n\r\n").filter(|_| text.starts_with("HTTP/1.")) else {
        let start: String = text.chars().take(40).collect();
        return Err(address.stranger(&format!("its answer is not HTTP: {:?}", plain(&start))));
    };
    let status = head.split(' ').nth(1).and_then(|s| s.get(..3)).unwrap_or("");
    let length = field(head, "content-length").and_then(|v| v.parse::<usize>().ok());
    if length.is_some_and(|n| n > body.len()) {
        return Err(address.unavailable("the answer was cut short"));
    }
    if status != "200" {
        let problem = serde_json::from_str::<Value>(body).unwrap_or_default();
        let detail = problem["detail"].as_str().map_or(String::new(), |d| format!(": {}", plain(d)));
        return Err(address.stranger(&format!("it answers with status {}{detail}", plain(status))));
    }
    let ours = if json {
        serde_json::from_str::<Value>(body).is_ok_and(|v| v["anchors"].is_array())
    } else {
        field(head, "content-type").is_some_and(|k| k.starts_with("text/plain"))
            && body.starts_with("Anchors of ")
    };
    if ours { Ok(body.to_owned()) } else { Err(address.stranger("its answer is no table of anchors")) }
}

/// The value of a header field.
fn field<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    let lines = head.lines().skip(1).filter_map(|l| l.split_once(':'));
    lines.filter(|(n, _)| n.trim().eq_ignore_ascii_case(name)).map(|(_, v)| v.trim()).next()
}

/// Short, and without anything that moves a terminal's cursor.
fn plain(text: &str) -> String {
    text.chars().take(300).map(|c| if c.is_control() { '?' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(url: &str) -> Option<(String, u16)> {
        Address::parse(url).ok().map(|a| (a.host, a.port))
    }

    #[test]
    fn addresses_are_host_and_port() {
        for (url, host, port) in [
            ("http://127.0.0.1:6208", "127.0.0.1", 6208),
            ("http://127.0.0.1:6300/", "127.0.0.1", 6300),
            ("localhost:7000", "localhost", 7000),
            ("http://localhost", "localhost", 6208),
            ("http://[::1]:6208", "[::1]", 6208),
            ("[::1]", "[::1]", 6208),
        ] {
            assert_eq!(parsed(url), Some((host.to_owned(), port)), "{url}");
        }
        for url in [
            "",
            "http://",
            "https://127.0.0.1:6208",
            "ftp://127.0.0.1",
            "http://127.0.0.1:6208/v1/anchors",
            "http://127.0.0.1:port",
            "http://127.0.0.1:0",
            "http://127.0.0.1:70000",
            "http://user@127.0.0.1",
            "::1",
            "a b",
            "a\r\nX: y",
        ] {
            assert_eq!(Address::parse(url).map_err(|f| f.code).err(), Some(exit::USAGE), "{url}");
        }
    }

    #[test]
    fn strangers_are_told_from_the_daemon() {
        let address = Address { host: "127.0.0.1".into(), port: 6208 };
        let code = |answer: &str, json| body(&address, answer.as_bytes(), json).map_err(|f| f.code);
        let table = "HTTP/1.0 200 OK\r\ncontent-type: text/plain; charset=utf-8\r\ncontent-length: 12\r\n\r\nAnchors of x";
        assert_eq!(code(table, false), Ok("Anchors of x".into()));
        assert_eq!(code(&table[..table.len() - 1], false), Err(exit::UNAVAILABLE), "cut short");
        assert_eq!(code(table, true), Err(exit::DATA));
        assert_eq!(code("HTTP/1.1 200 OK\r\n\r\n{\"anchors\":[]}", true), Ok("{\"anchors\":[]}".into()));
        for answer in [
            "",
            "SSH-2.0-x\r\n",
            "HTTP/1.1 404 Not Found\r\n\r\n",
            "HTTP/1.1 200 OK\r\ncontent-type: text/html\r\n\r\n<html>",
            "HTTP/1.1 200 OK\r\n\r\n",
            "HTTP/1.1",
        ] {
            assert_eq!(code(answer, false), Err(exit::DATA), "{answer:?}");
        }
        assert_eq!(body(&address, b"\xff\xfe", false).map_err(|f| f.code), Err(exit::DATA));
        let refused = "HTTP/1.1 403 Forbidden\r\n\r\n{\"detail\":\"not \\u001b[2J this host\"}";
        let words = body(&address, refused.as_bytes(), false).unwrap_err().message;
        assert!(words.contains("not ?[2J this host"), "{words}");
    }
}
