//! Position from the ranges of one instant, when some of them may be NLOS.
//!
//! **Model.** n ranges zᵢ = |x − aᵢ| + errorᵢ from anchors at known places aᵢ, with the error density of
//! [`crate::model::error_model`]: good with probability 1 − p, else NLOS or wild. Which ones are good is not
//! known. If it were, weighted least squares over the good ones would be the whole answer. So every
//! subset S of the ranges is taken as "these are the good ones", solved by weighted least squares, and
//! weighed by how well it explains **all** ranges, the left-out ones by the density of bad errors:
//!
//! ```text
//! P   = (Σ_S u·uᵀ/σ²)⁻¹        δ = P · Σ_S u·e/σ²        (u = unit vector anchor → tag, e = z − |x₀ − a|)
//! ln w = −½·cost(δ) + Σ_S ln((1−p)/(σ√2π)) + Σ_out ln(p·bad(e − uᵀδ; √(σ² + uᵀPu))) + ½·ln det 2πP + fence
//! ```
//!
//! The answer is the weighted mean of the subsets' places with the moment-matched covariance; the total
//! weight of the subsets that contain a range is the probability that this range is good. That number
//! **is** the outlier gate: no threshold decides which residual is too large.
//!
//! **Steps.** (1) Start places: intersections of pairs (2D) or triples (3D) of ranges. (2) A few damped
//! Gauss-Newton steps on the robust cost from the best of them; what ends within 0.3 m is one mode.
//! (3) The subsets, linearised at each mode. (4) The sums. With more than [`MAX_FREE`] ranges only the
//! most doubtful ones are tried both ways; the others keep the verdict that they have at the mode.
//!
//! **Two places.** Two ranges, or anchors on a line, leave two modes of like weight. A fence (the site's
//! area grown by 2 m, then a quadratic penalty with s = 0.5 m) can exclude one. Else the outcome is
//! ambiguous and both places are given.
//!
//! **Assumptions.** Ranges of one epoch belong to one instant; noise small against the distances, so
//! that one linearisation per mode does. In 2D the tag height is known and slant ranges are used as
//! they are, with the height difference in the computed distance.
//!
//! **Source.** Weighted least squares and its covariance: any text on adjustment. Summing over subsets
//! is Bayes' rule for the labels; the pruning is this project's own.

pub mod gate;
mod linear_start;
mod linearised;
pub(crate) mod locate;
pub(crate) mod minima;
mod starts;
mod subsets;

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{dot, length, minus, plus};
use hereabout_core::{Dimension, Fence, MAX_ANCHORS, NoFixReason};

use crate::RangeObs;
use crate::math::small_matrix::{Sym, add_outer, full, inverse, largest_eigenvalue, times};
use crate::model::error_model::{ErrorModel, gauss};
use crate::model::protection::{self, MixtureComponent, PROTECTION_RISK};
use subsets::{HeaviestSubsets, MAX_SUBSETS, Subset};

/// The most ranges that are tried both as good and as bad.
pub const MAX_FREE: usize = 8;

/// The most places that are followed up: half of them in 2D, where mirror places are fewer.
pub const MAX_MODES: usize = 8;

/// What the gate thinks of one range.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RangeJudgement {
    /// Probability that the range is good.
    pub p_good: f64,
    /// Measured minus computed from the published place, metres.
    pub residual_m: f64,
    /// The residual over its standard deviation, place uncertainty included.
    pub standardised: f64,
}

/// One place that fits the ranges, with its weight.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SnapshotMode {
    /// Share of the belief, 0 to 1.
    pub weight: f64,
    /// East, north, up, metres.
    pub position_m: [f64; 3],
    /// Covariance, m²; zero rows for what is not estimated.
    pub covariance_m2: [[f64; 3]; 3],
}

/// The single place of one epoch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SnapshotPlace {
    /// East, north, up, metres. Up is the tag height in 2D.
    pub position_m: [f64; 3],
    /// Moment-matched covariance, m²; zero rows for what is not estimated.
    pub covariance_m2: [[f64; 3]; 3],
    /// The error is larger with a probability of at most [`PROTECTION_RISK`], metres.
    pub protection_radius_m: f64,
    /// Whether at least one range more than the dimension + 1 agrees: fewer can't check each other.
    pub checked: bool,
}

/// The outcome of one epoch.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The single place, or why there is none; with [`NoFixReason::TwoPlaces`] `modes` holds both.
    pub place: Result<SnapshotPlace, NoFixReason>,
    /// Places that fit, heaviest first.
    pub modes: ArrayVec<SnapshotMode, MAX_MODES>,
    /// In the order of the input; `None` for a range that is no number or not positive.
    pub ranges: ArrayVec<Option<RangeJudgement>, MAX_ANCHORS>,
    /// Natural logarithm of the probability density of all ranges, the place integrated out with a
    /// flat prior of one per m² (m³ in 3D). Comparable between models, meaningless alone.
    pub ln_evidence: f64,
}

/// How the snapshot works; the defaults are the project's tuning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SnapshotSettings {
    /// Density of range errors: good, NLOS or wild.
    pub model: ErrorModel,
    /// A second place of at least this weight, …
    pub ambiguous_weight: f64,
    /// … at least this far away, makes the outcome ambiguous. Metres.
    pub ambiguous_apart_m: f64,
    /// Places known to no better than this in some direction count as weak geometry. Metres.
    pub weakest_sigma_m: f64,
}

impl Default for SnapshotSettings {
    fn default() -> SnapshotSettings {
        SnapshotSettings {
            model: ErrorModel::default(),
            ambiguous_weight: 0.1,
            ambiguous_apart_m: 1.0,
            weakest_sigma_m: 10.0,
        }
    }
}

/// A usable range with its place in the input.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Used {
    pub(crate) input: usize,
    pub(crate) anchor_m: [f64; 3],
    pub(crate) range_m: f64,
    pub(crate) sigma_m: f64,
}

pub(crate) type UsedRanges = ArrayVec<Used, MAX_ANCHORS>;

/// A range seen from one place.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct LinearisedRange {
    /// Unit vector anchor → place; the vertical part is zero in 2D.
    pub(crate) direction: [f64; 3],
    /// Measured minus computed, metres.
    pub(crate) residual_m: f64,
}

impl Used {
    pub(crate) fn linearise(&self, from_m: &[f64; 3], unknowns: usize) -> LinearisedRange {
        let mut v = minus(*from_m, self.anchor_m);
        let distance = length(v);
        let scale = if distance > 1e-9 { 1.0 / distance } else { 0.0 };
        if unknowns == 2 {
            v[2] = 0.0;
        }
        LinearisedRange { direction: v.map(|c| c * scale), residual_m: self.range_m - distance }
    }
}

/// Natural logarithm of what the fence thinks of a place: 0 inside and up to 2 m outside.
pub(crate) fn fence_ln(fence: &Fence, at_m: [f64; 3]) -> f64 {
    if fence.is_open() {
        return 0.0;
    }
    let t = (fence.excess_m(at_m) - 2.0).max(0.0) / 0.5;
    -0.5 * t * t
}

/// Position from one epoch. Never panics, never gives a NaN; allocates nothing.
///
/// Ranges beyond [`MAX_ANCHORS`] are ignored. See the module's prose for the method.
pub fn snapshot(
    ranges: &[RangeObs],
    dimension: Dimension,
    fence: &Fence,
    settings: &SnapshotSettings,
) -> Snapshot {
    let ranges = &ranges[..ranges.len().min(MAX_ANCHORS)];
    let d = dimension.unknowns();
    let used = usable(ranges);
    if used.len() < d {
        let reason = match used.len() {
            0 => NoFixReason::NoRanges,
            have => NoFixReason::TooFewRanges { have, need: d },
        };
        return nothing(reason, ranges.len());
    }
    let height = match dimension {
        Dimension::TwoD { tag_height_m } => Some(tag_height_m),
        Dimension::ThreeD => None,
    };
    let seeds = starts::find(&used, height, fence);
    let mut modes: ArrayVec<[f64; 3], MAX_MODES> = ArrayVec::new();
    for seed in seeds {
        let end = descend(&used, d, seed, &settings.model);
        if modes.iter().all(|m| length(minus(*m, end)) > 0.3) && !modes.is_full() {
            modes.push(end);
        }
    }
    let fits: ArrayVec<f64, MAX_MODES> =
        modes.iter().map(|m| ln_density(&used, d, m, &settings.model)).collect();
    let best = fits.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut heaviest = HeaviestSubsets::new();
    // A mode that explains the ranges e⁻²⁰ times worse has no subset that matters.
    for i in (0..modes.len()).filter(|&i| fits[i] > best - 20.0) {
        subsets::weigh(&used, d, &modes, i, fence, settings, &mut heaviest);
    }
    sum_up(&used, d, heaviest, settings, ranges.len())
}

/// Numbers that can be ranges: finite, positive, with a usable σ and anchor.
fn usable(ranges: &[RangeObs]) -> UsedRanges {
    let fits = |r: &RangeObs| {
        r.range_m > 0.0
            && r.range_m < 1e6
            && r.sigma_m > 1e-6
            && r.sigma_m < 1e6
            && r.anchor_m.iter().all(|c| c.abs() < 1e6)
    };
    ranges
        .iter()
        .enumerate()
        .filter(|(_, r)| fits(r))
        .map(|(input, r)| Used { input, anchor_m: r.anchor_m, range_m: r.range_m, sigma_m: r.sigma_m })
        .collect()
}

/// Six damped Gauss-Newton steps on the robust cost: every range counts as much as it is likely to be
/// good. The first two steps take the noise twice as large, which widens the basin.
fn descend(used: &UsedRanges, d: usize, from_m: [f64; 3], model: &ErrorModel) -> [f64; 3] {
    let mut x = from_m;
    for step in 0..6 {
        let widen = if step < 2 { 2.0 } else { 1.0 };
        let (mut info, mut rhs): (Sym, [f64; 3]) = ([0.0; 6], [0.0; 3]);
        for r in used {
            let s = r.linearise(&x, d);
            let sigma = r.sigma_m * widen;
            let w = model.good_probability(s.residual_m, sigma) / (sigma * sigma);
            add_outer(&mut info, d, &s.direction, w);
            rhs = plus(rhs, s.direction.map(|c| c * w * s.residual_m));
        }
        // One metre of prior knowledge of the start damps what the geometry leaves open.
        for i in 0..d {
            info[crate::math::small_matrix::at(i, i)] += 1.0;
        }
        let Some((p, _)) = inverse(&info, d) else { break };
        let delta = times(&p, d, &rhs);
        let shrink = 1.0 / length(delta).max(1.0);
        x = plus(x, delta.map(|c| c * shrink));
        if length(delta) < 1e-4 {
            break;
        }
    }
    x
}

/// Σ ln f of all ranges at a place.
fn ln_density(used: &UsedRanges, d: usize, at_m: &[f64; 3], model: &ErrorModel) -> f64 {
    used.iter().map(|r| model.density(r.linearise(at_m, d).residual_m, r.sigma_m).ln()).sum()
}

/// An outcome without a place.
fn nothing(reason: NoFixReason, inputs: usize) -> Snapshot {
    Snapshot {
        place: Err(reason),
        modes: ArrayVec::new(),
        ranges: std::iter::repeat_n(None, inputs).collect(),
        ln_evidence: f64::NEG_INFINITY,
    }
}

/// Mean and covariance of a mixture over `pick`ed subsets; the weight that was picked.
fn moments(subsets: &[Subset], d: usize, pick: impl Fn(&Subset) -> bool) -> (f64, [f64; 3], Sym) {
    let mut total = 0.0;
    let mut mean = [0.0; 3];
    for s in subsets.iter().filter(|s| pick(s)) {
        total += s.weight;
        mean = plus(mean, s.place_m.map(|c| c * s.weight));
    }
    if total.is_nan() || total <= 0.0 {
        return (0.0, [0.0; 3], [0.0; 6]);
    }
    mean = mean.map(|c| c / total);
    let mut cov = [0.0; 6];
    for s in subsets.iter().filter(|s| pick(s)) {
        let w = s.weight / total;
        for (c, p) in cov.iter_mut().zip(&s.covariance_m2) {
            *c += w * p;
        }
        add_outer(&mut cov, d, &minus(s.place_m, mean), w);
    }
    (total, mean, cov)
}

/// Step 4: from weighted subsets to the outcome.
fn sum_up(
    used: &UsedRanges,
    d: usize,
    heaviest: HeaviestSubsets,
    settings: &SnapshotSettings,
    inputs: usize,
) -> Snapshot {
    let (mut subsets, ln_evidence) = heaviest.normalised();
    if subsets.is_empty() {
        return nothing(NoFixReason::WeakGeometry, inputs);
    }
    let mut modes: ArrayVec<SnapshotMode, MAX_MODES> = ArrayVec::new();
    let mut mode_index: ArrayVec<usize, MAX_MODES> = ArrayVec::new();
    for i in 0..MAX_MODES {
        let (weight, position_m, cov) = moments(&subsets, d, |s| s.mode == i);
        if weight > 1e-6 {
            let place = modes.iter().position(|m| m.weight < weight).unwrap_or(modes.len());
            modes.insert(place, SnapshotMode { weight, position_m, covariance_m2: full(&cov, d) });
            mode_index.insert(place, i);
        }
    }
    let ambiguous = modes.get(1).is_some_and(|m| {
        m.weight >= settings.ambiguous_weight
            && length(minus(m.position_m, modes[0].position_m)) > settings.ambiguous_apart_m
    });
    if ambiguous {
        // The mean of two far places is a place where the tag surely is not: describe the likelier one.
        let first = mode_index[0];
        subsets.retain(|s| s.mode == first);
        let total: f64 = subsets.iter().map(|s| s.weight).sum();
        subsets.iter_mut().for_each(|s| s.weight /= total);
    }
    let (_, position_m, cov) = moments(&subsets, d, |_| true);
    let components: ArrayVec<MixtureComponent, MAX_SUBSETS> = subsets
        .iter()
        .map(|s| MixtureComponent {
            weight: s.weight,
            away_m: length(minus(s.place_m, position_m)),
            sigma_m: largest_eigenvalue(&s.covariance_m2, d).sqrt(),
        })
        .collect();
    let agreeing: f64 =
        subsets.iter().filter(|s| s.members.count_ones() as usize >= d + 2).map(|s| s.weight).sum();
    let mut judged: ArrayVec<Option<RangeJudgement>, MAX_ANCHORS> =
        std::iter::repeat_n(None, inputs).collect();
    for (bit, r) in used.iter().enumerate() {
        judged[r.input] = Some(judge(r, bit, &subsets, &position_m, &cov, d));
    }
    let place = SnapshotPlace {
        position_m,
        covariance_m2: full(&cov, d),
        protection_radius_m: protection::protection_radius(&components, d, PROTECTION_RISK),
        checked: agreeing >= 0.5,
    };
    Snapshot {
        place: if ambiguous { Err(NoFixReason::TwoPlaces) } else { Ok(place) },
        modes,
        ranges: judged,
        ln_evidence,
    }
}

/// What the subsets together say about one range.
fn judge(
    r: &Used,
    bit: usize,
    subsets: &[Subset],
    position_m: &[f64; 3],
    cov: &Sym,
    d: usize,
) -> RangeJudgement {
    let p_good: f64 = subsets.iter().filter(|s| s.members & (1 << bit) != 0).map(|s| s.weight).sum();
    let linearised = r.linearise(position_m, d);
    let spread = dot(linearised.direction, times(cov, d, &linearised.direction));
    let sigma2 = r.sigma_m * r.sigma_m;
    // A range that took part pulled the place towards itself: its residual is smaller than its noise.
    let variance = if p_good > 0.5 { (sigma2 - spread).max(0.01 * sigma2) } else { sigma2 + spread };
    RangeJudgement {
        p_good: p_good.min(1.0),
        residual_m: linearised.residual_m,
        standardised: linearised.residual_m / variance.sqrt(),
    }
}

/// ln of a Gaussian density, for reuse by the subsets.
pub(crate) fn good_ln(share: f64, sigma_m: f64) -> f64 {
    (share * gauss(0.0, sigma_m)).ln()
}

#[cfg(test)]
mod tests;
