//! The daemon at one moment: its counters, and what needs a person, in words.

use hereabout_words::status as words;
use hereabout_words::time::rfc3339;

use crate::{
    health::Diagnosis,
    state::HubInfo,
    v1::{ChangesBody, ClockBody, DecoderBody, LinkBody, LiveBody, LogBody, OutputsBody, StatusBody},
};

use super::Moment;

/// What of the service itself belongs to its status.
pub(crate) struct Service<'a> {
    pub(crate) info: &'a HubInfo,
    /// Why no positions are to be expected just now; `None` when they are.
    pub(crate) not_ready: Option<String>,
    pub(crate) changes: ChangesBody,
    /// What needs a person about the rights to change, in words.
    pub(crate) problems: &'a [String],
    /// Seconds since the daemon's start, by its steady clock.
    pub(crate) uptime_s: f64,
}

/// The body of `/v1/status`.
pub(crate) fn status_body(moment: &Moment, service: Service<'_>) -> StatusBody {
    let (info, now) = (service.info, &moment.now);
    StatusBody {
        version: info.version.clone(),
        site: info.site.name.clone(),
        started_at: rfc3339(info.started_at.plus(now.clock.utc_minus_session)),
        now: rfc3339(moment.clock),
        uptime_s: service.uptime_s,
        clock: ClockBody {
            synchronised: now.clock.synchronised,
            utc_minus_session_s: now.clock.utc_minus_session.secs_f64(),
            changed_at: now.clock.changed_at.map(rfc3339),
        },
        link: LinkBody::of(&now.link, &info.source),
        decoder: now.decoder.map(|d| DecoderBody {
            bytes: d.bytes,
            frames: d.frames,
            bad_checksum: d.bad_checksum,
            skipped_bytes: d.skipped_bytes,
        }),
        outputs: OutputsBody {
            positions: now.counts.positions.iter().sum(),
            epochs: now.counts.epochs,
            out_of_order: now.counts.out_of_order,
            too_many_tags: now.counts.too_many_tags,
            tags: now.tags.len(),
        },
        log: now.log.clone().map(|l| LogBody {
            rows_written: l.rows_written,
            rows_waiting: l.rows_waiting,
            rows_dropped: l.rows_dropped(),
            frames_dropped: l.frames_dropped,
            positions_dropped: l.positions_dropped,
            events_dropped: l.events_dropped,
            path: l.path,
            problem: l.problem,
        }),
        live: LiveBody {
            subscribers: now.subscribers,
            missed: now.counts.missed,
            pings_unanswered: now.counts.pings_unanswered,
        },
        problems: problems(moment, &service),
        changes: service.changes,
    }
}

/// What needs a person, in words.
fn problems(moment: &Moment, service: &Service<'_>) -> Vec<String> {
    let (now, current) = (&moment.now, moment.current());
    let mut found: Vec<String> = service.not_ready.clone().into_iter().collect();
    found.extend(now.notice.clone());
    found.extend(service.problems.iter().cloned());
    found.extend(now.adapter_note.clone());
    if now.clock.synchronised == Some(false) {
        found.push(words::clock_not_synchronised().line());
    }
    // A site in doubt is why the daemon is not ready, which has been said then.
    let kit = now.kit().map(|finding| hereabout_words::kit::found(finding, (&*moment.site).into()));
    let kit: Vec<_> = kit.filter(|said| !found.iter().any(|f| f.contains(&said.words))).collect();
    found.extend(kit.iter().map(|said| format!("kit: {}: {}", said.words, said.advice)));
    // Without a link or a tag every anchor is silent: that is one problem, not one per anchor.
    let around = current.around();
    let anchors = moment.site.anchors.iter().filter(|_| around.nothing_is_heard().is_none());
    found.extend(anchors.filter_map(|anchor| {
        let now = current.anchor(anchor);
        let diagnosis = Diagnosis::of(anchor.id, now.as_ref().map(|n| &n.health), around);
        let said = diagnosis.said().next()?;
        Some(format!("anchor {} ({}): {}: {}", anchor.id, anchor.name, said.words, said.advice))
    }));
    if let Some(log) = &now.log {
        found.extend(log.problem.iter().map(|p| format!("log {}: {p}", log.path)));
        if log.rows_dropped() > 0 {
            let lost = [log.frames_dropped, log.positions_dropped, log.events_dropped];
            found.push(words::log_rows_lost(&log.path, lost).line());
        }
    }
    let counts = &now.counts;
    if counts.too_many_tags > 0 {
        found.push(words::too_many_tags(counts.too_many_tags, hereabout_core::MAX_TAGS).line());
    }
    found
}
