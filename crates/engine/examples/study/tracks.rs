//! Tracker against the oracle, a gated filter and plain least squares, over seeds.

use hereabout_core::{Dimension, Fence, Micros, TagState, Timestamp};
use hereabout_draw::track::{Ellipse, Legend, TrackPicture, TrackPoint};
use hereabout_solve::tracker::smoother::Smoother;
use hereabout_solve::tracker::{Support, TrackEstimate, TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_solve::{ellipse, ellipse_factor};

use crate::kit::{Kit, Nlos, Path, TrueEpoch, apart};
use crate::rivals::{Choice, Filter};
use crate::snapshots::{least_squares, nees, quantile95};

/// Instant of an epoch.
pub(crate) fn stamp(epoch: &TrueEpoch) -> Timestamp {
    Timestamp::from_micros((epoch.t_s * 1e6).round() as i64)
}

/// The epoch as the tracker gets it.
pub(crate) fn told(epoch: &TrueEpoch) -> Vec<TrackRange> {
    epoch.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m }).collect()
}

/// A tracker for the kit, with σ told only roughly (0.10 m).
pub(crate) fn tracker(kit: &Kit, settings: TrackerSettings) -> Tracker {
    let anchor = |at_m: &[f64; 3]| TrackerAnchor {
        at_m: *at_m,
        range_sigma_m: 0.10,
        offset_se_m: Some(kit.offset_sd_m),
    };
    let anchors: Vec<_> = kit.anchors.iter().map(anchor).collect();
    Tracker::new(settings, kit.dimension, &Fence::default(), &anchors)
}

/// Sums over one run.
#[derive(Clone, Debug, Default)]
struct Sums {
    n: usize,
    located: usize,
    ours: f64,
    delayed: f64,
    delayed_n: usize,
    delayed_held: usize,
    oracle: f64,
    gate: f64,
    plain: f64,
    held: usize,
    over: usize,
    nees: f64,
    radius: f64,
}

fn run(kit: &Kit, seconds: f64, seed: u64) -> Sums {
    let settings = settings();
    let q = settings.motion.acceleration_m2ps3;
    let epochs = kit.run(seconds, seed);
    let mut ours = tracker(kit, settings);
    let start = epochs[0].at_m;
    let mut oracle = Filter::new(start, q, Choice::Oracle, kit.dimension);
    let mut gate = Filter::new(start, q, Choice::Gate(3.3), kit.dimension);
    let mut smoother = Smoother::new(Micros::from_millis(1_000), settings.motion, kit.dimension);
    let mut s = Sums::default();
    let mut jumps = 0;
    for (k, epoch) in epochs.iter().enumerate() {
        let dt = if k == 0 { 0.0 } else { epoch.t_s - epochs[k - 1].t_s };
        let e = ours.update(stamp(epoch), &told(epoch));
        smoother.push(&e);
        while let Some(late) = smoother.poll(e.at) {
            let truth = &epochs[(late.at.unix_secs_f64() * kit.rate_hz).round() as usize];
            if let (true, Some(track)) = (truth.t_s >= 10.0, &late.track) {
                s.delayed += apart(&track.position_m, &truth.at_m).powi(2);
                s.delayed_n += 1;
                let t = nees(&track.position_m, &track.covariance_m2, &truth.at_m, kit.dimension);
                s.delayed_held += usize::from(t < quantile95(kit.dimension));
            }
        }
        if epoch.jumps != jumps {
            jumps = epoch.jumps;
            oracle.put(epoch.at_m, kit.dimension);
        }
        let o = oracle.step(dt, epoch, kit);
        let g = gate.step(dt, epoch, kit);
        if epoch.t_s < 10.0 {
            continue;
        }
        s.n += 1;
        s.oracle += apart(&o, &epoch.at_m).powi(2);
        s.gate += apart(&g, &epoch.at_m).powi(2);
        if !kit.one_at_a_time {
            s.plain += apart(&least_squares(kit, epoch), &epoch.at_m).powi(2);
        }
        score(&mut s, &e, epoch, kit);
    }
    s
}

fn score(s: &mut Sums, e: &TrackEstimate, epoch: &TrueEpoch, kit: &Kit) {
    // A lost tag has no place to grade.
    let Some(track) = &e.track else { return };
    let error = apart(&track.position_m, &epoch.at_m);
    s.ours += error * error;
    if e.state() == TagState::Located {
        s.located += 1;
        let t = nees(&track.position_m, &track.covariance_m2, &epoch.at_m, kit.dimension);
        s.nees += t;
        s.held += usize::from(t < quantile95(kit.dimension));
        s.over += usize::from(error > track.protection_radius_m);
        s.radius += track.protection_radius_m;
    }
}

/// The kits of the study with the aim for tracker over oracle.
pub(crate) fn kits() -> Vec<(Kit, f64, &'static str)> {
    let burst = Nlos::Stretches;
    let single = Nlos::Independent;
    let mut list = Vec::new();
    for (p, aim) in [(0.1, "1.05"), (0.2, "1.05"), (0.3, "1.15")] {
        list.push((Kit::plain("8 2D stretches", 8, false, burst(p)), p, aim));
    }
    for (p, aim) in [(0.1, "-"), (0.2, "1.10"), (0.3, "-")] {
        list.push((Kit::plain("8 2D single", 8, false, single(p)), p, aim));
    }
    for (p, aim) in [(0.1, "1.15"), (0.2, "1.15")] {
        list.push((Kit::plain("5 2D stretches", 5, false, burst(p)), p, aim));
        list.push((Kit::plain("4 2D stretches", 4, false, burst(p)), p, "-"));
        list.push((Kit::plain("8 3D stretches", 8, true, burst(p)), p, "1.15"));
        list.push((Kit::plain("8 3D single", 8, true, single(p)), p, "1.15"));
    }
    let base = || Kit::plain("", 8, false, burst(0.1));
    list.push((Kit { name: "still tag", path: Path::Still, ..base() }, 0.1, "-"));
    list.push((Kit { name: "anchor 0 off", anchor_off: true, ..base() }, 0.1, "-"));
    list.push((Kit { name: "duplicate id", double_of_1: Some([12.0, 7.0, 2.6]), ..base() }, 0.1, "-"));
    list.push((Kit { name: "offsets 3 cm", offset_sd_m: 0.03, ..base() }, 0.1, "-"));
    list.push((Kit { name: "sigma 0.5 m", sigma_m: 0.5, ..base() }, 0.1, "-"));
    list.push((Kit { name: "sigma 0.04 m", sigma_m: 0.04, ..base() }, 0.1, "-"));
    list.push((Kit { name: "one at a time", one_at_a_time: true, rate_hz: 36.0, ..base() }, 0.1, "-"));
    list
}

/// Prints the table of the tracker.
pub(crate) fn table(only: &str) {
    println!(
        "Tracker: RMSE over an oracle that knows which ranges are late, 8 seeds of 300 s (aims in brackets)"
    );
    println!(
        "{:<15} {:>4} {:>8} {:>13} {:>6} {:>6} {:>6} {:>7} {:>8} {:>6} {:>8} {:>6} {:>7} {:>7}",
        "kit",
        "p",
        "rmse cm",
        "pooled",
        "median",
        "gate",
        "plain",
        "ellip%",
        "P(e>R)",
        "R m",
        "located%",
        "nees",
        "late cm",
        "ellip%"
    );
    for (kit, p, aim) in kits().into_iter().filter(|k| k.0.name.contains(only)) {
        let runs: Vec<Sums> = (1..=8).map(|seed| run(&kit, 300.0, seed)).collect();
        let sum = |f: fn(&Sums) -> f64| runs.iter().map(f).sum::<f64>();
        let mut ratios: Vec<f64> = runs.iter().map(|r| (r.ours / r.oracle).sqrt()).collect();
        ratios.sort_by(f64::total_cmp);
        let (n, located) = (sum(|r| r.n as f64), sum(|r| r.located as f64));
        println!(
            "{:<15} {:>4} {:>8.1} {:>6.3} [{:>4}] {:>6.2} {:>6.2} {:>6.2} {:>7.1} {:>8.5} {:>6.2} {:>8.2} {:>6.2} {:>7.1} {:>7.1}",
            kit.name,
            p,
            100.0 * (sum(|r| r.ours) / n).sqrt(),
            (sum(|r| r.ours) / sum(|r| r.oracle)).sqrt(),
            aim,
            0.5 * (ratios[3] + ratios[4]),
            (sum(|r| r.gate) / sum(|r| r.oracle)).sqrt(),
            (sum(|r| r.plain) / sum(|r| r.oracle)).sqrt(),
            100.0 * sum(|r| r.held as f64) / located,
            sum(|r| r.over as f64) / located,
            sum(|r| r.radius) / located,
            100.0 * located / n,
            sum(|r| r.nees) / located,
            100.0 * (sum(|r| r.delayed) / sum(|r| r.delayed_n as f64)).sqrt(),
            100.0 * sum(|r| r.delayed_held as f64) / sum(|r| r.delayed_n as f64),
        );
    }
}

/// A minute of a kit, drawn.
pub(crate) fn picture(kit: &Kit, p: f64) -> TrackPicture {
    let legend = Legend {
        mark: "anchor and id",
        area: "area",
        reference: "truth",
        measured: "located",
        predicted: "coasting",
        ellipse: "95 % ellipse",
        restart: "restart",
        series: "tag",
    };
    let anchors = kit.anchors.iter().enumerate().map(|(i, at_m)| (i.to_string(), [at_m[0], at_m[1]]));
    let mut picture = TrackPicture::new(&format!("Study: {}, p = {p}", kit.name), legend, anchors, &[]);
    let mut ours = tracker(kit, settings());
    for epoch in kit.run(60.0, 1) {
        let e = ours.update(stamp(&epoch), &told(&epoch));
        picture.track(0, track_point(&e));
        picture.reference(0, Some([epoch.at_m[0], epoch.at_m[1]]));
    }
    picture
}

/// An estimate as a place of the picture; `None` where it has none.
fn track_point(e: &TrackEstimate) -> Option<TrackPoint> {
    let track = e.track.as_ref().filter(|t| matches!(t.support, Support::Located | Support::Coasting))?;
    let factor = ellipse_factor(Dimension::TwoD { tag_height_m: 0.0 }, 0.95);
    let ellipse = ellipse(&track.covariance_m2).map(|one| Ellipse {
        semi_major_m: factor * one.semi_major_m,
        semi_minor_m: factor * one.semi_minor_m,
        direction_rad: one.direction_rad,
    });
    let [east, north, _] = track.position_m;
    let predicted = track.support == Support::Coasting;
    Some(TrackPoint { at_m: [east, north], ellipse, predicted, restarted: e.restarted })
}

/// Prints how fast the tracker is right again after jumps.
pub(crate) fn jumps() {
    let kit = Kit { name: "jumps", path: Path::Jumps, ..Kit::plain("", 8, false, Nlos::Stretches(0.1)) };
    let mut frames: Vec<usize> = Vec::new();
    for seed in 1..=8 {
        let epochs = kit.run(300.0, seed);
        let mut ours = tracker(&kit, settings());
        let (mut jumps, mut since, mut waiting) = (0, 0, false);
        for epoch in &epochs {
            let e = ours.update(stamp(epoch), &told(epoch));
            if epoch.jumps != jumps {
                jumps = epoch.jumps;
                (since, waiting) = (0, true);
            }
            since += 1;
            if waiting
                && e.state() == TagState::Located
                && apart(&e.track.as_ref().map_or([f64::NAN; 3], |track| track.position_m), &epoch.at_m) < 0.3
            {
                frames.push(since);
                waiting = false;
            }
        }
    }
    frames.sort_unstable();
    println!(
        "Jumps of 1-5 m: {} of {} followed; frames until within 0.3 m again: median {} (aim 3), 95 % {}, most {}",
        frames.len(),
        8 * 29,
        frames[frames.len() / 2],
        frames[frames.len() * 95 / 100],
        frames[frames.len() - 1]
    );
}

/// The defaults, but for a world without the slow errors that real places have.
pub(crate) fn settings() -> TrackerSettings {
    TrackerSettings { slow_error_m: 0.0, tag_offset_m: 0.0, ..TrackerSettings::default() }
}
