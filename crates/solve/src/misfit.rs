//! Who is wrong: one stand's coordinates, one anchor's place, or one anchor's offset?
//!
//! Model: the level of anchor i at stand k is d(p_k, a_i) + b_i + e, with e ~ N(0, sd²); b_i is free
//! (calibration) or known to a standard error (verification). Each hypothesis adds one shift: of p_k, of
//! a_i, or of b_i alone. Distances are taken anew at the shifted place (Gauss-Newton), so that a shift of
//! a metre is as good as one of a decimetre.
//!
//! A hypothesis is judged by Fisher's F: the gain in weighted squares per added unknown over the variance
//! that is left. That variance is steadied by a few degrees of freedom of prior (`PRIOR_DOF`), because the
//! stated standard deviations are about right and the rows few. The best one is named only when chance is
//! excluded for all hypotheses together, when its shift is of a size that matters, and when the best
//! hypothesis about something else explains clearly less; else the suspects are listed.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use crate::linear::linear_least_squares;

/// The level of one anchor at one stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Observation {
    pub(crate) stand: usize,
    pub(crate) anchor: usize,
    pub(crate) range_m: f64,
    pub(crate) sd_m: f64,
}

/// Everything that the hypotheses are about.
#[derive(Clone, Debug)]
pub(crate) struct Scene<'a> {
    pub(crate) anchors_m: &'a [[f64; 3]],
    pub(crate) stands_m: &'a [[f64; 3]],
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
pub enum Suspect {
    /// The coordinates of a stand or checkpoint, by index.
    StandPlace(usize),
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
}

impl Suspect {
    /// Whether both are about the same board or the same stand.
    fn same_thing(self, other: Suspect) -> bool {
        let key = |s| match s {
            Suspect::StandPlace(k) => (0, k),
            Suspect::AnchorPlace(i) | Suspect::AnchorPlaceAndOffset(i) | Suspect::AnchorOffset(i) => (1, i),
            Suspect::AllOffsets => (2, 0),
            Suspect::AllScales => (3, 0),
        };
        key(self) == key(other)
    }
}

/// A hypothesis that explains the misfit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Explanation {
    /// What is wrong.
    pub suspect: Suspect,
    /// True place minus stated place, metres; zero for an offset.
    pub shift_m: [f64; 3],
    /// Standard error of the shift along each coordinate, metres.
    pub shift_se_m: [f64; 3],
    /// Change of the offset, metres (positive: reads longer than stated); zero for a place.
    pub offset_m: f64,
    /// Change of the scale (0.01: reads one per cent longer than stated); zero for everything else.
    pub scale_change: f64,
    /// Probability of so good an explanation by chance, for all hypotheses together; at most 1.
    pub chance: f64,
}

/// What the hypotheses say together.
#[derive(Clone, Debug, PartialEq)]
pub enum Misfit {
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
    pub(crate) chance: f64,
    /// Smallest shift that is worth a name, metres.
    pub(crate) least_shift_m: f64,
}

/// Least gain, in variances, of the best explanation over the best one about something else.
const MARGIN: f64 = 6.0;
/// Degrees of freedom by which the stated standard deviations count as known.
pub(crate) const PRIOR_DOF: f64 = 4.0;
const ROUNDS: usize = 8;
/// A shift beyond this is no shift but another mistake (or a diverging fit), metres.
const SHIFT_MAX_M: f64 = 50.0;

pub(crate) struct Fit {
    pub(crate) rss: f64,
    pub(crate) dof: usize,
    shift_m: [f64; 3],
    shift_cofactor: [f64; 3],
    offset_m: f64,
    scale_change: f64,
    added: usize,
}

/// A hypothesis as columns and priors of the adjustment.
#[derive(Clone, Copy, Default)]
struct Change {
    /// The stand that is moved.
    stand: Option<usize>,
    /// The anchor that is moved.
    anchor: Option<usize>,
    /// The anchor whose offset is unknown after all.
    freed: Option<usize>,
    /// A column for an offset that all boards share.
    all_offsets: bool,
    /// A column for a scale that all boards share.
    all_scales: bool,
}

impl Change {
    fn of(suspect: Option<Suspect>) -> Change {
        let none = Change::default();
        match suspect {
            None => none,
            Some(Suspect::StandPlace(k)) => Change { stand: Some(k), ..none },
            Some(Suspect::AnchorPlace(i)) => Change { anchor: Some(i), ..none },
            Some(Suspect::AnchorPlaceAndOffset(i)) => Change { anchor: Some(i), freed: Some(i), ..none },
            Some(Suspect::AnchorOffset(i)) => Change { freed: Some(i), ..none },
            Some(Suspect::AllOffsets) => Change { all_offsets: true, ..none },
            Some(Suspect::AllScales) => Change { all_scales: true, ..none },
        }
    }

    fn moves(&self) -> bool {
        self.stand.is_some() || self.anchor.is_some()
    }

    /// Unknowns that the hypothesis adds.
    fn added(&self, coordinates: usize) -> usize {
        let flags = [self.freed.is_some(), self.all_offsets, self.all_scales];
        flags.into_iter().filter(|f| *f).count() + if self.moves() { coordinates } else { 0 }
    }

    /// +1 where the shift moves the stand of this observation, -1 where it moves its anchor, else 0.
    fn side(&self, o: &Observation) -> f64 {
        if self.stand == Some(o.stand) {
            1.0
        } else if self.anchor == Some(o.anchor) {
            -1.0
        } else {
            0.0
        }
    }
}

impl Fit {
    /// Variance of unit weight, steadied by the prior.
    pub(crate) fn variance(&self) -> f64 {
        (PRIOR_DOF + self.rss) / (PRIOR_DOF + self.dof as f64)
    }
}

impl Scene<'_> {
    /// Tries every hypothesis of `suspects`.
    pub(crate) fn explain(&self, suspects: &[Suspect], rule: NamingRule) -> Misfit {
        let Some(plain) = self.fit(None) else { return Misfit::None };
        let mut found: Vec<(f64, f64, Explanation)> = Vec::new();
        for &suspect in suspects {
            let Some(fit) = self.fit(Some(suspect)) else { continue };
            let gain = (plain.rss - fit.rss).max(0.0);
            let chance = (suspects.len() as f64 * chance_of(gain, &fit)).min(1.0);
            let root = fit.variance().sqrt();
            let explanation = Explanation {
                suspect,
                shift_m: fit.shift_m,
                shift_se_m: fit.shift_cofactor.map(|c| root * c.max(0.0).sqrt()),
                offset_m: fit.offset_m,
                scale_change: fit.scale_change,
                chance,
            };
            if chance <= rule.chance && size(&explanation) >= rule.least_shift_m {
                found.push((fit.rss, fit.variance(), explanation));
            }
        }
        found.sort_by(|a, b| a.2.chance.total_cmp(&b.2.chance).then(a.0.total_cmp(&b.0)));
        let Some((rss, variance, best)) = found.first().copied() else { return Misfit::None };
        let near: Vec<Explanation> = found
            .iter()
            .filter(|(r, _, e)| !e.suspect.same_thing(best.suspect) && r - rss < MARGIN * variance)
            .map(|(_, _, e)| *e)
            .collect();
        if near.is_empty() {
            return Misfit::Named(best);
        }
        Misfit::Undecided(std::iter::once(best).chain(near).collect())
    }

    /// The adjustment with one hypothesis, or plain. `None` when the rows do not determine it.
    pub(crate) fn fit(&self, suspect: Option<Suspect>) -> Option<Fit> {
        let change = Change::of(suspect);
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
            if shift_m.iter().any(|s| s.abs() > SHIFT_MAX_M) {
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
                    rss: fit.rss,
                    dof: fit.dof,
                    shift_m,
                    shift_cofactor,
                    offset_m: offset_column.map_or(0.0, |c| fit.unknowns[c]),
                    scale_change: if change.all_scales { fit.unknowns[first - 1] } else { 0.0 },
                    added: change.added(moved),
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
    fn rows(&self, change: &Change, shift_m: [f64; 3]) -> (DMatrix<f64>, DVector<f64>) {
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
            let (p, a) = (self.stands_m[o.stand], self.anchors_m[o.anchor]);
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

/// Size in metres of what is wrong; a scale counts at ten metres.
fn size(e: &Explanation) -> f64 {
    let place = e.shift_m.iter().map(|s| s * s).sum::<f64>().sqrt();
    place.max(e.offset_m.abs()).max(10.0 * e.scale_change.abs())
}

/// Probability that unknowns which mean nothing gain so much.
fn chance_of(gain: f64, fit: &Fit) -> f64 {
    if fit.added == 0 || gain <= 0.0 {
        return 1.0;
    }
    let f = gain / fit.added as f64 / fit.variance();
    FisherSnedecor::new(fit.added as f64, PRIOR_DOF + fit.dof as f64).map_or(1.0, |law| law.sf(f))
}

#[cfg(test)]
#[path = "misfit_tests.rs"]
mod tests;
