//! Opens a door while a tag is inside a zone, and closes it whenever that is not certain; over a WebSocket.
//!
//! CAUTION: an example, and not a safety component. A door can crush and an open gate can let someone into danger:
//! - Force limits, safety edges, light curtains and the emergency stop stay independent of this and overrule it.
//!   Powered doors are under standards and local codes (EN 12453, for instance): leave them to licensed trades.
//! - A range is no proof of presence: it can be relayed or shortened by an attacker. Never the only key.
//! - "Closed" is taken for the safe state here. Where closing is the danger, turn it round, with the trade that
//!   answers for it.
//!
//! The rule. The door may be open only while all of this holds; else it is closed, with the reason:
//! - the newest message about the zone and the tag says `inside`;
//! - it holds (`valid_for_s`) by this machine's steady clock, counted from when it left the daemon at the earliest;
//! - the stream begins with the nonce that was asked with, and a ping a second gets its pong within [`ANSWER_WITHIN`];
//! - site and zone are those of the start. Another daemon on the same port closes, and stays closed.
//!
//! When a message left is known without a wall clock. Nonce and pongs come in order with the messages and carry the
//! daemon's steady time, like these; each was answered after it was asked. So the daemon's clock showed that time no
//! earlier than it was asked for, and what waited in some buffer holds for that much shorter. When the two wall clocks
//! differ, that is told. While the door stays closed each further reason is told once, on standard error.
//!
//! ```text
//! cargo run -p hereabout --example gate_websocket -- 'roller door' [--tag 0] [--url http://127.0.0.1:6208]
//! ```

use std::collections::BTreeSet;
use std::hash::{BuildHasher, RandomState};
use std::time::{Duration, Instant};

use clap::Parser;
use futures_util::{SinkExt, StreamExt};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use tokio::net::TcpStream;
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::{sleep, timeout};
use tokio_tungstenite::tungstenite::Message;
use tokio_tungstenite::{MaybeTlsStream, WebSocketStream, connect_async};

/// Wall clocks that differ by more are told.
const CLOCKS_AGREE: SignedDuration = SignedDuration::from_secs(1);
/// A message that waited for longer on its way is told to be late, seconds.
const LATE_S: f64 = 0.3;
/// Without a message about the zone for this long, that is the reason.
const NOTHING_SAID: Duration = Duration::from_secs(2);
/// A ping is sent this often.
const PING_EVERY: Duration = Duration::from_secs(1);
/// For everything that asks the daemon, pings too.
const ANSWER_WITHIN: Duration = Duration::from_secs(1);
/// Without a message for this long the door's state is looked at again.
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// Opens a door while a tag is inside a zone. An example, and not a safety component.
#[derive(Parser)]
struct Args {
    /// Name of the zone, as in the site file.
    zone: String,
    /// The tag.
    #[arg(long, default_value_t = 0)]
    tag: u32,
    /// Where the daemon listens.
    #[arg(long, default_value = "http://127.0.0.1:6208")]
    url: String,
}

/// What is driven.
#[derive(Default)]
struct Door {
    is_open: Option<bool>,
    /// Reasons to stay closed that were told since it was open, without their numbers.
    told: BTreeSet<String>,
}

impl Door {
    /// Drives the door when something changes, and says so; while it stays closed, each new reason once.
    fn set(&mut self, open: bool, why: &str) {
        let kind: String = why.chars().filter(|c| !c.is_ascii_digit() && *c != '.').collect();
        if open || self.told.len() > 100 {
            self.told.clear();
        }
        let is_new = !open && self.told.insert(kind);
        if self.is_open != Some(open) {
            self.is_open = Some(open);
            self.drive(open);
            println!("{} {why}", if open { "OPEN " } else { "CLOSE" });
        } else if is_new {
            eprintln!("closed: {why}");
        }
    }

    /// Here goes the relay. It should drop to closed by itself when this program dies.
    fn drive(&self, _open: bool) {}
}

impl Drop for Door {
    fn drop(&mut self) {
        self.set(false, "this program ends");
    }
}

/// How the daemon's steady clock stands to the one here.
struct Steady {
    /// Where the clock here begins.
    start: Instant,
    /// What the clock here shows when the daemon's shows 0, at the earliest.
    zero_s: f64,
}

impl Steady {
    fn now_s(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }

    /// Something that was asked for at `asked_s` was answered when the daemon's clock showed `sender_s`.
    fn answered(&mut self, asked_s: f64, sender_s: f64) {
        self.zero_s = self.zero_s.max(asked_s - sender_s);
    }
}

/// The newest message about the zone.
struct Belief {
    inside: bool,
    words: String,
    /// When it left, by the daemon's steady clock, and for how long it held from then on.
    sender_s: f64,
    valid_for_s: f64,
    /// For how long it had waited at most when it came.
    waited_s: f64,
}

impl Belief {
    /// From a message; `None` for one about something else. One without what it must have holds no longer.
    fn of(message: &Value, args: &Args, steady: &Steady) -> Option<Belief> {
        let ours = message["type"] == "zone" && message["zone"] == *args.zone && message["tag"] == args.tag;
        let sender_s = message["sender_s"].as_f64().unwrap_or(f64::NEG_INFINITY);
        ours.then(|| Belief {
            inside: message["state"] == "inside",
            words: format!("{}: {}", text(&message["state"]), text(&message["words"])),
            sender_s,
            valid_for_s: message["valid_for_s"].as_f64().unwrap_or(0.0),
            waited_s: steady.now_s() - steady.zero_s - sender_s,
        })
    }

    /// Seconds for which it still holds.
    fn hold_s(&self, steady: &Steady) -> f64 {
        steady.zero_s + self.sender_s + self.valid_for_s - steady.now_s()
    }

    /// May the door be open, and why.
    fn answer(&self, steady: &Steady) -> (bool, String) {
        if !self.inside {
            (false, self.words.clone())
        } else if self.hold_s(steady) > 0.0 {
            (true, self.words.clone())
        } else if self.valid_for_s <= 0.0 {
            (false, "the newest message had run out when it left the daemon: that is behind".to_owned())
        } else if self.waited_s > LATE_S {
            (false, format!("the newest message waited for {:.1} s on its way: it is old", self.waited_s))
        } else {
            (false, "silence: the last message holds no longer".to_owned())
        }
    }
}

/// The daemon's wall clock less the one here, from a message that still held when it left.
fn clocks_apart(message: &Value) -> Option<SignedDuration> {
    let valid_for_s = message["valid_for_s"].as_f64().filter(|s| *s > 0.0)?;
    let until: Timestamp = message["valid_until"].as_str()?.parse().ok()?;
    let daemon = until.checked_sub(SignedDuration::try_from_secs_f64(valid_for_s).ok()?).ok()?;
    Some(daemon.duration_since(Timestamp::now()))
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or("?")
}

/// Why a connection is given up.
type Broken = String;

/// Site and zone, which must stay what they were.
fn identity(args: &Args) -> Result<(String, Value), Broken> {
    let agent: ureq::Agent = ureq::Agent::config_builder().timeout_global(Some(ANSWER_WITHIN)).build().into();
    let told =
        agent.get(format!("{}/v1/site", args.url)).call().and_then(|mut r| r.body_mut().read_to_string());
    let site: Value = serde_json::from_str(&told.map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
    let zones = site["zones"].as_array().map(Vec::as_slice).unwrap_or_default();
    let zone = zones.iter().find(|z| z["name"] == *args.zone);
    let name = text(&site["name"]).to_owned();
    zone.map(|z| (name.clone(), z.clone())).ok_or(format!("site \"{name}\" has no zone \"{}\"", args.zone))
}

type Socket = WebSocketStream<MaybeTlsStream<TcpStream>>;

/// The stream, which must begin with the nonce of this question; with what that tells of the daemon's steady clock.
async fn connect(args: &Args) -> Result<(Socket, Steady), Broken> {
    let start = Instant::now();
    let address = args.url.replacen("http", "ws", 1);
    // Keyed anew for every value, by the system's randomness.
    let nonce = format!("{:016x}", RandomState::new().hash_one(std::process::id()));
    let request = format!("{address}/v1/live?topics=zone,event&tag={}&nonce={nonce}", args.tag);
    let connected = timeout(ANSWER_WITHIN, connect_async(request)).await;
    let (mut socket, _) = connected.map_err(|_| "no answer".to_owned())?.map_err(|e| e.to_string())?;
    let first = timeout(ANSWER_WITHIN, socket.next()).await.map_err(|_| "no first message".to_owned())?;
    let first: Value = match first {
        Some(Ok(Message::Text(text))) => serde_json::from_str(&text).unwrap_or_default(),
        _ => Value::Null,
    };
    match first["sender_s"].as_f64().filter(|_| first["type"] == "nonce" && first["nonce"] == nonce) {
        Some(sender_s) => Ok((socket, Steady { start, zero_s: -sender_s })),
        None => Err("the stream does not begin with the nonce of this question: it is old, or another one's"
            .to_owned()),
    }
}

/// What is known over all connections.
#[derive(Default)]
struct Known {
    /// Site and zone of the daemon at the start.
    identity: Option<(String, Value)>,
    told_clocks: bool,
}

impl Known {
    /// Tells once that the wall clocks differ. Nothing rests on them.
    fn look_at_clocks(&mut self, message: &Value) {
        let apart = clocks_apart(message).map(|d| d.abs()).filter(|d| *d > CLOCKS_AGREE);
        if let Some(apart) = apart.filter(|_| !self.told_clocks) {
            self.told_clocks = true;
            eprintln!("the daemon's clock and this one differ by {:.1} s", apart.as_secs_f64());
        }
    }
}

/// The ping that waits for its pong, and when the next one is due.
struct Pings {
    number: u64,
    asked_s: f64,
    answered: bool,
    next: Instant,
}

impl Pings {
    /// Sends one when it is due. An error when the one before was not answered in time.
    async fn go_on(&mut self, socket: &mut Socket, steady: &Steady) -> Result<(), Broken> {
        if !self.answered && steady.now_s() - self.asked_s > ANSWER_WITHIN.as_secs_f64() {
            return Err("no answer to my ping: what I read may be old".to_owned());
        }
        if self.answered && Instant::now() >= self.next {
            (self.number, self.answered) = (self.number + 1, false);
            (self.asked_s, self.next) = (steady.now_s(), Instant::now() + PING_EVERY);
            let ping = json!({ "ping": self.number.to_string() }).to_string();
            let sent = timeout(LOOK_AGAIN, socket.send(Message::text(ping))).await;
            sent.map_err(|_| "no answer to my ping: it can't even be sent".to_owned())?
                .map_err(|e| e.to_string())?;
        }
        Ok(())
    }

    fn take(&mut self, message: &Value, steady: &mut Steady) {
        let ours = message["type"] == "pong" && text(&message["ping"]).parse() == Ok(self.number);
        if let Some(sender_s) = message["sender_s"].as_f64().filter(|_| ours) {
            self.answered = true;
            steady.answered(self.asked_s, sender_s);
        }
    }
}

/// One connection, until it breaks.
async fn follow(args: &Args, door: &mut Door, known: &mut Known) -> Result<(), Broken> {
    let (mut socket, mut steady) = connect(args).await?;
    // Asked after the stream is open, so that it is the daemon of the stream that answers.
    let found = identity(args)?;
    if *known.identity.get_or_insert_with(|| found.clone()) != found {
        return Err(format!(
            "not the daemon that is wanted: site \"{}\". Closed until that one is back",
            found.0
        ));
    }
    let mut pings = Pings { number: 0, asked_s: 0.0, answered: true, next: Instant::now() };
    let (mut belief, since): (Option<Belief>, _) = (None, Instant::now());
    loop {
        let (open, why) = match &belief {
            Some(belief) => belief.answer(&steady),
            None if since.elapsed() < NOTHING_SAID => (false, "nothing is known yet".to_owned()),
            None => (false, format!("nothing was said of the zone for {} s", since.elapsed().as_secs())),
        };
        door.set(open, &why);
        pings.go_on(&mut socket, &steady).await?;
        let hold = belief.as_ref().map_or(0.0, |b| b.hold_s(&steady)).clamp(0.0, LOOK_AGAIN.as_secs_f64());
        let look_in = if open { Duration::from_secs_f64(hold) } else { LOOK_AGAIN };
        let received = tokio::select! {
            received = socket.next() => received,
            () = sleep(look_in) => continue,
        };
        let message: Value = match received {
            Some(Ok(Message::Text(text))) => serde_json::from_str(&text).unwrap_or_default(),
            Some(Ok(Message::Close(_))) | None => return Err("the daemon ended the connection".to_owned()),
            Some(Ok(_)) => continue,
            Some(Err(error)) => return Err(error.to_string()),
        };
        if message["type"] == "event"
            && (message["kind"] == "configuration" || message["kind"] == "calibration")
        {
            return Err("the daemon's configuration was changed".to_owned());
        }
        pings.take(&message, &mut steady);
        if let Some(newer) = Belief::of(&message, args, &steady) {
            known.look_at_clocks(&message);
            belief = Some(newer);
        }
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> std::io::Result<()> {
    let args = Args::parse();
    let mut door = Door::default();
    let mut known = Known::default();
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    door.set(false, "start");
    loop {
        tokio::select! {
            ended = follow(&args, &mut door, &mut known) => if let Err(why) = ended {
                door.set(false, &why);
            },
            _ = terminate.recv() => return Ok(()),
            _ = interrupt.recv() => return Ok(()),
        }
        sleep(Duration::from_millis(200)).await;
    }
}
