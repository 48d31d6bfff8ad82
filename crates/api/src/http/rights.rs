//! Who may change the running daemon, and how often.
//!
//! Reading on loopback is open to everybody on this machine. Changing is not: a request must come over the daemon's
//! Unix socket, whose file rights say who may, or bring the key as a bearer token (RFC 6750). A browser never may, whatever
//! it sends: it does what pages of other sites ask for, and names them in `Origin`. Whoever may, may not often: a
//! change begins zones anew, so a loop of them would keep every zone unknown.
//!
//! A route declares itself as changing by taking [`MayChange`]. There is no other way to the operator.
//!
//! The key is kept as its SHA-256 only. Two digests are compared without an early end, so the time it takes says nothing
//! about the key. Wrong keys are counted and answered late, but only a few wait at a time: nobody else, and not the
//! right key, waits for them. With 256 random bits guessing is hopeless at any pace.

use std::{
    fmt,
    hint::black_box,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};

use axum::{
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};
use sha2::{Digest, Sha256};
use tokio::sync::Semaphore;

use crate::{http::guard::single, http::problem::shorten, v1::ChangesBody, v1::Problem};

/// Changes that may follow one another at once.
const MAX_BURST: u32 = 3;
/// After that one in so long.
const CHANGE_EVERY: Duration = Duration::from_secs(10);
/// How late a wrong key is answered.
const WRONG_KEY_TIME: Duration = Duration::from_secs(1);
/// Wrong keys that wait for their answer at a time; others are sent away at once.
const MAX_WRONG_KEYS_WAITING: usize = 4;

/// How a request came in; without one it counts as [`Way::Loopback`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Way {
    /// Over TCP: anybody on this machine.
    Loopback,
    /// Over the Unix socket: whom its file rights let in.
    Socket,
}

/// The secret that a program sends as a bearer token. Only its digest is kept.
#[derive(Clone)]
pub struct Key([u8; 32]);

impl Key {
    /// The key of this text, as it is sent.
    pub fn new(text: &str) -> Key {
        Key(Sha256::digest(text).into())
    }

    fn is(&self, sent: &str) -> bool {
        let other: [u8; 32] = Sha256::digest(sent).into();
        let differing = self.0.iter().zip(other).fold(0, |bits, (a, b)| bits | black_box(a ^ b));
        black_box(differing) == 0
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(…)")
    }
}

/// Who may change this daemon.
#[derive(Debug)]
pub struct Rights {
    /// The key and the file that it stands in, or why there is none, in words.
    key: Result<(Key, String), String>,
    /// The Unix socket's file; `None` when it is not served.
    socket: Option<String>,
    /// What needs a person about the two, in words.
    problems: Vec<String>,
    pace: Mutex<Pace>,
    wrong_keys_waiting: Semaphore,
    made: AtomicU64,
    wrong_keys: AtomicU64,
}

impl Rights {
    /// Rights by a key and the file that it stands in (or why there is none, in words), and by the Unix socket of this
    /// path. `problems` is what needs a person about them, for `/v1/status`.
    pub fn new(key: Result<(Key, String), String>, socket: Option<String>, problems: Vec<String>) -> Rights {
        Rights {
            key,
            socket,
            problems,
            pace: Mutex::new(Pace::new(Instant::now())),
            wrong_keys_waiting: Semaphore::new(MAX_WRONG_KEYS_WAITING),
            made: AtomicU64::new(0),
            wrong_keys: AtomicU64::new(0),
        }
    }

    /// What needs a person, in words.
    pub fn problems(&self) -> &[String] {
        &self.problems
    }

    pub(crate) fn body(&self) -> ChangesBody {
        ChangesBody {
            key_file: self.key.as_ref().ok().map(|(_, file)| file.clone()),
            socket: self.socket.clone(),
            made: self.made.load(Ordering::Relaxed),
            wrong_keys: self.wrong_keys.load(Ordering::Relaxed),
        }
    }

    /// Whether this request may change, but for the pace.
    async fn admit(&self, way: Way, headers: &HeaderMap) -> Result<(), Refusal> {
        if let Some(origin) = headers.get(header::ORIGIN) {
            return Err(Refusal::Page(String::from_utf8_lossy(origin.as_bytes()).into_owned()));
        }
        if way == Way::Socket {
            return Ok(());
        }
        let (key, _) = self.key.as_ref().map_err(|why| Refusal::NoKeyHere(self.over_socket_only(why)))?;
        match bearer(single(headers, &header::AUTHORIZATION)?) {
            None => Err(Refusal::TokenWanted(self.ways())),
            Some(sent) if key.is(sent) => Ok(()),
            Some(_) => Err(self.wrong_key().await),
        }
    }

    async fn wrong_key(&self) -> Refusal {
        let count = self.wrong_keys.fetch_add(1, Ordering::Relaxed) + 1;
        if count.is_power_of_two() {
            tracing::warn!(count, "a change was asked for with a wrong key");
        }
        match self.wrong_keys_waiting.try_acquire() {
            Ok(_waiting) => {
                tokio::time::sleep(WRONG_KEY_TIME).await;
                Refusal::WrongToken(self.ways())
            }
            Err(_) => Refusal::TooManyWrong,
        }
    }

    /// What somebody who may change has to do, as the end of a sentence.
    fn ways(&self) -> String {
        let key = self.key.as_ref().ok().map(|(_, file)| {
            format!(
                "send the key in {file}, which its owner can read (sed 's/^/Authorization: Bearer /' {file} | curl -H @- …)"
            )
        });
        let ways: Vec<String> = key.into_iter().chain(self.socket_way()).collect();
        ways.join(", or ")
    }

    fn socket_way(&self) -> Option<String> {
        let way = |path| format!("ask over the socket (curl --unix-socket {path} http://localhost/…)");
        self.socket.as_ref().map(way)
    }

    fn over_socket_only(&self, why: &str) -> String {
        match self.socket_way() {
            Some(way) => format!("{why}; until then {way}"),
            None => why.to_owned(),
        }
    }
}

impl Default for Rights {
    /// Rights by which nobody may change anything: no key, no socket.
    fn default() -> Rights {
        Rights::new(Err("the service was started without a key".to_owned()), None, Vec::new())
    }
}

/// The token of an `Authorization` header; `None` when it has another scheme. RFC 6750 section 2.1; the scheme's letters
/// may be large or small (RFC 9110 section 11.1).
fn bearer(header: Option<&str>) -> Option<&str> {
    let (scheme, token) = header?.split_once(' ').unwrap_or((header?, ""));
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// Changes in time: a bucket that holds [`MAX_BURST`] and gets one more every [`CHANGE_EVERY`].
#[derive(Debug)]
struct Pace {
    /// When the bucket is, or was, full.
    full_at: Instant,
}

impl Pace {
    fn new(now: Instant) -> Pace {
        Pace { full_at: now }
    }

    /// Takes one at `now`, or says how long to wait for one.
    fn take(&mut self, now: Instant) -> Result<(), Duration> {
        let after = self.full_at.max(now) + CHANGE_EVERY;
        let wait = after.saturating_duration_since(now + CHANGE_EVERY * MAX_BURST);
        if !wait.is_zero() {
            return Err(wait);
        }
        self.full_at = after;
        Ok(())
    }
}

impl Rights {
    /// The right of a request that came this way with these headers, or why it has none.
    pub(crate) async fn may_change(
        self: Arc<Rights>,
        way: Way,
        headers: &HeaderMap,
    ) -> Result<MayChange, Refusal> {
        self.admit(way, headers).await?;
        Ok(MayChange(self))
    }
}

/// The right of one request to change: a route that takes it is one that changes.
#[derive(Debug)]
pub(crate) struct MayChange(Arc<Rights>);

impl MayChange {
    /// Uses the right, when it is not too soon.
    pub(crate) fn begin(self) -> Result<(), Refusal> {
        let mut pace = self.0.pace.lock().unwrap_or_else(PoisonError::into_inner);
        pace.take(Instant::now()).map_err(Refusal::TooSoon)?;
        self.0.made.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }
}

/// Why nothing was changed.
#[derive(Debug)]
pub(crate) enum Refusal {
    /// It came from a page in a browser, of this origin.
    Page(String),
    /// No token was sent; what to do.
    TokenWanted(String),
    /// Another token than the key was sent; what to do.
    WrongToken(String),
    /// Too many wrong keys wait for their answer already.
    TooManyWrong,
    /// There is no key; why, and what else works.
    NoKeyHere(String),
    /// So long until the next change may be made.
    TooSoon(Duration),
    /// Anything that has nothing to do with rights.
    Other(Problem),
}

impl From<Problem> for Refusal {
    fn from(problem: Problem) -> Refusal {
        Refusal::Other(problem)
    }
}

/// The challenge of RFC 6750 section 3.
const CHALLENGE: &str = "Bearer realm=\"hereabout\"";
const CHALLENGE_WRONG: &str =
    "Bearer realm=\"hereabout\", error=\"invalid_token\", error_description=\"this is not the key\"";

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let fixed = HeaderValue::from_static;
        let close = (header::CONNECTION, fixed("close"));
        let (problem, headers) = match self {
            Refusal::Page(origin) => (Problem::no_pages(&shorten(&origin)), vec![]),
            Refusal::TokenWanted(todo) => {
                (Problem::key_wanted(&todo), vec![(header::WWW_AUTHENTICATE, fixed(CHALLENGE))])
            }
            Refusal::WrongToken(todo) => {
                (Problem::wrong_key(&todo), vec![(header::WWW_AUTHENTICATE, fixed(CHALLENGE_WRONG)), close])
            }
            Refusal::TooManyWrong => {
                let wait = HeaderValue::from(WRONG_KEY_TIME.as_secs());
                (Problem::too_many_wrong_keys(), vec![(header::RETRY_AFTER, wait), close])
            }
            Refusal::NoKeyHere(why) => (Problem::no_key_here(&why), vec![]),
            Refusal::TooSoon(wait) => {
                let wait_s = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
                let problem = Problem::too_many_changes(wait_s, MAX_BURST, CHANGE_EVERY.as_secs());
                (problem, vec![(header::RETRY_AFTER, HeaderValue::from(wait_s))])
            }
            Refusal::Other(problem) => (problem, vec![]),
        };
        let mut response = problem.into_response();
        response.headers_mut().extend(headers);
        response
    }
}

#[cfg(test)]
mod tests;
