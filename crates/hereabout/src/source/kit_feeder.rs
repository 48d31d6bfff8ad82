//! The simulated kit as a source.

use std::path::Path;
use std::time::Duration;

use hereabout_ingest::{FeedStep, Feeder};
use hereabout_sim::{Kit, Scenario, ScenarioError, SimFrame};
use hereabout_words::io;
use hereabout_words::layout::error_words;

use crate::exit::{self, Failure};
use crate::files::input_file;
use crate::toml_doc::parser_words;

/// The simulated kit as a source of the daemon.
pub struct KitFeeder {
    kit: Kit,
    speed: f64,
    at_s: f64,
}

impl KitFeeder {
    /// The kit of a scenario file, this many times as fast as real.
    ///
    /// # Errors
    /// A scenario that can't be read or used.
    pub fn open(path: &Path, speed: f64) -> Result<KitFeeder, Failure> {
        KitFeeder::with(path, speed, None, None)
    }

    /// The same with another seed and so many seconds, where given.
    ///
    /// # Errors
    /// As [`KitFeeder::open`].
    pub(crate) fn with(
        path: &Path,
        speed: f64,
        seed: Option<u64>,
        seconds: Option<f64>,
    ) -> Result<KitFeeder, Failure> {
        let mut scenario = read_scenario(path)?;
        scenario.seed = seed.unwrap_or(scenario.seed);
        scenario.duration_s = seconds.or(scenario.duration_s);
        let kit = Kit::new(&scenario)
            .map_err(|e| Failure::new(exit::CONFIG, format!("{}: {e}", path.display())))?;
        Ok(KitFeeder { kit, speed, at_s: 0.0 })
    }

    /// What is simulated.
    pub(crate) fn scenario(&self) -> &Scenario {
        self.kit.scenario()
    }

    /// The next frame, and how long after the previous one it is due.
    pub(crate) fn next_frame(&mut self) -> Option<(Duration, SimFrame)> {
        let frame = self.kit.next_frame()?;
        let wait_s = (frame.epoch.at_s - self.at_s) / self.speed;
        self.at_s = frame.epoch.at_s;
        Some((Duration::try_from_secs_f64(wait_s.max(0.0)).unwrap_or_default(), frame))
    }
}

impl Feeder for KitFeeder {
    fn next(&mut self) -> Option<FeedStep> {
        self.next_frame().map(|(wait, frame)| FeedStep { wait, bytes: frame.bytes })
    }
}

fn read_scenario(path: &Path) -> Result<Scenario, Failure> {
    let text = input_file::read(path)
        .and_then(|bytes| String::from_utf8(bytes).map_err(|_| std::io::Error::other("it is not UTF-8 text")))
        .map_err(|e| {
            let todo = "check the path in [source] or on the command line";
            Failure::new(
                exit::CONFIG,
                format!("{} can't be read: {}; {todo}", path.display(), io::error_words(&e)),
            )
        })?;
    Scenario::parse(&text, &path.display().to_string()).map_err(|e| match &e {
        ScenarioError::Layout { file, line, column, key, error } => {
            let words = error_words(error);
            Failure::new(exit::CONFIG, format!("{file}, line {line}, column {column}: {key}: {words}"))
        }
        ScenarioError::Text { file, line, column, key, problem } => {
            let key = if key.is_empty() { String::new() } else { format!("{key}: ") };
            let words = parser_words(problem, &text);
            Failure::new(exit::CONFIG, format!("{file}, line {line}, column {column}: {key}{words}"))
        }
        ScenarioError::Unreadable { .. } => Failure::new(exit::CONFIG, e),
    })
}
