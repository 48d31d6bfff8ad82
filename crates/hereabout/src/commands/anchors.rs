//! `anchors`: the table of a running daemon, for the technician at the foot of a ladder.
//!
//! Whatever answers is taken for another server until it shows that it is the daemon: its answer is bounded in time and
//! size, redirections are not followed, and nothing of it moves the terminal's cursor.

use std::io::{ErrorKind, Write};
use std::path::Path;
use std::time::Duration;

use hereabout_core::is_plain;
use hereabout_words::io::error_words;
use serde_json::Value;
use ureq::http::Uri;

use crate::cli::AnchorsArgs;
use crate::exit::{self, Failure};
use crate::files::input_file;

/// Where a daemon listens unless its site file says otherwise.
const PORT: u16 = 6208;
/// Largest answer, bytes; a table of sixteen anchors with all that can be said has a tenth of it.
const MAX_ANSWER_BYTES: u64 = 1 << 20;

/// Prints the table, or the rows as JSON.
///
/// # Errors
/// When the URL makes no sense, nobody answers in time, or somebody else does.
pub fn anchors(args: &AnchorsArgs) -> Result<u8, Failure> {
    let daemon = Address::parse(&args.url)?;
    if let (Some(id), Some(file)) = (args.mended, &args.key) {
        let answer = daemon.mended(id, file, args.timeout)?;
        return print(&answer);
    }
    let path = if args.json { "/v1/anchors" } else { "/v1/anchors.txt" };
    let text = daemon.ask(path, args.timeout)?.table(&daemon, args.json)?;
    print(&text)
}

/// Onto standard output, without what moves a cursor.
fn print(text: &str) -> Result<u8, Failure> {
    let shown: String = text.chars().map(|c| if is_plain(c) || c == '\n' { c } else { '?' }).collect();
    let end = if shown.ends_with('\n') { "" } else { "\n" };
    match std::io::stdout().write_all(format!("{shown}{end}").as_bytes()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::new(exit::IO, format!("standard output: {}", error_words(&e))))
        }
        _ => Ok(0),
    }
}

/// `http://HOST:PORT` of a daemon.
#[derive(Debug, PartialEq)]
struct Address(String);

impl Address {
    fn parse(url: &str) -> Result<Address, Failure> {
        let wrong = |what: &str| {
            let shape = "an address looks like http://127.0.0.1:6208";
            Failure::new(exit::USAGE, format!("{}: {what}; {shape}", plain(url)))
        };
        let whole = if url.contains("://") { url.to_owned() } else { format!("http://{url}") };
        let uri: Uri = whole.parse().map_err(|_| wrong("is not an address"))?;
        match uri.scheme_str() {
            Some("http") => {}
            Some("https") => return Err(wrong("the daemon speaks plain HTTP, without TLS")),
            _ => return Err(wrong("the daemon speaks HTTP")),
        }
        let Some(authority) = uri.authority().filter(|a| !a.host().is_empty()) else {
            return Err(wrong("there is no host"));
        };
        if uri.path().len() > 1 || uri.query().is_some() || authority.as_str().contains('@') {
            return Err(wrong("only host and port are wanted"));
        }
        let (host, port) = (authority.host(), authority.port_u16());
        let has_port = authority.as_str().len() > host.len();
        if has_port && port.is_none_or(|p| p == 0) {
            return Err(wrong("the port is not a number from 1 to 65535"));
        }
        Ok(Address(format!("http://{host}:{}", port.unwrap_or(PORT))))
    }

    fn ask(&self, path: &str, limit: Duration) -> Result<Answer, Failure> {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(limit))
            .http_status_as_error(false)
            .max_redirects(0)
            .proxy(None)
            .build();
        let asked = config.new_agent().get(format!("{}{path}", self.0)).call();
        self.answer(asked, limit)
    }

    /// Says that an anchor was mended, with the key of a file.
    fn mended(&self, id: u16, key_file: &Path, limit: Duration) -> Result<String, Failure> {
        let cannot = |e: &dyn std::fmt::Display| {
            Failure::new(
                exit::NO_INPUT,
                format!(
                    "{}: {e}
  the key lies beside the log, NAME.key",
                    key_file.display()
                ),
            )
        };
        let key = input_file::read(key_file).map_err(|e| cannot(&error_words(&e)))?;
        let key = String::from_utf8(key).map_err(|_| cannot(&"it is no key"))?;
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(limit))
            .http_status_as_error(false)
            .max_redirects(0)
            .proxy(None)
            .build();
        let request = config.new_agent().post(format!("{}/v1/anchors/{id}/mended", self.0));
        let asked = request.header("authorization", format!("Bearer {}", key.trim())).send_empty();
        let answer = self.answer(asked, limit)?;
        let body = serde_json::from_str::<Value>(&answer.body).unwrap_or_default();
        let refused = || {
            let detail = body["detail"].as_str().map_or(String::new(), |d| format!(": {}", plain(d)));
            Failure::new(exit::UNAVAILABLE, format!("anchor {id}: status {}{detail}", answer.status))
        };
        match body["words"].as_str().filter(|_| answer.status == 200) {
            Some(words) => Ok(format!("anchor {id}: {}", plain(words))),
            None if body["type"].as_str().is_some_and(|t| t.starts_with("/problems/")) => Err(refused()),
            None => Err(self.other_server("its answer is none about an anchor")),
        }
    }

    fn answer(
        &self,
        asked: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
        limit: Duration,
    ) -> Result<Answer, Failure> {
        let mut response = asked.map_err(|e| self.failure_of(&e, limit))?;
        let kind = response.headers().get("content-type").and_then(|v| v.to_str().ok());
        let kind = kind.unwrap_or_default().to_owned();
        let body = response.body_mut().with_config().limit(MAX_ANSWER_BYTES).read_to_vec();
        let body = body.map_err(|e| self.failure_of(&e, limit))?;
        let body = String::from_utf8(body).map_err(|_| self.other_server("its answer is not text"))?;
        Ok(Answer { status: response.status().as_u16(), kind, body })
    }

    fn failure_of(&self, error: &ureq::Error, limit: Duration) -> Failure {
        match error {
            ureq::Error::Timeout(_) => {
                self.unavailable(&format!("no whole answer within {}", humantime::format_duration(limit)))
            }
            ureq::Error::ConnectionFailed => self.unavailable("nobody listens there"),
            ureq::Error::HostNotFound => self.unavailable("the host is not known"),
            ureq::Error::Io(e) if e.kind() == ErrorKind::ConnectionRefused => {
                self.unavailable("nobody listens there")
            }
            ureq::Error::Io(e) if e.kind() == ErrorKind::UnexpectedEof => {
                self.unavailable("the answer was cut short")
            }
            ureq::Error::Io(e) => self.unavailable(&format!("the connection broke: {}", error_words(e))),
            ureq::Error::BodyExceedsLimit(_) => self.other_server("its answer has no end"),
            _ => self.other_server("its answer is not HTTP (protocol not kept)"),
        }
    }

    fn unavailable(&self, what: &str) -> Failure {
        let todo = "is the daemon running (hereabout run SITE), and does it listen there? [api] listen in its site file says where";
        Failure::new(exit::UNAVAILABLE, format!("{}: {what}\n  {todo}", self.0))
    }

    fn other_server(&self, what: &str) -> Failure {
        let todo = "it is no hereabout of this version; give the address that `hereabout run` printed";
        Failure::new(exit::DATA, format!("{}: {what}\n  {todo}", self.0))
    }
}

/// What somebody answered.
struct Answer {
    status: u16,
    kind: String,
    body: String,
}

impl Answer {
    /// The table, if the daemon it is.
    fn table(self, from: &Address, json: bool) -> Result<String, Failure> {
        if self.status != 200 {
            let problem = serde_json::from_str::<Value>(&self.body).unwrap_or_default();
            let detail = problem["detail"].as_str().map_or(String::new(), |d| format!(": {}", plain(d)));
            return Err(from.other_server(&format!("it answers with status {}{detail}", self.status)));
        }
        let ours = if json {
            serde_json::from_str::<Value>(&self.body).is_ok_and(|v| v["anchors"].is_array())
        } else {
            self.kind.starts_with("text/plain") && self.body.starts_with("Anchors of ")
        };
        if ours { Ok(self.body) } else { Err(from.other_server("its answer is no table of anchors")) }
    }
}

/// Short, and without anything that moves a terminal's cursor.
fn plain(text: &str) -> String {
    text.chars().take(300).map(|c| if c.is_control() { '?' } else { c }).collect()
}

#[cfg(test)]
mod tests;
