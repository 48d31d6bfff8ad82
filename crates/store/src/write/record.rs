//! What the writer is given, in a compact form: the queue must stay small however long a disk is stuck.
//!
//! A frame of eight ranges takes about 0.4 kB and a fix about 0.3 kB, where the engine's own reports, sized for
//! the largest site, take more than 1 kB each. In here NaN stands for "not known" and becomes NULL; SQLite has no
//! NaN, and the engine lets none out. Codes are those of the tables `verdict`, `tag_state` and `no_fix`.

use hereabout_core::{
    Epoch, JudgedEpoch, JudgedRange, Micros, PositionReport, RangeReading, Timestamp, Verdict,
};
use hereabout_engine::{Output, StartState};

use crate::codes::{NoFixCells, PlaceCells, doubt_code, no_fix_cells, place_cells, state_code, verdict_code};
use crate::write::session::SessionStart;

/// The longest `kind` of an event, in characters, as the schema has it.
const MAX_KIND_CHARS: usize = 64;
/// The longest detail of an event, in characters.
const MAX_DETAIL_CHARS: usize = 4096;

/// One thing to write down: a frame with its ranges, a position report, or an event.
#[derive(Clone, Debug)]
pub struct Record(pub(crate) Row);

impl Record {
    /// What of the engine's output belongs in the log: ranges and positions. `None` for the rest.
    pub fn from_output(output: &Output) -> Option<Record> {
        match output {
            Output::Ranges(epoch) => Some(Record(Row::Frame(FrameRow::from(epoch)))),
            Output::Position(report) => Some(Record(Row::Fix(Box::new(FixRow::from(report))))),
            // A replay makes the delayed ones again; logging them would only cost room.
            Output::Delayed(_)
            | Output::Anchors(_)
            | Output::AnchorChanged(_)
            | Output::FindingChanged(_)
            | Output::KitChanged(_)
            | Output::Minute(_)
            | Output::Zone(_)
            | Output::TagChanged(_)
            | Output::OutOfOrder { .. }
            | Output::TooManyTags { .. } => None,
        }
    }

    /// Something that happened at `at`, for example `("link", "waiting: port is gone")`, with its number
    /// ([`crate::EventNumbers`]).
    ///
    /// An empty kind becomes "other"; a kind longer than 64 characters and a detail longer than 4096 are cut.
    pub fn event(seq: u64, at: Timestamp, kind: &str, detail: &str) -> Record {
        let kind = if kind.is_empty() { "other" } else { kind };
        Record(Row::Event(Box::new(EventRow {
            seq,
            at,
            kind: kind.chars().take(MAX_KIND_CHARS).collect(),
            detail: detail.chars().take(MAX_DETAIL_CHARS).collect(),
        })))
    }

    /// A frame that was heard before the session began and is handed on to it.
    pub fn inherited(epoch: &Epoch) -> Record {
        let range = |(i, r): (usize, &RangeReading)| RangeRow {
            raw_range_m: cell(r.raw_range_m),
            range_m: f64::NAN,
            residual_m: f64::NAN,
            standardised_residual: f64::NAN,
            p_good: f64::NAN,
            anchor: r.anchor.0,
            verdict: verdict_code(match (r.raw_range_m, epoch.doubt) {
                (None, _) => Verdict::NoReading,
                (Some(_), Some(doubt)) => Verdict::Doubted(doubt),
                (Some(_), None) if epoch.is_held(i) => Verdict::Held,
                (Some(_), None) => Verdict::NoFix,
            }),
        };
        Record(Row::Frame(FrameRow {
            at: epoch.at,
            measured_at: epoch.measured_at,
            doubt: epoch.doubt.map(doubt_code),
            inherited: true,
            tag: epoch.tag.0,
            frame_seq: epoch.frame_seq,
            ranges: epoch.readings.iter().enumerate().map(range).collect(),
        }))
    }

    /// From `at` on the session's time scale maps to UTC by adding `utc_minus_session`.
    pub fn clock(at: Timestamp, utc_minus_session: Micros) -> Record {
        Record(Row::Clock(at, utc_minus_session))
    }

    /// Whether it is an event, not a frame or a position.
    pub fn is_event(&self) -> bool {
        matches!(self.0, Row::Event(_))
    }

    /// The session ends here and the next one begins.
    pub(crate) fn session(begin: SessionBegin) -> Record {
        Record(Row::Session(Box::new(begin)))
    }

    pub(crate) fn is_session(&self) -> bool {
        matches!(self.0, Row::Session(_))
    }

    /// Whether it goes first when there is no room: there are many of its kind.
    pub(crate) fn is_one_of_many(&self) -> bool {
        matches!(self.0, Row::Frame(_) | Row::Fix(_))
    }

    /// The record's own stamp.
    pub fn at(&self) -> Timestamp {
        match &self.0 {
            Row::Frame(r) => r.at,
            Row::Fix(r) => r.received_at,
            Row::Event(r) => r.at,
            Row::Clock(at, _) => *at,
            Row::Session(begin) => begin.start.started_at,
        }
    }
}

/// One record by the table that it goes to.
#[derive(Clone, Debug)]
pub(crate) enum Row {
    Frame(FrameRow),
    Fix(Box<FixRow>),
    Event(Box<EventRow>),
    /// From when on, and UTC minus the session's time.
    Clock(Timestamp, Micros),
    /// Everything after it belongs to another session.
    Session(Box<SessionBegin>),
}

/// A session that begins, which is where the one before ends.
#[derive(Clone, Debug)]
pub(crate) struct SessionBegin {
    pub(crate) start: SessionStart,
    /// Numbers and anchors that it inherits; the frames follow as records.
    pub(crate) inherited: Option<StartState>,
}

impl SessionBegin {
    pub(crate) fn new(start: SessionStart, inherited: Option<StartState>) -> SessionBegin {
        SessionBegin { start, inherited }
    }
}

/// A row of `frame` with its rows of `range`.
#[derive(Clone, Debug)]
pub(crate) struct FrameRow {
    pub(crate) at: Timestamp,
    pub(crate) tag: u32,
    pub(crate) frame_seq: Option<u32>,
    pub(crate) measured_at: Timestamp,
    /// A code of `verdict`.
    pub(crate) doubt: Option<u8>,
    pub(crate) inherited: bool,
    pub(crate) ranges: Box<[RangeRow]>,
}

/// A row of `range`; NaN is NULL.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RangeRow {
    pub(crate) raw_range_m: f64,
    pub(crate) range_m: f64,
    pub(crate) residual_m: f64,
    pub(crate) standardised_residual: f64,
    pub(crate) p_good: f64,
    pub(crate) anchor: u16,
    pub(crate) verdict: u8,
}

/// A row of `fix` with its rows of `candidate`; NaN is NULL.
#[derive(Clone, Debug)]
pub(crate) struct FixRow {
    pub(crate) seq: u64,
    pub(crate) at: Timestamp,
    pub(crate) received_at: Timestamp,
    pub(crate) valid_until: Timestamp,
    pub(crate) tag: u32,
    pub(crate) state: u8,
    pub(crate) checked: bool,
    pub(crate) restarted: bool,
    /// Code, ranges there were, ranges needed.
    pub(crate) no_fix: Option<NoFixCells>,
    pub(crate) place: PlaceCells,
    pub(crate) radius95_m: f64,
    pub(crate) protection_radius_m: f64,
    pub(crate) velocity_mps: [f64; 3],
    /// Horizontal, vertical, in space.
    pub(crate) dop: [f64; 3],
    pub(crate) candidates: Box<[PlaceCells]>,
}

/// A row of `event`.
#[derive(Clone, Debug)]
pub(crate) struct EventRow {
    pub(crate) seq: u64,
    pub(crate) at: Timestamp,
    pub(crate) kind: String,
    pub(crate) detail: String,
}

impl From<&JudgedEpoch> for FrameRow {
    fn from(epoch: &JudgedEpoch) -> FrameRow {
        FrameRow {
            at: epoch.at,
            tag: epoch.tag.0,
            frame_seq: epoch.frame_seq,
            measured_at: epoch.measured_at,
            doubt: epoch.doubt.map(doubt_code),
            inherited: false,
            ranges: epoch.ranges.iter().map(RangeRow::from).collect(),
        }
    }
}

impl From<&JudgedRange> for RangeRow {
    fn from(r: &JudgedRange) -> RangeRow {
        RangeRow {
            raw_range_m: cell(r.raw_range_m),
            range_m: cell(r.range_m),
            residual_m: cell(r.residual_m),
            standardised_residual: cell(r.standardised_residual),
            p_good: cell(r.p_good),
            anchor: r.anchor.0,
            verdict: verdict_code(r.verdict),
        }
    }
}

impl From<&PositionReport> for FixRow {
    fn from(p: &PositionReport) -> FixRow {
        FixRow {
            seq: p.seq,
            at: p.at,
            received_at: p.received_at,
            valid_until: p.valid_until,
            tag: p.tag.0,
            state: state_code(p.state()),
            checked: p.checked(),
            restarted: p.restarted,
            no_fix: p.no_fix.map(no_fix_cells),
            place: p.place().as_ref().map_or([f64::NAN; 9], place_cells),
            radius95_m: cell(p.radius95_m()),
            protection_radius_m: cell(p.protection_radius_m()),
            velocity_mps: p.velocity_mps().unwrap_or([f64::NAN; 3]),
            dop: p.dop().map(cell),
            candidates: p.candidates().iter().map(place_cells).collect(),
        }
    }
}

fn cell(value: Option<f64>) -> f64 {
    value.unwrap_or(f64::NAN)
}
