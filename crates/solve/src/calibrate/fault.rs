//! Who is wrong: one occupation's coordinates, one anchor's place, one anchor's offset, or one level alone?
//!
//! Model: the level of anchor i at occupation k is d(p_k, a_i) + b_i + e, with e ~ N(0, sd²); b_i is free
//! (calibration) or known to a standard error (verification). Each hypothesis adds one shift: of p_k, of
//! a_i, of b_i alone, or of the one level of i at k, which can only be too long ([`crate::calibrate::blocked`]). Distances are taken anew at the shifted place (Gauss-Newton), so that a shift of
//! a metre is as good as one of a decimetre.
//!
//! A hypothesis is judged by Fisher's F: the gain in weighted squares per added unknown over the variance
//! that is left. That variance is steadied by a few degrees of freedom of prior (`PRIOR_DOF`), because the
//! stated standard deviations are about right and the rows few. The best one is named only when chance is
//! excluded for all hypotheses together, when its shift is of a size that matters, and when the best
//! hypothesis about something else explains clearly less; else the candidates are listed. Two things may be wrong
//! at once: what stays proven once the other is taken is no rival of it but the next to be named. One level too
//! long looks a little like a moved occupation, two look much like it: before a place is named, it is held against
//! every two levels of that stand or anchor.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use crate::calibrate::blocked::HatMatrix;
use crate::math::linear::linear_least_squares;

/// The level of one anchor at one occupation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Observation {
    pub(crate) occupation: usize,
    pub(crate) anchor: usize,
    pub(crate) range_m: f64,
    pub(crate) sd_m: f64,
}

/// Everything that the hypotheses are about.
#[derive(Clone, Debug)]
pub(crate) struct FaultModel<'a> {
    pub(crate) anchors_m: &'a [[f64; 3]],
    pub(crate) occupations_m: &'a [[f64; 3]],
    pub(crate) observations: &'a [Observation],
    /// By anchor: standard error of the offset that is taken out already; `None` when it is unknown.
    pub(crate) offset_se_m: &'a [Option<f64>],
    /// Whether one common scale is unknown as well.
    pub(crate) scale: bool,
    /// Coordinates that a place may be wrong in: 2 (east, north) or 3.
    pub(crate) unknowns: usize,
}

/// What may be wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultCandidate {
    /// The coordinates of an occupation or checkpoint, by index.
    OccupationPlace(usize),
    /// The place of an anchor, by index; its offset was found with the right place.
    AnchorPlace(usize),
    /// The place of an anchor and, with it, the offset that was found at the wrong place.
    AnchorPlaceAndOffset(usize),
    /// The offset of an anchor, by index.
    AnchorOffset(usize),
    /// One offset that all boards share: another tag, as a rule.
    AllOffsets,
    /// One scale that all boards share.
    AllScales,
    /// The path between an anchor and the tag at an occupation, by index: no direct one, so the level is too long.
    Path {
        /// Index of the occupation.
        occupation: usize,
        /// Index of the anchor.
        anchor: usize,
    },
}

impl FaultCandidate {
    fn is_path(self) -> bool {
        matches!(self, FaultCandidate::Path { .. })
    }

    /// Whether both are about the same board, the same occupation or the same path.
    fn same_thing(self, other: FaultCandidate) -> bool {
        let key = |s| match s {
            FaultCandidate::OccupationPlace(k) => (0, k, 0),
            FaultCandidate::AnchorPlace(i)
            | FaultCandidate::AnchorPlaceAndOffset(i)
            | FaultCandidate::AnchorOffset(i) => (1, i, 0),
            FaultCandidate::AllOffsets => (2, 0, 0),
            FaultCandidate::AllScales => (3, 0, 0),
            FaultCandidate::Path { occupation, anchor } => (4, occupation, anchor),
        };
        key(self) == key(other)
    }
}

/// A hypothesis that explains the misfit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Explanation {
    /// What is wrong.
    pub candidate: FaultCandidate,
    /// True place minus stated place, metres; zero for an offset.
    pub shift_m: [f64; 3],
    /// Standard error of the shift along each coordinate, metres.
    pub shift_se_m: [f64; 3],
    /// Change of the offset, or excess of the one level, metres (positive: reads longer than stated); zero
    /// for a place.
    pub offset_m: f64,
    /// Change of the scale (0.01: reads one per cent longer than stated); zero for everything else.
    pub scale_change: f64,
    /// Probability of so good an explanation by chance, for all hypotheses together; at most 1.
    pub chance_probability: f64,
}

/// What the hypotheses say together.
#[derive(Clone, Debug, PartialEq)]
pub enum FaultIsolation {
    /// Nothing stands out.
    None,
    /// One thing explains it.
    Named(Explanation),
    /// Something is wrong, and these explain it about equally well, best first.
    Undecided(Vec<Explanation>),
}

/// How sure a name must be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct NamingRule {
    /// Largest probability of chance.
    pub(crate) max_chance_probability: f64,
    /// Smallest shift that is worth a name, metres.
    pub(crate) min_shift_m: f64,
}

/// Least gain, in variances, of the best explanation over the best one about something else.
const MIN_MARGIN_CHI2: f64 = 6.0;
/// The same between a place and a path, which has one unknown less to explain with: for a place that is best,
/// and for a path that is best. Found in trials of both (`blocked_study`).
const MIN_MARGIN_OVER_PATH_CHI2: f64 = 4.0;
const MIN_MARGIN_OF_PATH_CHI2: f64 = 1.0;
/// Degrees of freedom by which the stated standard deviations count as known.
pub(crate) const PRIOR_DOF: f64 = 4.0;
const ROUNDS: usize = 8;
/// A shift beyond this is no shift but another mistake (or a diverging fit), metres.
const MAX_SHIFT_M: f64 = 50.0;

#[derive(Clone)]
pub(crate) struct Fit {
    pub(crate) chi2: f64,
    pub(crate) dof: usize,
    shift_m: [f64; 3],
    shift_cofactor_m2: [f64; 3],
    offset_m: f64,
    scale_change: f64,
    added: usize,
    residuals: DVector<f64>,
}

/// A hypothesis as columns and priors of the adjustment.
#[derive(Clone, Copy, Default)]
struct AddedUnknowns {
    /// The occupation that is moved.
    occupation: Option<usize>,
    /// The anchor that is moved.
    anchor: Option<usize>,
    /// The anchor whose offset is unknown after all.
    freed: Option<usize>,
    /// A column for an offset that all boards share.
    all_offsets: bool,
    /// A column for a scale that all boards share.
    all_scales: bool,
}

impl AddedUnknowns {
    fn of(candidate: Option<FaultCandidate>) -> AddedUnknowns {
        let none = AddedUnknowns::default();
        match candidate {
            // A path is a row of its own, not a column: see `paths`.
            None | Some(FaultCandidate::Path { .. }) => none,
            Some(FaultCandidate::OccupationPlace(k)) => AddedUnknowns { occupation: Some(k), ..none },
            Some(FaultCandidate::AnchorPlace(i)) => AddedUnknowns { anchor: Some(i), ..none },
            Some(FaultCandidate::AnchorPlaceAndOffset(i)) => {
                AddedUnknowns { anchor: Some(i), freed: Some(i), ..none }
            }
            Some(FaultCandidate::AnchorOffset(i)) => AddedUnknowns { freed: Some(i), ..none },
            Some(FaultCandidate::AllOffsets) => AddedUnknowns { all_offsets: true, ..none },
            Some(FaultCandidate::AllScales) => AddedUnknowns { all_scales: true, ..none },
        }
    }

    fn moves(&self) -> bool {
        self.occupation.is_some() || self.anchor.is_some()
    }

    /// Unknowns that the hypothesis adds.
    fn added(&self, coordinates: usize) -> usize {
        let flags = [self.freed.is_some(), self.all_offsets, self.all_scales];
        flags.into_iter().filter(|f| *f).count() + if self.moves() { coordinates } else { 0 }
    }

    /// +1 where the shift moves the occupation of this observation, -1 where it moves its anchor, else 0.
    fn side(&self, o: &Observation) -> f64 {
        if self.occupation == Some(o.occupation) {
            1.0
        } else if self.anchor == Some(o.anchor) {
            -1.0
        } else {
            0.0
        }
    }
}

/// A hypothesis that passed, with what it leaves.
#[derive(Clone, Copy)]
struct ProvenFault {
    chi2: f64,
    variance_factor: f64,
    explanation: Explanation,
}

/// The rows whose path may be blocked.
struct Paths {
    rows: Vec<usize>,
    view: HatMatrix,
}

impl Paths {
    /// Single paths that are proven.
    fn singles(&self, scene: &FaultModel, plain: &Fit, rule: NamingRule) -> Vec<ProvenFault> {
        let one = |r: &usize| {
            let freed = self.view.one(*r)?;
            let fit = plain.without(freed.gain, 1);
            let chance = 0.5 * self.rows.len() as f64 * chance_of_added(freed.gain, 1, &fit);
            let found = scene.path(*r, freed.excess_sigmas[0], &fit, chance);
            (chance <= rule.max_chance_probability && found.explanation.offset_m >= rule.min_shift_m)
                .then_some(found)
        };
        self.rows.iter().filter_map(one).collect()
    }

    /// The two paths of one occupation or one anchor among `rows` that explain most, the longer one first, when
    /// they are proven together.
    fn best_two(
        &self,
        scene: &FaultModel,
        plain: &Fit,
        rule: NamingRule,
        rows: &[usize],
    ) -> Option<[ProvenFault; 2]> {
        let mut best = None;
        let (mut most, mut tried) = (0.0, 0.0);
        for (n, i) in rows.iter().enumerate() {
            for j in &rows[n + 1..] {
                let (a, b) = (&scene.observations[*i], &scene.observations[*j]);
                if a.occupation != b.occupation && a.anchor != b.anchor {
                    continue;
                }
                tried += 1.0;
                let Some(freed) = self.view.two(*i, *j) else { continue };
                let large = freed.excess_sigmas[0] * a.sd_m >= rule.min_shift_m
                    && freed.excess_sigmas[1] * b.sd_m >= rule.min_shift_m;
                if large && freed.gain > most {
                    (most, best) = (freed.gain, Some((*i, *j, freed)));
                }
            }
        }
        let (i, j, freed) = best?;
        let fit = plain.without(freed.gain, 2);
        // Each sign is right by chance in one case of two.
        let chance = 0.25 * tried * chance_of_added(freed.gain, 2, &fit);
        let found = |r, excess| scene.path(r, excess, &fit, chance);
        let mut two = [found(i, freed.excess_sigmas[0]), found(j, freed.excess_sigmas[1])];
        if two[1].explanation.offset_m > two[0].explanation.offset_m {
            two.swap(0, 1);
        }
        (chance <= rule.max_chance_probability).then_some(two)
    }
}

impl Observation {
    fn path(&self) -> FaultCandidate {
        FaultCandidate::Path { occupation: self.occupation, anchor: self.anchor }
    }
}

impl Fit {
    /// The same with `rows` rows freed.
    fn without(&self, gain: f64, rows: usize) -> Fit {
        Fit { chi2: (self.chi2 - gain).max(0.0), dof: self.dof.saturating_sub(rows), ..self.clone() }
    }

    /// Variance of unit weight, steadied by the prior.
    pub(crate) fn variance(&self) -> f64 {
        (PRIOR_DOF + self.chi2) / (PRIOR_DOF + self.dof as f64)
    }
}

impl FaultModel<'_> {
    /// Tries every hypothesis of `candidates`.
    pub(crate) fn explain(&self, candidates: &[FaultCandidate], rule: NamingRule) -> FaultIsolation {
        let Some(plain) = self.fit(None) else { return FaultIsolation::None };
        let paths = self.paths(candidates);
        let mut found = self.places(candidates, &plain, rule);
        found.extend(paths.as_ref().map_or_else(Vec::new, |p| p.singles(self, &plain, rule)));
        found.sort_by(|a, b| {
            a.explanation
                .chance_probability
                .total_cmp(&b.explanation.chance_probability)
                .then(a.chi2.total_cmp(&b.chi2))
        });
        if let Some(paths) = &paths {
            self.drop_subsumed(&mut found, paths.rows.len(), rule);
        }
        let Some(best) = found.first().copied() else {
            let two = paths.and_then(|p| p.best_two(self, &plain, rule, &p.rows));
            return two.map_or(FaultIsolation::None, |[e, _]| FaultIsolation::Named(e.explanation));
        };
        let near: Vec<Explanation> = found[1..]
            .iter()
            .filter(|f| !f.explanation.candidate.same_thing(best.explanation.candidate))
            .filter(|f| f.chi2 - best.chi2 < margin(&best, f) * best.variance_factor)
            .filter(|f| !paths.as_ref().is_some_and(|p| self.both_proven(p, &best, f, &plain, rule)))
            .map(|f| f.explanation)
            .collect();
        if let (Some(paths), false) = (&paths, best.explanation.candidate.is_path())
            && let Some(two) =
                paths.best_two(self, &plain, rule, &self.rows_of(best.explanation.candidate, &paths.rows))
            && best.chi2 - two[0].chi2 >= MIN_MARGIN_CHI2 * two[0].variance_factor
        {
            return FaultIsolation::Named(two[0].explanation);
        }
        if near.is_empty() {
            return FaultIsolation::Named(best.explanation);
        }
        FaultIsolation::Undecided(std::iter::once(best.explanation).chain(near).collect())
    }

    /// Hypotheses about places, offsets and scales that are proven.
    fn places(&self, candidates: &[FaultCandidate], plain: &Fit, rule: NamingRule) -> Vec<ProvenFault> {
        let tried = candidates.iter().filter(|s| !s.is_path()).count() as f64;
        let one = |candidate: &FaultCandidate| {
            let fit = self.fit(Some(*candidate))?;
            let chance = (tried * chance_of((plain.chi2 - fit.chi2).max(0.0), &fit)).min(1.0);
            let root = fit.variance().sqrt();
            let explanation = Explanation {
                candidate: *candidate,
                shift_m: fit.shift_m,
                shift_se_m: fit.shift_cofactor_m2.map(|c| root * c.max(0.0).sqrt()),
                offset_m: fit.offset_m,
                scale_change: fit.scale_change,
                chance_probability: chance,
            };
            let worth = chance <= rule.max_chance_probability && size(&explanation) >= rule.min_shift_m;
            worth.then(|| ProvenFault { chi2: fit.chi2, variance_factor: fit.variance(), explanation })
        };
        candidates.iter().filter(|s| !s.is_path()).filter_map(one).collect()
    }

    /// A path as an explanation; `excess_sigmas` is in the row's standard deviations, `fit` what is left.
    fn path(&self, row: usize, excess_sigmas: f64, fit: &Fit, chance_probability: f64) -> ProvenFault {
        let o = &self.observations[row];
        let explanation = Explanation {
            candidate: o.path(),
            shift_m: [0.0; 3],
            shift_se_m: [0.0; 3],
            offset_m: excess_sigmas * o.sd_m,
            scale_change: 0.0,
            chance_probability: chance_probability.min(1.0),
        };
        ProvenFault { chi2: fit.chi2, variance_factor: fit.variance(), explanation }
    }

    /// What is needed to judge paths; `None` when there is none among the candidates.
    fn paths(&self, candidates: &[FaultCandidate]) -> Option<Paths> {
        let asked = |o: &Observation| {
            let own = |s: &FaultCandidate| {
                *s == FaultCandidate::Path { occupation: o.occupation, anchor: o.anchor }
            };
            candidates.iter().any(own)
        };
        let rows: Vec<usize> =
            (0..self.observations.len()).filter(|r| asked(&self.observations[*r])).collect();
        if rows.is_empty() {
            return None;
        }
        let (design, observed) = self.rows(&AddedUnknowns::default(), [0.0; 3]);
        let fit = linear_least_squares(&design, &observed).ok()?;
        Some(Paths { rows, view: HatMatrix::new(design, fit) })
    }

    /// Those of `rows` that are about the occupation or the anchor of a candidate.
    fn rows_of(&self, candidate: FaultCandidate, rows: &[usize]) -> Vec<usize> {
        let about = |o: &Observation| match candidate {
            FaultCandidate::OccupationPlace(k) => o.occupation == k,
            FaultCandidate::AnchorPlace(i)
            | FaultCandidate::AnchorPlaceAndOffset(i)
            | FaultCandidate::AnchorOffset(i) => o.anchor == i,
            _ => false,
        };
        rows.iter().copied().filter(|r| about(&self.observations[*r])).collect()
    }

    /// Takes out paths that are proven only as long as a wrong place, itself proven without them, is not reported.
    fn drop_subsumed(&self, found: &mut Vec<ProvenFault>, tried: usize, rule: NamingRule) {
        while let Some(best) = found.first().copied().filter(|f| f.explanation.candidate.is_path()) {
            let subsumes = |f: &ProvenFault| {
                !f.explanation.candidate.is_path()
                    && f.chi2 < best.chi2
                    && self.together(&best, f, tried, rule) == Some((false, true))
            };
            if !found[1..].iter().any(subsumes) {
                return;
            }
            found.remove(0);
        }
    }

    /// Whether a path is proven once a place is reported, and the place once the path is.
    fn together(
        &self,
        path: &ProvenFault,
        place: &ProvenFault,
        tried: usize,
        rule: NamingRule,
    ) -> Option<(bool, bool)> {
        let FaultCandidate::Path { occupation, anchor } = path.explanation.candidate else {
            return None;
        };
        let row = self.observations.iter().position(|o| (o.occupation, o.anchor) == (occupation, anchor))?;
        let mut rest = self.observations.to_vec();
        rest.remove(row);
        let both =
            FaultModel { observations: &rest, ..self.clone() }.fit(Some(place.explanation.candidate))?;
        let long = self.fit(Some(place.explanation.candidate))?.residuals[row] > 0.0;
        let gain = place.chi2 - both.chi2;
        let path_chance = if long { 0.5 * tried as f64 * chance_of_added(gain, 1, &both) } else { 1.0 };
        let place_chance = tried as f64 * chance_of(path.chi2 - both.chi2, &both);
        Some((path_chance <= rule.max_chance_probability, place_chance <= rule.max_chance_probability))
    }

    /// Whether two proven things are wrong at once: each stays proven when the other is reported.
    fn both_proven(
        &self,
        paths: &Paths,
        a: &ProvenFault,
        b: &ProvenFault,
        plain: &Fit,
        rule: NamingRule,
    ) -> bool {
        match (a.explanation.candidate, b.explanation.candidate) {
            (FaultCandidate::Path { .. }, FaultCandidate::Path { .. }) => {
                let row = |f: &ProvenFault| {
                    let own = |r: &&usize| self.observations[**r].path() == f.explanation.candidate;
                    paths.rows.iter().find(own).copied()
                };
                let (Some(i), Some(j)) = (row(a), row(b)) else { return false };
                let Some(two) = paths.view.two(i, j) else { return false };
                let left = plain.without(two.gain, 2);
                let proven = |f: &ProvenFault, excess: f64| {
                    let chance =
                        0.5 * paths.rows.len() as f64 * chance_of_added(f.chi2 - left.chi2, 1, &left);
                    excess > 0.0 && chance <= rule.max_chance_probability
                };
                proven(b, two.excess_sigmas[0]) && proven(a, two.excess_sigmas[1])
            }
            (FaultCandidate::Path { .. }, _) => {
                self.together(a, b, paths.rows.len(), rule) == Some((true, true))
            }
            (_, FaultCandidate::Path { .. }) => {
                self.together(b, a, paths.rows.len(), rule) == Some((true, true))
            }
            _ => false,
        }
    }

    /// The adjustment with one hypothesis, or plain. `None` when the rows do not determine it.
    pub(crate) fn fit(&self, candidate: Option<FaultCandidate>) -> Option<Fit> {
        let change = AddedUnknowns::of(candidate);
        let moved = if change.moves() { self.unknowns.min(3) } else { 0 };
        let mut shift_m = [0.0; 3];
        for round in 0..ROUNDS {
            let (design, observed) = self.rows(&change, shift_m);
            let fit = linear_least_squares(&design, &observed).ok()?;
            let first = fit.unknowns.len() - moved;
            let steps = fit.unknowns.rows(first, moved);
            for (sum, step) in shift_m.iter_mut().zip(steps.iter()) {
                *sum += step;
            }
            if shift_m.iter().any(|s| s.abs() > MAX_SHIFT_M) {
                return None;
            }
            if steps.iter().all(|s| s.abs() < 1e-4) || round + 1 == ROUNDS {
                let mut shift_cofactor = [0.0; 3];
                for (c, value) in shift_cofactor.iter_mut().enumerate().take(moved) {
                    *value = fit.cofactor[(first + c, first + c)];
                }
                let own = change.freed.and_then(|i| self.column(i));
                let offset_column = own.or(change.all_offsets.then(|| first.saturating_sub(1)));
                return Some(Fit {
                    chi2: fit.rss,
                    dof: fit.dof,
                    shift_m,
                    shift_cofactor_m2: shift_cofactor,
                    offset_m: offset_column.map_or(0.0, |c| fit.unknowns[c]),
                    scale_change: if change.all_scales { fit.unknowns[first - 1] } else { 0.0 },
                    added: change.added(moved),
                    residuals: fit.residuals,
                });
            }
        }
        None
    }

    /// Column of an anchor's offset: anchors without an observation have none.
    fn column(&self, anchor: usize) -> Option<usize> {
        let seen = |i: usize| self.observations.iter().any(|o| o.anchor == i);
        seen(anchor).then(|| (0..anchor).filter(|i| seen(*i)).count())
    }

    /// Rows divided by their standard deviations: observations, then priors of the offsets. Columns:
    /// offsets, scale, what all boards share, shift.
    fn rows(&self, change: &AddedUnknowns, shift_m: [f64; 3]) -> (DMatrix<f64>, DVector<f64>) {
        let columns: Vec<Option<usize>> = (0..self.anchors_m.len()).map(|i| self.column(i)).collect();
        let offsets = columns.iter().flatten().count();
        let shared = offsets + usize::from(self.scale);
        let first = shared + usize::from(change.all_offsets || change.all_scales);
        let moved = if change.moves() { self.unknowns.min(3) } else { 0 };
        let prior = |i: usize| self.offset_se_m.get(i).copied().flatten().filter(|_| change.freed != Some(i));
        let priors: Vec<(usize, f64)> =
            (0..columns.len()).filter_map(|i| Some((columns[i]?, prior(i)?))).collect();
        let count = self.observations.len();
        let mut design = DMatrix::zeros(count + priors.len(), first + moved);
        let mut observed = DVector::zeros(count + priors.len());
        for (r, o) in self.observations.iter().enumerate() {
            let side = change.side(o);
            let (p, a) = (self.occupations_m[o.occupation], self.anchors_m[o.anchor]);
            let v: [f64; 3] = std::array::from_fn(|c| p[c] - a[c] + side * shift_m[c]);
            let d = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt().max(1e-3);
            let weight = 1.0 / o.sd_m.max(1e-4);
            if let Some(c) = columns[o.anchor] {
                design[(r, c)] = weight;
            }
            if self.scale {
                design[(r, offsets)] = weight * d;
            }
            if change.all_offsets {
                design[(r, shared)] = weight;
            }
            if change.all_scales {
                design[(r, shared)] = weight * d;
            }
            for (c, along) in v.iter().enumerate().take(moved) {
                design[(r, first + c)] = weight * side * along / d;
            }
            observed[r] = weight * (o.range_m - d);
        }
        for (r, (c, se)) in priors.into_iter().enumerate() {
            design[(count + r, c)] = 1.0 / se.max(1e-4);
        }
        (design, observed)
    }
}

/// How clearly `best` must explain more than `other`, in variances.
fn margin(best: &ProvenFault, other: &ProvenFault) -> f64 {
    match (best.explanation.candidate.is_path(), other.explanation.candidate.is_path()) {
        (false, true) => MIN_MARGIN_OVER_PATH_CHI2,
        (true, false) => MIN_MARGIN_OF_PATH_CHI2,
        _ => MIN_MARGIN_CHI2,
    }
}

/// Size in metres of what is wrong; a scale counts at ten metres.
fn size(e: &Explanation) -> f64 {
    let place = e.shift_m.iter().map(|s| s * s).sum::<f64>().sqrt();
    place.max(e.offset_m.abs()).max(10.0 * e.scale_change.abs())
}

/// Probability that the unknowns of `fit` gain so much though they mean nothing.
fn chance_of(gain: f64, fit: &Fit) -> f64 {
    chance_of_added(gain, fit.added, fit)
}

/// The same for so many unknowns that `fit` has more than what it is held against.
fn chance_of_added(gain: f64, added: usize, fit: &Fit) -> f64 {
    if added == 0 || gain <= 0.0 {
        return 1.0;
    }
    let f = gain / added as f64 / fit.variance();
    FisherSnedecor::new(added as f64, PRIOR_DOF + fit.dof as f64).map_or(1.0, |law| law.sf(f))
}

#[cfg(test)]
mod tests;
