//! Calibrates the offsets of a data set and grades the tracker on it.

use std::path::Path;

use hereabout_core::{Dimension, Fence, Micros, Timestamp};
use hereabout_solve::tracker::smoother::Smoother;
use hereabout_solve::tracker::{Support, TrackRange, Tracker, TrackerAnchor, TrackerSettings};

#[path = "read.rs"]
mod read;

pub(crate) use read::folder;
use read::{Set, interpolate, read};

/// Figures of one run.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outcome {
    /// Horizontal root mean square error.
    pub(crate) rmse_m: f64,
    /// 95 % of the errors are smaller (type 7).
    pub(crate) ce95_m: f64,
    /// Largest error.
    pub(crate) most_m: f64,
    /// Share of located epochs whose 95 % ellipse holds the truth.
    pub(crate) held: f64,
    /// Share of located epochs with an error beyond the protection radius.
    pub(crate) over_protection: f64,
    /// Median protection radius.
    pub(crate) median_protection_m: f64,
    /// Share of graded epochs that were located.
    pub(crate) share: f64,
    /// Errors above 5 m.
    pub(crate) flips: usize,
    /// Restarts, over the whole set.
    pub(crate) restarts: usize,
    /// RMSE of the stream that is a second late.
    pub(crate) delayed_rmse_m: f64,
    /// Learned σ per anchor.
    pub(crate) sigma_m: Vec<f64>,
    /// Standard error that the offsets were given.
    pub(crate) offset_se_m: Vec<f64>,
}

/// Runs the tracker over a set; `None` when it isn't there.
pub(crate) fn evaluate(base: &Path, name: &str) -> Option<Outcome> {
    let set = read(&base.join(name))?;
    let (offsets, from) = if name == "room_moving" {
        (offsets_from_spots(base)?, f64::NEG_INFINITY)
    } else {
        let start = set.rows.first()?.0;
        let split = start + (set.rows.last()?.0 - start) / 3.0;
        (offsets_until(&set, split), split)
    };
    Some(grade(&set, &offsets, from))
}

fn grade(set: &Set, offsets: &[(f64, f64)], from: f64) -> Outcome {
    let anchors: Vec<TrackerAnchor> = set
        .anchors
        .iter()
        .zip(offsets)
        .map(|(at, (_, se))| TrackerAnchor { at_m: *at, range_sigma_m: 0.10, offset_se_m: Some(*se) })
        .collect();
    let dimension = Dimension::TwoD { tag_height_m: set.height_m };
    // The yard's tag goes up to 47 m away from anchors that stand within 2 m: metres across are normal there.
    let settings = TrackerSettings { lost_radius95_m: 5.0, ..TrackerSettings::default() };
    let mut tracker = Tracker::new(settings, dimension, &Fence::default(), &anchors);
    let mut smoother = Smoother::new(Micros::from_millis(1_000), settings.motion, dimension);
    let mut delayed = Vec::new();
    let (mut errors, mut radii) = (Vec::new(), Vec::new());
    let (mut graded, mut held, mut over) = (0usize, 0usize, 0usize);
    let mut out = Outcome::default();
    for (t, ranges) in &set.rows {
        let told: Vec<TrackRange> = ranges
            .iter()
            .map(|&(i, raw)| TrackRange { anchor_index: i, range_m: raw - offsets[i].0 })
            .collect();
        let e = tracker.update(Timestamp::from_micros((t * 1e6).round() as i64), &told);
        smoother.push(&e);
        while let Some(lagged) = smoother.poll(e.at) {
            let t = lagged.at.unix_secs_f64();
            let truth = interpolate(&set.truth, t).filter(|_| t >= from);
            if let Some((truth, track)) = truth.zip(lagged.track.as_ref()) {
                let (dx, dy) = (track.position_m[0] - truth[0], track.position_m[1] - truth[1]);
                delayed.push(dx * dx + dy * dy);
            }
        }
        out.restarts += usize::from(e.restarted);
        let Some(truth) = interpolate(&set.truth, *t).filter(|_| *t >= from) else { continue };
        graded += 1;
        let Some(track) = e.track.as_ref().filter(|t| t.support == Support::Located) else { continue };
        let (dx, dy) = (track.position_m[0] - truth[0], track.position_m[1] - truth[1]);
        let error = (dx * dx + dy * dy).sqrt();
        let [[a, b, _], [_, c, _], _] = track.covariance_m2;
        let nees = (c * dx * dx - 2.0 * b * dx * dy + a * dy * dy) / (a * c - b * b);
        held += usize::from(nees < 5.991_464_547_11);
        over += usize::from(error > track.protection_radius_m);
        radii.push(track.protection_radius_m);
        errors.push(error);
    }
    errors.sort_by(f64::total_cmp);
    radii.sort_by(f64::total_cmp);
    let n = errors.len().max(1) as f64;
    out.rmse_m = (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt();
    out.delayed_rmse_m = (delayed.iter().sum::<f64>() / delayed.len().max(1) as f64).sqrt();
    out.ce95_m = quantile(&errors, 0.95);
    out.most_m = errors.last().copied().unwrap_or(0.0);
    out.flips = errors.iter().filter(|e| **e > 5.0).count();
    out.held = held as f64 / n;
    out.over_protection = over as f64 / n;
    out.median_protection_m = quantile(&radii, 0.5);
    out.share = errors.len() as f64 / graded.max(1) as f64;
    out.sigma_m = (0..anchors.len()).filter_map(|i| tracker.anchor_stats(i)).map(|s| s.sigma_m).collect();
    out.offset_se_m = offsets.iter().map(|o| o.1).collect();
    out
}

/// Hyndman-Fan type 7.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = p * last as f64;
    let low = at.floor() as usize;
    sorted[low] + (at - low as f64) * (sorted[(low + 1).min(last)] - sorted[low])
}

fn distance(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt()
}

fn median(mut v: Vec<f64>) -> f64 {
    v.sort_by(f64::total_cmp);
    quantile(&v, 0.5)
}

/// Offset and standard error per anchor from the known spots of the static set: mean and spread of the
/// spots' medians. The spread from spot to spot stays: it is what a moving tag meets.
fn offsets_from_spots(base: &Path) -> Option<Vec<(f64, f64)>> {
    let set = read(&base.join("room_static"))?;
    let text = std::fs::read_to_string(base.join("room_static/spots.csv")).ok()?;
    let spots: Vec<(f64, f64, [f64; 3])> = text
        .lines()
        .skip(1)
        .filter_map(|l| {
            let f: Vec<f64> = l.split(',').skip(1).filter_map(|v| v.trim().parse().ok()).collect();
            (f.len() == 5).then(|| (f[0], f[1], [f[2], f[3], f[4]]))
        })
        .collect();
    let per_anchor = |i: usize| {
        let medians: Vec<f64> = spots
            .iter()
            .map(|(from, to, at)| {
                let rows = set.rows.iter().filter(|r| r.0 >= *from && r.0 <= *to);
                let of = rows.flat_map(|r| r.1.iter().filter(|m| m.0 == i));
                median(of.map(|m| m.1 - distance(at, &set.anchors[i])).collect())
            })
            .filter(|m| m.is_finite())
            .collect();
        let n = medians.len() as f64;
        let mean = medians.iter().sum::<f64>() / n;
        let var = medians.iter().map(|m| (m - mean) * (m - mean)).sum::<f64>() / (n - 1.0);
        // The median is 1.25 times less sure than the mean of Gaussian spots.
        (median(medians), 1.25 * (var / n).sqrt())
    };
    Some((0..set.anchors.len()).map(per_anchor).collect())
}

/// Offset and standard error per anchor against the truth until `split`: median residual; the error
/// from the spread of ten block medians.
fn offsets_until(set: &Set, split: f64) -> Vec<(f64, f64)> {
    let per_anchor = |i: usize| {
        let residuals: Vec<f64> = set
            .rows
            .iter()
            .filter(|r| r.0 < split)
            .flat_map(|r| r.1.iter().filter(|m| m.0 == i).map(|m| (r.0, m.1)))
            .filter_map(|(t, raw)| {
                let mut at = interpolate(&set.truth, t)?;
                at[2] = set.height_m;
                Some(raw - distance(&at, &set.anchors[i]))
            })
            .collect();
        let size = residuals.len().div_ceil(10).max(1);
        let blocks: Vec<f64> = residuals.chunks(size).map(|c| median(c.to_vec())).collect();
        let n = blocks.len() as f64;
        let mean = blocks.iter().sum::<f64>() / n;
        let var = blocks.iter().map(|b| (b - mean) * (b - mean)).sum::<f64>() / (n - 1.0).max(1.0);
        let middle = median(residuals.clone());
        let near: Vec<f64> = residuals.into_iter().filter(|r| (r - middle).abs() < 0.3).collect();
        (near.iter().sum::<f64>() / near.len() as f64, (var / n).sqrt())
    };
    (0..set.anchors.len()).map(per_anchor).collect()
}
