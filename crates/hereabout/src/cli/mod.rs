//! The command line. Data goes to stdout, everything else to stderr; `--json` is for programs.

pub mod usage;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use clap::{Args, Parser, Subcommand};

use crate::site_file::kit_file::FrameArgs;

/// Positions from the raw ranges of a small ultra-wideband kit.
///
/// hereabout hears the kit's primary anchor, computes where each tag is and how sure that is, watches
/// the anchors, keeps a log, replays it, and serves everything over HTTP and WebSocket.
#[derive(Debug, Parser)]
#[command(name = "hereabout", version, after_help = CAUTION, max_term_width = 110)]
pub struct Cli {
    /// Write log lines as JSON.
    #[arg(long, global = true)]
    pub log_json: bool,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const CAUTION: &str =
    "Not a safety component: emergency stops, edges and light curtains stay independent and overrule it.
Silence, `lost`, `coasting` past valid_until or a large radius mean \"no position\".

Exit codes: 0 done, 1 accuracy not reached (verify), 64 usage, 65 unusable data, 66 no input, 69 unavailable,
70 a fault in the program, 73 can't create, 74 input or output failed, 75 undecided, try again, 78 configuration.
Environment: HEREABOUT_LOG=info shows more of what happens (tracing filter syntax).";

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon for a site.
    #[command(after_help = "Examples:
  hereabout run examples/larkfield/site.toml
  hereabout run site.toml --listen 127.0.0.1:6300 --no-log

Ctrl-C or SIGTERM stops it; everything heard until then is in the log. SIGHUP reads the site file and
calibration.toml again; [log] and [api] count from the next start, [source] and [frame] need one. Every program of this machine may read over HTTP. Who changes something needs the socket
NAME.socket (owner and group) or the key in NAME.key (owner), both made beside the log NAME.db:
  curl --unix-socket NAME.socket http://localhost/v1/calibrations --json …
Opening a serial port resets no board, unless the site file asks with [source] dtr = true or false; only the kernel
itself raises DTR and RTS at the first opening after plugging in.")]
    Run(RunArgs),
    /// Show the anchors of a running daemon: who is heard, what is found, what to do.
    #[command(after_help = "Examples:
  hereabout anchors
  hereabout anchors http://127.0.0.1:6300
  hereabout anchors --json
  watch hereabout anchors      # again every two seconds
  hereabout anchors --mended 3 --key larkfield.key      # anchor 3 was put back or exchanged: judge it anew

The same table as /v1/anchors.txt, worst first; --json gives /v1/anchors. A port that is left out is 6208.
The daemon listens on its own machine only; from another one: ssh MACHINE hereabout anchors.
Exit code 0 when the daemon answered, whatever it found; 69 when nobody did in time, 65 when somebody else did.

Ladder, gate or mains power: local codes and licensed practice come first.")]
    Anchors(AnchorsArgs),
    /// Check a site file without touching a port.
    #[command(after_help = "Examples:
  hereabout check site.toml
  hereabout check site.toml --json
  hereabout check site.toml --replay-only     # a site for range tables and logs, without [source] or [frame]
  hereabout check site.toml --svg hdop.svg    # a picture of how far the geometry carries
  hereabout check site.toml --input walk.bin  # do the kit's ranges fit the site: unit, order, places, heights?

It refuses what `run` refuses, but for what only a start can tell: a port that is taken, a kit that is away.
Exit code 0 when the site can be run (warnings may be shown), 78 when not, or when it can only be replayed and
--replay-only is not given. With --input, which asks for no [source], 0 when the ranges fit, 78 when they don't (with
the likely cause and the line to change), 75 when too little was heard to tell. With --json `fit` has answer (fits,
does_not_fit, too_early), the shares, and cause.kind: unit, scale, swapped, reversed, order, place, two_places,
anchor_height, tag_height, mirrored_heights, other_site, or null. Drive the tag around for a minute for it.
Findings and facts have a code each.")]
    Check(CheckArgs),
    /// Show who is heard: a live table of ranges, rates and what is odd.
    #[command(after_help = "Examples:
  hereabout listen site.toml
  hereabout listen --port /dev/serial/by-id/… --layout \"c3 5a seq:u8 range:u16le*8 sum8\" --unit cm --no-range 0
  hereabout listen site.toml --seconds 10 --json
  hereabout listen site.toml --raw          # hex of good and bad frames, with the reason under each bad one

A table that is redrawn in place on a terminal, a line for each frame in a pipe. NO_COLOR=1 takes the colours away.
All figures are over the last 10 s. spread: standard deviation of one range without the tag's movement.
With a site it also says when the ranges don't fit it (wrong unit, order, place, height), once the tag has moved about.
With --json each warning has a code.
Exit code 0 when frames were heard, 65 when none.")]
    Listen(ListenArgs),
    /// Propose a frame layout from the bytes of an unknown module.
    #[command(after_help = "Examples:
  hereabout learn --port /dev/serial/by-id/… --baud 115200 --seconds 20 --keep kit.bin
  hereabout learn kit.bin
  hereabout learn kit.bin >> larkfield/site.toml      # the [frame] table with its reasons as comments
  hereabout learn kit.bin --farthest 8 --write kit.toml
  hereabout learn kit.bin --json

Move the tag by some metres while it captures, and switch one anchor off and on: that shows what a range is, its
unit, and how \"no range\" is said. Arrival times are kept in NAME.times.csv beside NAME.bin.
A proposal is made from one half of the capture and must hold on the other. It is not made while anything varies
that nothing explains: a number with a few values is a tag until shown otherwise. With --json parts, notes, reasons
and alternatives have a code each.
Exit code 0 with a proposal, 75 when it is undecided (what it may be is shown, with what to capture to decide),
65 for what is no stream of frames, 66 or 69 when there is nothing to read.")]
    Learn(LearnArgs),
    /// Write a commented site file from a few questions or flags.
    #[command(after_help = "Examples:
  hereabout start larkfield
  hereabout start larkfield --name \"Larkfield nursery\" --dimension 2d --tag-height 0.9 \\
    --port /dev/serial/by-id/… --layout \"c3 5a seq:u8 range:u16le*4 sum8\" --unit cm --no-range 0 \\
    --anchor \"0,0,0,2.6,shed corner\" --anchor 1,24,0,2.2 --anchor 2,24,14,3.1 --anchor 3,0,14,1.8
  hereabout start larkfield --kit kit.toml --tag-height 0.9 --anchor 0,0,0,2.6 --yes

Writes DIR/site.toml, and never over a file that is there. Asks for what no flag tells when it is on a terminal.
An anchor is id,east,north,up[,name]: metres in one right-handed frame, any zero you like.")]
    Start(StartArgs),
    /// Find out what each board reads too long or too short, with an honest error.
    #[command(after_help = "Examples:
  hereabout calibrate site.toml --anchor 2 --distance 1.0 --seconds 30     # one board on a stand
  hereabout calibrate site.toml --at 3.20,4.10 --at 18.5,11.0 --seconds 60 # prompts between the places
  hereabout calibrate site.toml --spots spots.csv --input walk.db          # places within a recording
  hereabout calibrate site.toml --restore                                  # back to the previous one

Distances are from antenna to antenna. With --height-difference the distance is the one along the floor.
spots.csv has name,from_s,to_s,x_m,y_m,z_m; from_s and to_s are in the recording's own time_s.
Writes calibration.toml beside the site file and keeps the one before, also that there was none. A running daemon
takes it over on SIGHUP (kill -HUP PID, by the daemon's own user). Exit code 65 when no board could be calibrated; then nothing is written. Nothing is
written either when an offset is beyond [site] max_offset_m (0.5 m) or a scale is off by more than 10 %, as
after places in centimetres or with swapped axes. A place whose height contradicts tag_height_m is asked about.
Nor is it when the ranges say that a place, the order, the unit or a height of the site file is wrong: such an error would
hide in the offsets (code site_does_not_fit; with --json site_fit has the cause).
With --json each of the notes has code, anchor, spot (null where it is about none), text, excess_m and todo.")]
    Calibrate(CalibrateArgs),
    /// Prove the accuracy with a tag at known checkpoints.
    #[command(after_help = "Examples:
  hereabout verify site.toml --at 5.0,5.0 --at 12.0,8.5 --seconds 20   # prompts between the places
  hereabout verify site.toml --spots check.csv --input check.db
  hereabout verify site.toml --spots check.csv --input check.bin --json

Exit code 0 when CE95 is within [site] required_ce95_m (or none is required), 1 when not. When ranges and site file
don't fit each other, the first note says so (with --json site_fit has the cause; the verdict and each note have a code).")]
    Verify(VerifyArgs),
    /// Run a log, a capture or a range table through the engine.
    #[command(after_help = "Examples:
  hereabout replay larkfield.db --site site.toml --out fixes.jsonl
  hereabout replay ranges.csv --site site.toml --truth truth.csv
  hereabout replay ranges.csv --site site.toml --truth truth.csv --svg run.svg   # a picture to judge by
  hereabout replay capture.bin --site site.toml --frame-period 100ms --out fixes.jsonl

Inputs: a log (.db), captured bytes (.bin, stamps from NAME.times.csv beside it), or a range table (.csv):
  wide   time_s,anchor_<id>_m,…[,tag]     one epoch a row, empty = no range
  long   time_s,anchor,range_m[,tag]      one range a row, rows with one stamp form an epoch
time_s is Unix seconds, UTC. A truth table has time_s,x_m,y_m[,z_m][,tag].")]
    Replay(ReplayArgs),
    /// Write one self-contained HTML page about a site.
    #[command(after_help = "Examples:
  hereabout report larkfield.db --out report.html
  hereabout report check.db --site site.toml --spots check.csv --out report.html
  hereabout report --site site.toml --out report.html      # geometry and offsets alone

The page needs no network and no script, and prints on A4.")]
    Report(ReportArgs),
    /// Run the simulated kit.
    #[command(after_help = "Examples:
  hereabout simulate examples/larkfield/scenario.toml --out cart.bin --seconds 60
  hereabout simulate examples/larkfield/scenario.toml --tcp 127.0.0.1:7000
  hereabout simulate examples/larkfield/scenario.toml --pty /tmp/kit --truth truth.csv

--out writes NAME.bin, NAME.times.csv and NAME.truth.csv as fast as it can. The others go at real speed.")]
    Simulate(SimulateArgs),
}

/// `run`.
#[derive(Args, Debug)]
pub struct RunArgs {
    /// The site file.
    pub site: PathBuf,
    /// Serve here instead of the site file's `[api]` listen.
    #[arg(long, value_name = "ADDR:PORT")]
    pub listen: Option<SocketAddr>,
    /// Keep the log here instead of the site file's `[log]` path.
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// Keep no log.
    #[arg(long, conflicts_with = "log")]
    pub no_log: bool,
    /// Read from here instead of the site file's `[source]` port.
    #[arg(long, value_name = "PORT")]
    pub source: Option<String>,
    /// Print the start-up facts as one JSON line.
    #[arg(long)]
    pub json: bool,
}

/// `anchors`.
#[derive(Args, Debug)]
pub struct AnchorsArgs {
    /// Where the daemon listens.
    #[arg(value_name = "URL", default_value = "http://127.0.0.1:6208")]
    pub url: String,
    /// The rows as one JSON document.
    #[arg(long)]
    pub json: bool,
    /// This anchor was mended: put back, exchanged, its plug seen to. What is held against it is forgotten.
    #[arg(long, value_name = "ID", requires = "key", conflicts_with = "json")]
    pub mended: Option<u16>,
    /// The daemon's key, NAME.key beside its log: who changes something needs it.
    #[arg(long, value_name = "FILE", requires = "mended")]
    pub key: Option<PathBuf>,
    /// How long to wait for the whole answer.
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = humantime::parse_duration)]
    pub timeout: Duration,
}

/// `check`.
#[derive(Args, Debug)]
pub struct CheckArgs {
    /// The site file.
    pub site: PathBuf,
    /// One JSON document instead of text.
    #[arg(long)]
    pub json: bool,
    /// A site that is only replayed with is good enough: `[source]` and `[frame]` may be missing.
    #[arg(long)]
    pub replay_only: bool,
    /// Draw the HDOP over the area, with the anchors, into this file.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Say whether the ranges of this capture (.bin), range table (.csv) or log (.db) fit the site.
    #[arg(long, value_name = "FILE")]
    pub input: Option<PathBuf>,
    /// Which session of a log; the latest unless given.
    #[arg(long, value_name = "N", requires = "input")]
    pub session: Option<i64>,
    /// Time between frames of a capture without times, like 100ms.
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration, requires = "input")]
    pub frame_period: Option<Duration>,
}

/// Where the tag stands, and where its ranges come from: `calibrate` and `verify`.
#[derive(Args, Debug, Default)]
pub struct SurveyArgs {
    /// A place of the tag: east, north (and up), metres. May be given again for further places.
    #[arg(long, value_name = "E,N[,U]", allow_hyphen_values = true)]
    pub at: Vec<String>,
    /// Places and times as a table: name,from_s,to_s,x_m,y_m,z_m.
    #[arg(long, value_name = "FILE", conflicts_with = "at")]
    pub spots: Option<PathBuf>,
    /// Time at each place, live; 60 unless given, 30 for one board on its stand.
    #[arg(long, value_name = "S", conflicts_with = "input")]
    pub seconds: Option<f64>,
    /// A log (.db), a capture (.bin) or a range table (.csv) instead of the live source.
    #[arg(long, value_name = "FILE")]
    pub input: Option<PathBuf>,
    /// Which session of a log; the latest unless given.
    #[arg(long, value_name = "N", requires = "input")]
    pub session: Option<i64>,
    /// Time between frames of a capture without times, like 100ms.
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration, requires = "input")]
    pub frame_period: Option<Duration>,
    /// Read from here instead of the site file's `[source]` port.
    #[arg(long, value_name = "PORT", conflicts_with = "input")]
    pub source: Option<String>,
    /// Which tag stands there; needed only where several are heard.
    #[arg(long, value_name = "N")]
    pub tag: Option<u32>,
    /// Take places whose height contradicts the tag_height_m of a 2D site.
    #[arg(long)]
    pub accept_height: bool,
}

/// `calibrate`.
#[derive(Args, Debug)]
#[command(group = clap::ArgGroup::new("what").args(["anchor", "at", "spots", "restore"]).required(true).multiple(true))]
pub struct CalibrateArgs {
    /// The site file.
    pub site: PathBuf,
    /// One board on a stand: its id.
    #[arg(long, value_name = "ID", requires = "distance", conflicts_with_all = ["at", "spots", "scale"])]
    pub anchor: Option<u16>,
    /// Its taped distance from the tag, metres.
    #[arg(long, value_name = "M", requires = "anchor")]
    pub distance: Option<f64>,
    /// Height of the board's antenna over the tag's, metres, or `site` to take it from the site file.
    #[arg(long, value_name = "M", requires = "anchor", allow_hyphen_values = true)]
    pub height_difference: Option<String>,
    /// Places and input.
    #[command(flatten)]
    pub survey: SurveyArgs,
    /// Find a scale as well as an offset.
    #[arg(long)]
    pub scale: bool,
    /// Show the result and write nothing.
    #[arg(long)]
    pub dry_run: bool,
    /// Go back to the previous calibration, or to none when there was none.
    ///
    /// Works as well when the present one is refused.
    #[arg(long, conflicts_with_all = ["anchor", "at", "spots", "scale", "dry_run", "input"])]
    pub restore: bool,
    /// The result as one JSON document.
    #[arg(long)]
    pub json: bool,
}

/// `verify`.
#[derive(Args, Debug)]
#[command(group = clap::ArgGroup::new("where").args(["at", "spots"]).required(true).multiple(true))]
pub struct VerifyArgs {
    /// The site file.
    pub site: PathBuf,
    /// Checkpoints and input.
    #[command(flatten)]
    pub survey: SurveyArgs,
    /// The result as one JSON document.
    #[arg(long)]
    pub json: bool,
}

/// `listen`.
#[derive(Args, Debug)]
pub struct ListenArgs {
    /// The site file, or a file of `learn --write`; not needed with --port and a layout.
    pub site: Option<PathBuf>,
    /// Read from here: a serial port, tcp://…, udp://…, file://…, sim://…; instead of the file's `[source]`.
    #[arg(long, value_name = "PORT", visible_alias = "source")]
    pub port: Option<String>,
    /// Speed of a serial port; 115200 unless given.
    #[arg(long, value_name = "BAUD")]
    pub baud: Option<u32>,
    /// The frames, instead of the file's `[frame]`.
    #[command(flatten)]
    pub frame: FrameArgs,
    /// Stop after this many seconds.
    #[arg(long, value_name = "S")]
    pub seconds: Option<f64>,
    /// Stop after this many good frames.
    #[arg(long, value_name = "N")]
    pub frames: Option<u64>,
    /// JSON Lines instead of a table.
    #[arg(long, conflicts_with = "raw")]
    pub json: bool,
    /// Show the bytes of every good and bad frame.
    #[arg(long)]
    pub raw: bool,
}

/// `learn`.
#[derive(Args, Debug)]
pub struct LearnArgs {
    /// Captured bytes (NAME.bin); arrival times are taken from NAME.times.csv beside it when it is there.
    #[arg(required_unless_present = "port", conflicts_with = "port")]
    pub capture: Option<PathBuf>,
    /// Capture from here first: a serial port, tcp://…, udp://…, sim://….
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// Speed of a serial port.
    #[arg(long, value_name = "BAUD", default_value_t = 115_200, requires = "port")]
    pub baud: u32,
    /// How long to capture.
    #[arg(long, value_name = "S", default_value_t = 20.0, requires = "port")]
    pub seconds: f64,
    /// Keep the capture under this name; capture.bin, or the next free capture-N.bin, unless given.
    #[arg(long, value_name = "NAME.bin", requires = "port")]
    pub keep: Option<PathBuf>,
    /// The farthest that the tag was from any anchor, in metres: decides the unit.
    #[arg(long, value_name = "M")]
    pub farthest: Option<f64>,
    /// Write the proposal into this new file, for `listen` and `start --kit`.
    #[arg(long, value_name = "SITE")]
    pub write: Option<PathBuf>,
    /// One JSON document instead of the table.
    #[arg(long)]
    pub json: bool,
}

/// `start`.
#[derive(Args, Debug)]
pub struct StartArgs {
    /// Folder for the site; made when it is not there.
    pub dir: PathBuf,
    /// What people call the site; the folder's name unless given.
    #[arg(long)]
    pub name: Option<String>,
    /// 2d for a tag at one height, 3d for one that climbs.
    #[arg(long, value_parser = ["2d", "3d"])]
    pub dimension: Option<String>,
    /// Height of the tag in 2D, metres, with the same zero as the anchors' heights.
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    pub tag_height: Option<f64>,
    /// Where the kit's bytes come from.
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// Speed of a serial port; 115200 unless given.
    #[arg(long, value_name = "BAUD")]
    pub baud: Option<u32>,
    /// The frames; `learn` proposes a layout when you have none.
    #[command(flatten)]
    pub frame: FrameArgs,
    /// Take port and frames from this file of `learn --write`.
    #[arg(long, value_name = "FILE")]
    pub kit: Option<PathBuf>,
    /// An anchor: id, east, north, up in metres, and a name if it has one; one flag for each.
    #[arg(long, value_name = "ID,E,N,U[,NAME]", allow_hyphen_values = true)]
    pub anchor: Vec<String>,
    /// Ask nothing.
    #[arg(long, short)]
    pub yes: bool,
}

/// `replay`.
#[derive(Args, Debug)]
pub struct ReplayArgs {
    /// A log (.db), a capture (.bin) or a range table (.csv).
    pub input: PathBuf,
    /// The site file; a log can do without and then uses the site it was recorded with.
    #[arg(long, value_name = "FILE")]
    pub site: Option<PathBuf>,
    /// Which session of a log; the latest unless given.
    #[arg(long, value_name = "N")]
    pub session: Option<i64>,
    /// Write positions here as JSON Lines, `-` for stdout. Never over an input; it gets its name when it is whole.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write events (zones, anchors, findings, restarts) here as JSON Lines, `-` for stdout.
    #[arg(long, value_name = "FILE")]
    pub events: Option<PathBuf>,
    /// Grade the positions against this truth table.
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Draw the track, its 95 % ellipses and the truth into this SVG file.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Keep a log of the replay.
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// Another estimator than the site file's.
    #[arg(long, value_name = "NAME")]
    pub estimator: Option<String>,
    /// Pace: 1 is as it was recorded; as fast as possible unless given.
    #[arg(long, value_name = "FACTOR")]
    pub speed: Option<f64>,
    /// Time between frames of a capture without times, like 100ms.
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration)]
    pub frame_period: Option<Duration>,
    /// The summary as JSON on stdout (or on stderr with --out -).
    #[arg(long)]
    pub json: bool,
}

/// `report`.
#[derive(Args, Debug)]
pub struct ReportArgs {
    /// A log (.db), a capture (.bin) or a range table (.csv); may be left out.
    pub input: Option<PathBuf>,
    /// The site file; a log can do without and then uses the site it was recorded with.
    #[arg(long, value_name = "FILE")]
    pub site: Option<PathBuf>,
    /// Checkpoints within the recording: name,from_s,to_s,x_m,y_m,z_m.
    #[arg(long, value_name = "FILE", requires = "input")]
    pub spots: Option<PathBuf>,
    /// Write the page here, `-` for stdout. Never over an input; it gets its name when it is whole.
    #[arg(long, short, value_name = "FILE", default_value = "report.html")]
    pub out: PathBuf,
    /// Which session of a log; the latest unless given.
    #[arg(long, value_name = "N", requires = "input")]
    pub session: Option<i64>,
    /// Time between frames of a capture without times, like 100ms.
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration, requires = "input")]
    pub frame_period: Option<Duration>,
    /// Which tag stood at the checkpoints; needed only where several are heard.
    #[arg(long, value_name = "N")]
    pub tag: Option<u32>,
    /// Take checkpoints whose height contradicts the tag_height_m of a 2D site.
    #[arg(long, requires = "spots")]
    pub accept_height: bool,
}

/// `simulate`.
#[derive(Args, Debug)]
pub struct SimulateArgs {
    /// The scenario file.
    pub scenario: PathBuf,
    /// Write a capture: NAME.bin with NAME.times.csv and NAME.truth.csv beside it.
    #[arg(long, value_name = "NAME.bin", group = "to")]
    pub out: Option<PathBuf>,
    /// Send to whoever connects here.
    #[arg(long, value_name = "ADDR:PORT", group = "to")]
    pub tcp: Option<SocketAddr>,
    /// Make a pseudo-terminal and a link to it under this name.
    #[arg(long, value_name = "LINK", group = "to")]
    pub pty: Option<PathBuf>,
    /// Write truth rows here (with --tcp and --pty).
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Stop after this many seconds of simulated time.
    #[arg(long, value_name = "S")]
    pub seconds: Option<f64>,
    /// Speed: 1 is real time.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub speed: f64,
    /// Another seed than the scenario's.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
}
