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
//! - it came less than its own time of validity ago (`valid_until` - `time`), by this machine's steady clock;
//! - it was made no longer than [`MAX_AGE`] ago by the wall clocks of both machines;
//! - site and zone are those of the start. Another daemon on the same port closes, and stays closed.
//!
//! ```text
//! cargo run -p hereabout --example gate_websocket -- 'roller door' [--tag 0] [--url http://127.0.0.1:6208]
//! ```

use std::fmt::Display;
use std::time::{Duration, Instant};

use clap::Parser;
use futures_util::StreamExt;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use tokio::net::TcpStream;
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::{sleep, sleep_until, timeout};
use tokio_tungstenite::tungstenite::Message;
use tokio_tungstenite::{MaybeTlsStream, WebSocketStream, connect_async};

/// A message that is older than this by the wall clocks waited somewhere, or a clock is wrong.
const MAX_AGE: SignedDuration = SignedDuration::from_secs(1);
/// For everything that asks the daemon.
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
}

impl Door {
    /// Drives the door when something changes, and says so.
    fn set(&mut self, open: bool, why: impl Display) {
        if self.is_open != Some(open) {
            self.is_open = Some(open);
            self.drive(open);
            println!("{} {why}", if open { "OPEN " } else { "CLOSE" });
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

/// The newest message about the zone.
struct Belief {
    inside: bool,
    words: String,
    made_at: Timestamp,
    holds_until: Instant,
}

impl Belief {
    /// From a message; `None` for one about something else.
    fn of(message: &Value, args: &Args) -> Option<Belief> {
        let ours = message["type"] == "zone" && message["zone"] == *args.zone && message["tag"] == args.tag;
        let stamp = |key: &str| message[key].as_str().and_then(|s| s.parse::<Timestamp>().ok());
        // A message without what it must have counts as one that holds no longer.
        let made_at = stamp("time").unwrap_or_default();
        let holds = stamp("valid_until").map_or(SignedDuration::ZERO, |until| until.duration_since(made_at));
        ours.then(|| Belief {
            inside: message["state"] == "inside",
            words: format!("{}: {}", text(&message["state"]), text(&message["words"])),
            made_at,
            holds_until: Instant::now() + Duration::try_from(holds).unwrap_or_default(),
        })
    }

    /// May the door be open, and why.
    fn answer(&self) -> (bool, String) {
        let age = Timestamp::now().duration_since(self.made_at);
        if !self.inside {
            (false, self.words.clone())
        } else if Instant::now() >= self.holds_until {
            (false, "silence: the last message holds no longer".to_owned())
        } else if age.abs() > MAX_AGE {
            (false, format!("the message is {age:#} old: it waited somewhere, or a clock is wrong"))
        } else {
            (true, self.words.clone())
        }
    }
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

async fn connect(args: &Args) -> Result<Socket, Broken> {
    let address = args.url.replacen("http", "ws", 1);
    let request = format!("{address}/v1/live?topics=zone,event&tag={}", args.tag);
    let connected = timeout(ANSWER_WITHIN, connect_async(request)).await;
    let (socket, _) = connected.map_err(|_| "no answer".to_owned())?.map_err(|e| e.to_string())?;
    Ok(socket)
}

/// One connection, until it breaks.
async fn follow(args: &Args, door: &mut Door, known: &mut Option<(String, Value)>) -> Broken {
    let mut socket = match connect(args).await {
        Ok(socket) => socket,
        Err(why) => return why,
    };
    // Asked after the stream is open, so that it is the daemon of the stream that answers.
    match identity(args) {
        Ok(found) if *known.get_or_insert_with(|| found.clone()) == found => {}
        Ok((site, _)) => {
            return format!("not the daemon that is wanted: site \"{site}\". Closed until that one is back");
        }
        Err(why) => return why,
    }
    let mut belief: Option<Belief> = None;
    loop {
        let (open, why) = belief.as_ref().map_or((false, "nothing is known yet".to_owned()), Belief::answer);
        door.set(open, why);
        let soon = Instant::now() + LOOK_AGAIN;
        let look_at = belief.as_ref().filter(|_| open).map_or(soon, |b| b.holds_until.min(soon));
        let received = tokio::select! {
            received = socket.next() => received,
            () = sleep_until(look_at.into()) => continue,
        };
        let message: Value = match received {
            Some(Ok(Message::Text(text))) => serde_json::from_str(&text).unwrap_or_default(),
            Some(Ok(Message::Close(_))) | None => return "the daemon ended the connection".to_owned(),
            Some(Ok(_)) => continue,
            Some(Err(error)) => return error.to_string(),
        };
        if message["type"] == "event"
            && (message["kind"] == "configuration" || message["kind"] == "calibration")
        {
            return "the daemon's configuration was changed".to_owned();
        }
        if let Some(newer) = Belief::of(&message, args) {
            belief = Some(newer);
        }
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> std::io::Result<()> {
    let args = Args::parse();
    let mut door = Door::default();
    let mut known = None;
    let mut complaint = String::new();
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    door.set(false, "start");
    loop {
        tokio::select! {
            why = follow(&args, &mut door, &mut known) => {
                // Once, also when the door is closed already.
                if why != complaint {
                    eprintln!("{why}");
                }
                door.set(false, &why);
                complaint = why;
            }
            _ = terminate.recv() => return Ok(()),
            _ = interrupt.recv() => return Ok(()),
        }
        sleep(Duration::from_millis(200)).await;
    }
}
