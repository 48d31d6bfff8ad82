//! `/metrics`: OpenMetrics text, made afresh from the snapshot of the moment.

use std::{borrow::Cow, fmt};

use hereabout_core::{AnchorId, AnchorState, TagId, TagState, Timestamp};
use hereabout_engine::KitFinding;
use prometheus_client::{
    collector::Collector,
    encoding::{DescriptorEncoder, EncodeMetric, MetricEncoder, text},
    metrics::{MetricType, counter::ConstCounter, gauge::ConstGauge},
    registry::{Registry, Unit},
};

use crate::{
    current::Moment,
    state::expiry::{AnchorNow, Position},
    state::{Connectivity, HubInfo, Snapshot},
    v1::{VerdictName, ZoneAnswerBody, ZoneStateName},
};

const NO_LABEL: [(&str, &str); 0] = [];

/// The whole page. `events` is the number of the newest event.
pub(crate) fn metrics_text(info: HubInfo, moment: Moment, events: u64) -> String {
    let current = moment.current();
    let positions = current.positions().map(|(tag, position)| (tag, owned(position))).collect();
    let anchors = current.anchors().map(|(a, now)| (a.id, now)).collect();
    let zones = current.zone_answers(None, None);
    let mut registry = Registry::with_prefix("hereabout");
    let Moment { now: snapshot, clock, .. } = moment;
    registry.register_collector(Box::new(Scrape {
        info,
        snapshot,
        positions,
        anchors,
        zones,
        events,
        clock,
    }));
    let mut out = String::new();
    // Writing into a String does not fail.
    let _ = text::encode(&mut out, &registry);
    out
}

fn owned(position: Position<'_>) -> Position<'static> {
    Position { report: Cow::Owned(position.report.into_owned()), ..position }
}

/// What is written, as it counts at `clock`.
#[derive(Debug)]
struct Scrape {
    info: HubInfo,
    snapshot: Snapshot,
    positions: Vec<(TagId, Position<'static>)>,
    anchors: Vec<(AnchorId, AnchorNow)>,
    zones: Vec<ZoneAnswerBody>,
    events: u64,
    clock: Timestamp,
}

/// One family: name without unit and prefix, help, unit, and the values with one label each.
struct Family<'a> {
    name: &'a str,
    help: &'a str,
    unit: Option<Unit>,
    label: &'a str,
}

impl Family<'_> {
    fn gauges(&self, encoder: &mut DescriptorEncoder, values: &[(String, f64)]) -> fmt::Result {
        self.write(encoder, MetricType::Gauge, values, |v, e| ConstGauge::new(v).encode(e))
    }

    fn counters(&self, encoder: &mut DescriptorEncoder, values: &[(String, u64)]) -> fmt::Result {
        self.write(encoder, MetricType::Counter, values, |v, e| ConstCounter::new(v).encode(e))
    }

    fn write<V: Copy>(
        &self,
        encoder: &mut DescriptorEncoder,
        kind: MetricType,
        values: &[(String, V)],
        put: impl Fn(V, MetricEncoder) -> fmt::Result,
    ) -> fmt::Result {
        if values.is_empty() {
            return Ok(()); // unknown is absent, never 0
        }
        let mut family = encoder.encode_descriptor(self.name, self.help, self.unit.as_ref(), kind)?;
        if self.label.is_empty() {
            return values
                .iter()
                .take(1)
                .try_for_each(|(_, value)| put(*value, family.encode_family(&NO_LABEL)?));
        }
        for (of, value) in values {
            put(*value, family.encode_family(&[(self.label, of.as_str())])?)?;
        }
        Ok(())
    }
}

impl Collector for Scrape {
    fn encode(&self, mut encoder: DescriptorEncoder) -> fmt::Result {
        let e = &mut encoder;
        self.daemon(e)?;
        self.link_and_decoder(e)?;
        self.outputs(e)?;
        self.zones_and_events(e)?;
        self.anchors(e)?;
        self.log(e)
    }
}

fn one<V>(value: V) -> [(String, V); 1] {
    [(String::new(), value)]
}

fn plain<'a>(name: &'a str, help: &'a str, unit: Option<Unit>) -> Family<'a> {
    Family { name, help, unit, label: "" }
}

fn per<'a>(label: &'a str, name: &'a str, help: &'a str, unit: Option<Unit>) -> Family<'a> {
    Family { name, help, unit, label }
}

impl Scrape {
    fn daemon(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let version = [(self.info.version.clone(), 1.0)];
        per("version", "build_info", "Always 1; the label has the program's version", None)
            .gauges(e, &version)?;
        let started_at = self.info.started_at.plus(self.snapshot.clock.utc_minus_session);
        plain("start_time", "Start of the daemon, Unix time", Some(Unit::Seconds))
            .gauges(e, &one(started_at.unix_secs_f64()))?;
        plain("live_readers", "Readers of /v1/live and /v1/live.sse now", None)
            .gauges(e, &one(self.snapshot.subscribers as f64))?;
        plain("live_missed", "Messages that slow readers did not get", None)
            .counters(e, &one(self.snapshot.counts.missed))?;
        plain("live_pings_unanswered", "Pings of readers that got no pong", None)
            .counters(e, &one(self.snapshot.counts.pings_unanswered))?;
        let synchronised = self.snapshot.clock.synchronised.map(|s| one(f64::from(u8::from(s))));
        plain("clock_synchronised", "1 while the computer's clock is synchronised, else 0", None)
            .gauges(e, synchronised.as_ref().map_or(&[], |s| s.as_slice()))
    }

    fn link_and_decoder(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let up = f64::from(u8::from(self.snapshot.link.state == Connectivity::Connected));
        plain("link_connected", "1 while the link to the kit is connected, else 0", None)
            .gauges(e, &one(up))?;
        let Some(d) = self.snapshot.decoder else { return Ok(()) };
        plain("received", "Bytes heard from the kit", Some(Unit::Bytes)).counters(e, &one(d.bytes))?;
        plain("frames", "Good frames", None).counters(e, &one(d.frames))?;
        plain("bad_checksum_frames", "Frames with a wrong checksum", None)
            .counters(e, &one(d.bad_checksum))?;
        plain("skipped", "Bytes that belonged to no frame", Some(Unit::Bytes))
            .counters(e, &one(d.skipped_bytes))
    }

    fn outputs(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let counts = &self.snapshot.counts;
        let states = ["located", "coasting", "ambiguous", "lost"].map(String::from);
        let by_state: Vec<_> = states.into_iter().zip(counts.positions).collect();
        per("state", "positions", "Position messages by state", None).counters(e, &by_state)?;
        let verdicts = VerdictName::ALL.map(|v| crate::v1::json(&v).trim_matches('"').to_owned());
        let by_verdict: Vec<_> = verdicts.into_iter().zip(counts.verdicts).collect();
        per("verdict", "ranges", "Ranges by what became of them", None).counters(e, &by_verdict)?;
        plain("out_of_order_inputs", "Inputs left out because they were older than the one before", None)
            .counters(e, &one(counts.out_of_order))?;
        plain("too_many_tags_frames", "Frames left out because there was no room for another tag", None)
            .counters(e, &one(counts.too_many_tags))?;
        let tags = || self.positions.iter().map(|(tag, position)| (tag.to_string(), position));
        let ages: Vec<_> = tags().map(|(t, p)| (t, self.clock.since(p.said_for).secs_f64())).collect();
        per("tag", "position_age", "Time since the latest position message of a tag", Some(Unit::Seconds))
            .gauges(e, &ages)?;
        let radius = |p: &Position<'_>| p.report.radius95_m().filter(|r| r.is_finite());
        let radii: Vec<_> = tags().filter_map(|(t, p)| Some((t, radius(p)?))).collect();
        per("tag", "position_radius95", "Radius that holds the tag with 95 %", Some(Unit::Meters))
            .gauges(e, &radii)?;
        let located = |p: &Position<'_>| f64::from(u8::from(p.report.state() == TagState::Located));
        let located: Vec<_> = tags().map(|(t, p)| (t, located(p))).collect();
        per("tag", "tag_located", "1 while the tag's position rests on ranges of its instant, else 0", None)
            .gauges(e, &located)
    }

    fn zones_and_events(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let inside = |z: &ZoneAnswerBody| z.tags.iter().filter(|t| t.state == ZoneStateName::Inside).count();
        let tags: Vec<_> = self.zones.iter().map(|z| (z.zone.clone(), inside(z) as f64)).collect();
        per("zone", "zone_tags_inside", "Tags that are inside the zone for certain", None)
            .gauges(e, &tags)?;
        let known = |z: &ZoneAnswerBody| f64::from(u8::from(z.state != ZoneStateName::Unknown));
        let known: Vec<_> = self.zones.iter().map(|z| (z.zone.clone(), known(z))).collect();
        per("zone", "zone_known", "1 while it is known whether a tag is inside the zone, else 0", None)
            .gauges(e, &known)?;
        plain("event_number", "Number of the newest event", None).gauges(e, &one(self.events as f64))
    }

    fn anchors(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let rows = || self.anchors.iter().map(|(id, now)| (id.to_string(), &now.health));
        let heard: Vec<_> =
            rows().map(|(id, r)| (id, f64::from(u8::from(r.state == AnchorState::Heard)))).collect();
        per("anchor", "anchor_heard", "1 while the anchor was heard within a second, else 0", None)
            .gauges(e, &heard)?;
        let rates = self.anchors.iter().filter_map(|(id, now)| Some((id.to_string(), now.rate_hz?)));
        let rates: Vec<_> = rates.collect();
        per("anchor", "anchor_rate", "Ranges a second over 10 s", Some(Unit::Other("hertz".into())))
            .gauges(e, &rates)?;
        let shares: Vec<_> = rows().filter_map(|(id, r)| Some((id, r.share?))).collect();
        per(
            "anchor",
            "anchor_share",
            "Frames of 10 s that had a range of the anchor",
            Some(Unit::Other("ratio".into())),
        )
        .gauges(e, &shares)?;
        let rejected: Vec<_> = rows().filter_map(|(id, r)| Some((id, r.rejected_share?))).collect();
        per(
            "anchor",
            "anchor_rejected",
            "Ranges of 10 s that the outlier gate left out",
            Some(Unit::Other("ratio".into())),
        )
        .gauges(e, &rejected)?;
        let fits = !self.snapshot.kit().any(|k| matches!(k, KitFinding::SiteDoesNotFit { .. }));
        let fits = self.snapshot.anchors.as_ref().map(|_| one(f64::from(u8::from(fits))));
        plain("site_fits", "0 while ranges and site file are found not to fit each other, else 1", None)
            .gauges(e, fits.as_ref().map_or(&[], |f| f.as_slice()))?;
        let residuals: Vec<_> = rows().filter_map(|(id, r)| Some((id, r.mean_residual_m?))).collect();
        per("anchor", "anchor_residual", "Mean of measured minus computed over 10 s", Some(Unit::Meters))
            .gauges(e, &residuals)
    }

    fn log(&self, e: &mut DescriptorEncoder) -> fmt::Result {
        let Some(log) = &self.snapshot.log else { return Ok(()) };
        plain("log_rows_written", "Rows safely in the log", None).counters(e, &one(log.rows_written))?;
        let dropped = [
            ("frame", log.frames_dropped),
            ("position", log.positions_dropped),
            ("event", log.events_dropped),
        ];
        per("kind", "log_rows_dropped", "Rows that were lost", None)
            .counters(e, &dropped.map(|(kind, n)| (kind.to_owned(), n)))?;
        plain("log_rows_waiting", "Rows that wait to be written", None)
            .gauges(e, &one(log.rows_waiting as f64))?;
        plain("log_failing", "Whether something is wrong with the log", None)
            .gauges(e, &one(f64::from(u8::from(log.problem.is_some()))))
    }
}
