//! The configuration of a running daemon: SIGHUP reads the site file and `calibration.toml` again,
//! `POST /v1/calibrations` writes new offsets and puts them in force, `POST /v1/anchors/{id}/mended` begins a session in
//! which nothing is held against an anchor.
//!
//! One task does both, one after the other, so that two changes never mix. A file that is wrong changes nothing:
//! it is reported on standard error and in `/v1/status` until a good one comes. A changed `[source]` or `[frame]` layout
//! needs a restart and is reported likewise; `[log]` and `[api]` count from the next start on. Files that are as before change
//! nothing, and many signals in a row are one.
//!
//! Files are read and written by `file_worker.rs`: a disk or a mount that does not answer holds up neither positions nor the
//! daemon's end, and is reported like a wrong file.

use std::path::{Path, PathBuf};

use hereabout_api::{Hub, NotDone, Operation, Work};
use hereabout_core::{AnchorId, Correction, Timestamp};
use hereabout_ingest::Clock;
use hereabout_words::io::error_words;
use hereabout_words::time::rfc3339_seconds;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

use crate::calibration::calibration_file::{self, CalibrationFile, Entry};
use crate::daemon::file_worker::{FILE_TIME_LIMIT, FileWorker, Stuck};
use crate::daemon::pipeline::{SiteUpdate, UpdateKind};
use crate::daemon::reload_pace::ReloadPace;
use crate::exit::{self, Failure};
use crate::files::paths::calibration_beside;
use crate::site_file::SiteFile;
use crate::toml_doc::{Document, Problem};

/// Keeps the running daemon's configuration: the site in force, and the way to put another one in force.
pub struct ConfigReloader {
    /// As it is in force.
    site: SiteFile,
    hub: Hub,
    clock: Clock,
    pipeline: mpsc::Sender<SiteUpdate>,
    file_worker: FileWorker,
}

impl ConfigReloader {
    /// A reloader of the site that the daemon started with.
    pub fn new(site: SiteFile, hub: Hub, clock: Clock, pipeline: mpsc::Sender<SiteUpdate>) -> ConfigReloader {
        ConfigReloader { site, hub, clock, pipeline, file_worker: FileWorker::new(FILE_TIME_LIMIT) }
    }

    /// Serves signals and requests until `stop`.
    ///
    /// # Errors
    /// When signals can't be watched for.
    pub async fn run(
        mut self,
        mut operations: mpsc::Receiver<Operation>,
        stop: CancellationToken,
    ) -> Result<(), Failure> {
        let broke = |e: std::io::Error| {
            Failure::new(exit::SOFTWARE, format!("can't watch for signals: {}", error_words(&e)))
        };
        let mut hangup: Signal = signal(SignalKind::hangup()).map_err(broke)?;
        let mut pace = ReloadPace::default();
        self.file_worker.wait_until(stop.clone());
        loop {
            tokio::select! {
                () = stop.cancelled() => return Ok(()),
                _ = hangup.recv() => pace.ask(),
                () = pace.due() => {
                    pace.begin();
                    self.reload().await;
                }
                Some(operation) = operations.recv() => {
                    let outcome = match &operation.work {
                        Work::Calibrate(corrections) => self.recalibrate(corrections).await,
                        Work::Mended(anchor) => self.mended(*anchor).await,
                    };
                    // Who asked may have gone.
                    let _ = operation.answer.send(outcome);
                }
            }
        }
    }

    /// SIGHUP.
    async fn reload(&mut self) {
        let path = self.site.path.clone();
        let site = match self.file_worker.run(move || SiteFile::load(&path)).await {
            Ok(Ok(site)) if site.frame.is_some() => site,
            Ok(Ok(_)) => return self.refuse("the site file has no [frame] any more"),
            Ok(Err(problems)) => return self.refuse(&lines(&problems)),
            Err(stuck) => return self.refuse(&stuck.to_string()),
        };
        if site.text == self.site.text && site.calibration_text == self.site.calibration_text {
            self.hub.set_notice(None);
            eprintln!("{}: read again, nothing has changed", self.site.path.display());
            return;
        }
        let waiting = self.needs_restart(&site);
        if let Some(what) = &waiting {
            return self.refuse(what);
        }
        let how = "read again on SIGHUP";
        let same_text = site.text == self.site.text;
        let what = match same_text && site.calibration_text != self.site.calibration_text {
            true => UpdateKind::Calibration(how),
            false => UpdateKind::Configuration(how),
        };
        let waits = self.waits_for_restart(&site);
        let said = if self.apply(site, what).await { "read again, and in force" } else { "stopping" };
        let path = self.site.path.display();
        let waits = waits.map(|what| format!("{path}: {what} changed, which counts from the next start on"));
        eprintln!("{path}: {said}");
        waits.iter().for_each(|w| eprintln!("{w}"));
        self.hub.set_notice(waits);
    }

    /// What a running daemon goes on without, until it starts again; the command line may stand for it there.
    fn waits_for_restart(&self, new: &SiteFile) -> Option<String> {
        let old = SiteFile::from_text(&self.site.path, &self.site.text, None).ok()?;
        let api = (new.listen, &new.socket) != (old.listen, &old.socket);
        let changed = [("[log]", new.log != old.log), ("[api]", api)];
        let names: Vec<&str> = changed.iter().filter(|(_, c)| *c).map(|(n, _)| *n).collect();
        (!names.is_empty()).then(|| names.join(" and "))
    }

    fn refuse(&self, why: &str) {
        let notice = format!(
            "{}: not taken over, the configuration of before stays in force: {why}",
            self.site.path.display()
        );
        eprintln!("{notice}");
        self.hub.set_notice(Some(notice));
    }

    /// What a running daemon can't change; `None` when everything can be taken over.
    fn needs_restart(&self, new: &SiteFile) -> Option<String> {
        let old = &self.site;
        let changed = [("[source]", new.source != old.source), ("[frame]", new.frame_text != old.frame_text)];
        let names: Vec<&str> = changed.iter().filter(|(_, c)| *c).map(|(n, _)| *n).collect();
        (!names.is_empty()).then(|| format!("{} changed: restart the daemon for that", names.join(" and ")))
    }

    /// `POST /v1/calibrations`: into the file, then in force.
    async fn recalibrate(&mut self, corrections: &[(AnchorId, Correction)]) -> Result<(), NotDone> {
        let path = calibration_beside(&self.site.path);
        self.is_as_taken_over(&path).await?;
        let now = self.hub.utc(self.clock.now());
        let date = rfc3339_seconds(now);
        let mut file = self.in_force(&path).map_err(NotDone::Failed)?;
        let entry = |(id, correction): &(AnchorId, Correction)| Entry {
            id: *id,
            correction: *correction,
            date: Some(date.clone()),
            method: Some("set over HTTP".to_owned()),
        };
        file.put(corrections.iter().map(entry).collect());
        let text = file.to_toml();
        let site = SiteFile::from_text(&self.site.path, &self.site.text, Some(&text));
        let site = site.map_err(|p| NotDone::Failed(lines(&p)))?;
        let site = site.with_other_sites(self.site.other_sites.clone());
        self.write(path, text, now).await.map_err(NotDone::Failed)?;
        if self.apply(site, UpdateKind::Calibration("set over HTTP")).await {
            // A site file that was refused stays refused.
            Ok(())
        } else {
            let why = "the daemon is stopping; the file is written and counts from the next start on";
            Err(NotDone::Failed(why.to_owned()))
        }
    }

    /// `POST /v1/anchors/{id}/mended`: the same site once more, in a session that knows nothing against the anchor.
    async fn mended(&mut self, anchor: AnchorId) -> Result<(), NotDone> {
        match self.apply(self.site.clone(), UpdateKind::Mended(anchor)).await {
            true => Ok(()),
            false => Err(NotDone::Failed("the daemon is stopping".to_owned())),
        }
    }

    /// What somebody wrote into the calibration file since it was taken over must not be lost by writing it again.
    async fn is_as_taken_over(&mut self, path: &Path) -> Result<(), NotDone> {
        let from = path.to_owned();
        let read = self.file_worker.run(move || Document::read_own(&from)).await;
        let now = match read {
            Ok(Ok(document)) => document.map(|d| d.text),
            Ok(Err(problems)) => return Err(NotDone::Conflict(lines(&problems))),
            Err(stuck) => return Err(NotDone::Failed(stuck.to_string())),
        };
        if now == self.site.calibration_text {
            return Ok(());
        }
        Err(NotDone::Conflict(format!(
            "{} was changed since it was taken over: SIGHUP takes over what is in it now",
            path.display()
        )))
    }

    /// Puts the text into the calibration file.
    async fn write(&mut self, path: PathBuf, text: String, now: Timestamp) -> Result<(), String> {
        let to = path.clone();
        match self.file_worker.run(move || calibration_file::replace(&to, &text, now)).await {
            Ok(written) => written.map_err(|e| e.message),
            Err(stuck @ Stuck::Before) => Err(format!("{}: {stuck}", path.display())),
            Err(stuck) => {
                let notice = format!(
                    "{}: may be the old one or the new one, and the calibration of before stays in force: {stuck}; \
                     SIGHUP takes over what is in the file",
                    path.display()
                );
                eprintln!("{notice}");
                self.hub.set_notice(Some(notice.clone()));
                Err(notice)
            }
        }
    }

    /// The calibration that runs, whatever was done to its file since.
    fn in_force(&self, path: &Path) -> Result<CalibrationFile, String> {
        let Some(text) = &self.site.calibration_text else { return Ok(CalibrationFile::default()) };
        let document = Document { file: path.to_owned(), text: text.clone() };
        CalibrationFile::parse(&document).map_err(|p| lines(&p))
    }

    /// Hands the site to the pipeline and waits until it is in force; `false` when the daemon is stopping.
    async fn apply(&mut self, site: SiteFile, what: UpdateKind) -> bool {
        let (done, is_done) = oneshot::channel();
        let update = SiteUpdate { site: Box::new(site.clone()), what, done };
        if self.pipeline.send(update).await.is_err() || is_done.await.is_err() {
            return false;
        }
        self.site = site;
        true
    }
}

fn lines(problems: &[Problem]) -> String {
    problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}
