//! How the service behaves, and the work that it hands to whoever runs the site.

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use hereabout_core::{AnchorId, Correction, Timestamp};
use tokio::sync::{mpsc, oneshot};

use crate::{http::rights::Rights, v1::Sending};

/// How the server behaves. [`ApiSettings::new`] has the values that are meant to be used.
#[derive(Clone)]
pub struct ApiSettings {
    /// The clock of the stamps, in UTC: for the age of messages and what has run out. Called while the hub is locked,
    /// so it must not ask the hub for anything but [`crate::Hub::utc`].
    pub now: Arc<dyn Fn() -> Timestamp + Send + Sync>,
    /// A steady time since the daemon's start, which no setting of a clock moves: readers count by it.
    pub since_start: Arc<dyn Fn() -> Duration + Send + Sync>,
    /// A WebSocket is pinged this often; a stream of events gets a comment line after so long a silence.
    pub ping_every: Duration,
    /// A WebSocket that nothing was heard from for so long is closed, and so is a stream of events that took nothing.
    pub unheard_after: Duration,
    /// Longest time for a close frame to be taken and answered.
    pub close_time: Duration,
    /// Longest time from connecting, or from the answer before, to a whole request header.
    pub header_time: Duration,
    /// How long the link may wait, frames may fail to come, or none be good for the present, before `/readyz` says so.
    pub link_grace: Duration,
    /// Connections served at a time, 4 at least. When there are more, whoever is idle for longest leaves; when all are
    /// busy, others get a 503.
    pub max_connections: usize,
    /// Readers of the live messages at a time, three quarters of the connections at most; others get a 503.
    pub max_readers: usize,
    /// Messages that wait for a reader before it counts as slow and only the newest are kept.
    pub backlog: usize,
    /// What has not ended so long after the shutdown began is dropped.
    pub shutdown_time: Duration,
    /// Who may ask for that work.
    pub rights: Arc<Rights>,
    /// Who works on the running site; without one every such request gets a 503.
    pub operator: Option<mpsc::Sender<Operation>>,
}

/// Work on the running site that somebody asked for over HTTP. It was checked against the site.
#[derive(Debug)]
pub struct Operation {
    /// What was asked for.
    pub work: Work,
    /// Takes the outcome: in force, or why not.
    pub answer: oneshot::Sender<Result<(), NotDone>>,
}

/// What there is to do on a running site.
#[derive(Clone, Debug, PartialEq)]
pub enum Work {
    /// New corrections, by anchor.
    Calibrate(Vec<(AnchorId, Correction)>),
    /// This anchor was mended: what is held against it is forgotten.
    Mended(AnchorId),
}

/// Why work was not done, in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotDone {
    /// Nothing was changed, for this reason.
    Failed(String),
    /// Somebody else has changed what it would change, and would lose that.
    Conflict(String),
}

impl ApiSettings {
    /// The usual settings with this clock. The steady time begins now.
    pub fn new(now: Arc<dyn Fn() -> Timestamp + Send + Sync>) -> ApiSettings {
        let start = Instant::now();
        ApiSettings {
            now,
            since_start: Arc::new(move || start.elapsed()),
            ping_every: Duration::from_secs(5),
            unheard_after: Duration::from_secs(10),
            close_time: Duration::from_millis(500),
            header_time: Duration::from_secs(5),
            link_grace: Duration::from_secs(5),
            max_connections: 512,
            max_readers: 256,
            backlog: 64,
            shutdown_time: Duration::from_secs(1),
            rights: Arc::default(),
            operator: None,
        }
    }

    /// With limits that fit one another.
    pub(crate) fn settled(self) -> ApiSettings {
        let max_connections = self.max_connections.max(4);
        ApiSettings { max_connections, max_readers: self.max_readers.min(max_connections * 3 / 4), ..self }
    }

    /// The present, for what leaves now.
    pub(crate) fn sending(&self) -> Sending {
        Sending { now: (self.now)(), since_start: (self.since_start)() }
    }
}
