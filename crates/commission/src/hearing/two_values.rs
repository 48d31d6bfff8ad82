//! Ranges that jump between two values: two boards that are set to one id answer in turn.
//!
//! **Model.** Each board's distance changes slowly, and it is left to chance which one answers. So the
//! ranges are laid on two tracks: each goes to the nearer track when it lies within what the tag can
//! have moved since that track's last range, and else opens the second track or is a stray.
//!
//! **Verdict.** Two boards, when both tracks have their share, they alternate often, the distance
//! between the tracks is well above noise, and from one change to the next it is nearly the same. A
//! person in the way makes ranges late as well, but seldom in so many turns, and by another amount
//! each time. The limits are chosen, not from a source; the tests show both sides of them.

use hereabout_core::series::upper_median;

/// Fewest ranges that are judged.
const MIN_RANGES: usize = 20;
/// Farthest that a range lies from its track's last one, metres.
const NEAR_M: f64 = 0.35;
/// More for each range that went to the other track meanwhile, metres: 1.5 m/s at ten a second.
const MORE_M: f64 = 0.15;
/// The most that it may come to, metres.
const MAX_SPREAD_M: f64 = 1.5;
/// A track that misses this many in a row began with a stray, and may begin anew.
const STALE: u32 = 25;
/// Smallest distance between the tracks, metres.
const GAP_M: f64 = 0.6;
/// Smallest share of either track, largest share of strays, smallest share of changes.
const TRACK_SHARE: f64 = 0.08;
const STRAY_SHARE: f64 = 0.15;
const CHANGE_SHARE: f64 = 0.08;
/// Largest median change of the gap from one jump to the next, over the gap.
const UNSTEADY: f64 = 0.2;

/// The two values that a range jumps between.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoValues {
    /// The last of the nearer ones, metres.
    pub near_m: f64,
    /// The last of the farther ones, metres.
    pub far_m: f64,
}

#[derive(Clone, Copy, Debug)]
struct Track {
    last_m: f64,
    /// Ranges since then that were not its own.
    missed: u32,
    ranges: usize,
}

impl Track {
    fn reach_m(&self) -> f64 {
        (NEAR_M + MORE_M * f64::from(self.missed)).min(MAX_SPREAD_M)
    }
}

/// Two values in ranges of one anchor in the order of their arrival, metres.
pub(super) fn find(ranges: impl Iterator<Item = f64>) -> Option<TwoValues> {
    let mut tracks: [Option<Track>; 2] = [None; 2];
    let (mut all, mut strays) = (0, 0);
    let mut on = None;
    let mut gaps = Vec::new();
    for range_m in ranges {
        all += 1;
        let Some(now) = lay(&mut tracks, range_m) else {
            strays += 1;
            continue;
        };
        if let (Some(before), [Some(a), Some(b)]) = (on.replace(now), &tracks)
            && before != now
        {
            gaps.push((a.last_m - b.last_m).abs());
        }
    }
    let [Some(a), Some(b)] = tracks else { return None };
    let at_least = |part: usize, share: f64| part as f64 >= share * all as f64;
    let jumps = all >= MIN_RANGES
        && at_least(a.ranges.min(b.ranges), TRACK_SHARE)
        && at_least(gaps.len(), CHANGE_SHARE)
        && !at_least(strays, STRAY_SHARE)
        && is_steady(&gaps);
    jumps.then(|| TwoValues { near_m: a.last_m.min(b.last_m), far_m: a.last_m.max(b.last_m) })
}

/// Puts a range on its track; the track's number, or `None` for a stray.
fn lay(tracks: &mut [Option<Track>; 2], range_m: f64) -> Option<usize> {
    let off_m = |t: &Option<Track>| t.map_or(f64::INFINITY, |t| (t.last_m - range_m).abs());
    let nearer = usize::from(off_m(&tracks[1]) < off_m(&tracks[0]));
    let fits = tracks[nearer].is_some_and(|t| off_m(&tracks[nearer]) <= t.reach_m());
    let place = match tracks.iter().position(Option::is_none) {
        _ if fits => Some(nearer),
        free => free.or_else(|| {
            let stale = tracks.iter_mut().find(|t| t.is_some_and(|t| t.missed > STALE))?;
            *stale = None;
            tracks.iter().position(Option::is_none)
        }),
    };
    for (i, track) in tracks.iter_mut().enumerate() {
        match track {
            Some(t) if place == Some(i) => *t = Track { last_m: range_m, missed: 0, ranges: t.ranges + 1 },
            Some(t) => t.missed = t.missed.saturating_add(1),
            None if place == Some(i) => *track = Some(Track { last_m: range_m, missed: 0, ranges: 1 }),
            None => {}
        }
    }
    place
}

/// Whether the gaps are wide and each is much like the one two jumps before it: the way there and the
/// way back share a value, so that one late range alone would look steady.
fn is_steady(gaps: &[f64]) -> bool {
    let mut changes: Vec<f64> = gaps.windows(3).map(|w| (w[2] - w[0]).abs()).collect();
    let medians = upper_median(&mut gaps.to_vec()).zip(upper_median(&mut changes));
    medians.is_some_and(|(gap_m, change_m)| gap_m >= GAP_M && change_m <= UNSTEADY * gap_m)
}
