//! The damped Gauss-Newton core that every least-squares problem of this crate goes through.
//!
//! **Model.** `m` observations, each with a residual `v_i(x)` = (measured − computed) / σ of the
//! observation, and `P` unknowns `x`. Wanted is the `x` with the smallest cost `Σ v_i²`.
//!
//! **Step.** The caller linearises: row `a_i` = ∂computed/∂x / σ. The core gathers the normal
//! equations `N = Σ a_i a_iᵀ`, `g = Σ a_i v_i` and solves `(N + μD) δ = g` by Cholesky. `μ` starts at 0,
//! which is plain Gauss-Newton; when the cost grows or `N` is singular, `μ` is raised tenfold until the
//! step is short enough to help (Levenberg 1944, Marquardt 1963). `D` holds the largest diagonal of `N`
//! seen so far, so that unknowns in different units are damped alike (Moré 1978).
//!
//! **Bend.** Gauss-Newton leaves out the second derivatives of the model, and crawls where residuals are large
//! (an epoch with an NLOS range). A caller that knows them cheaply hands over `B = Σ v_i ∂²computed_i/∂x² /
//! σ_i`; the step then solves `(N − B + μD) δ = g`, Newton's, wherever that matrix is positive definite, and
//! `(N + μD) δ = g` elsewhere.
//!
//! **End.** The decrement `gᵀδ` is what a full step would gain if the model were linear. Where the residuals
//! are in standard deviations it is the squared length of the step in standard deviations of `x`, so "below
//! 10⁻¹⁴" means a step of less than 10⁻⁷ σ: a limit that does not know metres.
//!
//! Normal equations square the condition of the problem. Here they are small (two or three unknowns,
//! rows of direction cosines), so that costs nothing; on the NIST reference sets the tests show what they
//! give.
use nalgebra::{SMatrix, SVector};

/// The normal equations of a problem linearised at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normal<const P: usize> {
    /// `N = Σ a aᵀ`, symmetric.
    pub matrix: SMatrix<f64, P, P>,
    /// `g = Σ a v`, the downhill side.
    pub gradient: SVector<f64, P>,
    /// `Σ v²`.
    pub cost: f64,
    /// `B`, symmetric; zero when the caller does not know it.
    pub bend: SMatrix<f64, P, P>,
}

impl<const P: usize> Normal<P> {
    /// No observation yet.
    pub fn zero() -> Normal<P> {
        Normal { matrix: SMatrix::zeros(), gradient: SVector::zeros(), cost: 0.0, bend: SMatrix::zeros() }
    }

    /// Adds one observation: its row ∂computed/∂x / σ and its residual (measured − computed) / σ.
    #[inline]
    pub fn add(&mut self, row: &SVector<f64, P>, residual_sigmas: f64) {
        for c in 0..P {
            for r in 0..P {
                self.matrix[(r, c)] += row[r] * row[c];
            }
            self.gradient[c] += row[c] * residual_sigmas;
        }
        self.cost += residual_sigmas * residual_sigmas;
    }

    fn is_finite(&self) -> bool {
        self.cost.is_finite() && self.matrix.iter().chain(self.gradient.iter()).all(|v| v.is_finite())
    }
}

/// When the descent is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    /// Linearisations after which the descent gives up.
    pub iterations: usize,
    /// Settled when the decrement is at most this.
    pub decrement: f64,
    /// Also settled when rounding allows no better and the decrement is at most this.
    pub stalled: f64,
    /// The two limits are fractions of the cost instead of squared standard deviations: for problems
    /// whose σ is not known.
    pub relative: bool,
}

/// Where a descent came to rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minimum<const P: usize> {
    /// Where the cost is smallest.
    pub at: SVector<f64, P>,
    /// The normal equations of the last linearisation; it is at most one settled step away from `at`.
    pub normal: Normal<P>,
    /// Linearisations until the end, for the benches and tests.
    pub iterations: usize,
}

/// Why a descent has no end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoMinimum {
    /// The start itself cannot be evaluated.
    BadStart,
    /// The limit of iterations was reached.
    NotSettled,
    /// It settled on a plateau, where one of the unknowns has no influence any more.
    Plateau,
}

const FIRST_DAMPING: f64 = 1e-4;
const MIN_DAMPING: f64 = 1e-12;
const MAX_DAMPING: f64 = 1e16;
/// A step damped more than this is short because of the damping, and proves nothing about the end.
const SETTLED_DAMPING: f64 = 1e-3;
/// Costs that differ by less than this share are equal.
const ROUNDING: f64 = 1e-13;
/// An unknown whose diagonal of `N` has fallen to this share of its largest moves nothing any more.
const PLATEAU: f64 = 1e-12;

/// Descends from `start` to the next minimum of the cost that `linearise` describes.
///
/// # Errors
/// [`NoMinimum`] when the start has no finite cost, the descent does not settle, or it settles on a plateau.
pub fn minimise<const P: usize>(
    start: SVector<f64, P>,
    stop: &Stop,
    linearise: impl Fn(&SVector<f64, P>) -> Normal<P>,
) -> Result<Minimum<P>, NoMinimum> {
    let mut at = start;
    let mut normal = linearise(&at);
    if !normal.is_finite() {
        return Err(NoMinimum::BadStart);
    }
    let mut scale = SVector::<f64, P>::zeros();
    let mut damping = 0.0;
    let mut iterations = 1;
    let mut good_enough = false;
    while iterations < stop.iterations && damping < MAX_DAMPING {
        for k in 0..P {
            scale[k] = f64::max(scale[k], normal.matrix[(k, k)]);
        }
        let Some(step) = damped_step(&normal, damping, &scale) else {
            damping = f64::max(damping * 10.0, 10.0 * MIN_DAMPING);
            continue;
        };
        let unit = if stop.relative { normal.cost } else { 1.0 };
        let decrement = normal.gradient.dot(&step);
        if decrement <= stop.decrement * unit && damping <= SETTLED_DAMPING {
            at += step;
            good_enough = true;
            break;
        }
        good_enough = decrement <= stop.stalled * unit && damping <= SETTLED_DAMPING;
        let trial = linearise(&(at + step));
        iterations += 1;
        // Near the end the cost is flat to rounding, while the gradient still tells the way: let it.
        let limit = if good_enough { normal.cost * (1.0 + ROUNDING) } else { normal.cost };
        if trial.is_finite() && (trial.cost < limit || (good_enough && trial.cost <= limit)) {
            at += step;
            normal = trial;
            damping = if damping > MIN_DAMPING { damping / 10.0 } else { 0.0 };
        } else if good_enough {
            break;
        } else {
            damping = f64::max(damping * 10.0, FIRST_DAMPING);
        }
    }
    let lost = (0..P).any(|k| normal.matrix[(k, k)] <= PLATEAU * scale[k]);
    match (good_enough, lost) {
        (true, false) => Ok(Minimum { at, normal, iterations }),
        (true, true) => Err(NoMinimum::Plateau),
        (false, _) => Err(NoMinimum::NotSettled),
    }
}

/// Solves `(N − B + μD) δ = g`, or without `B` when that is not positive definite; `None` when that is not
/// either.
#[inline]
fn damped_step<const P: usize>(
    normal: &Normal<P>,
    damping: f64,
    scale: &SVector<f64, P>,
) -> Option<SVector<f64, P>> {
    let mut matrix = normal.matrix;
    if damping > 0.0 {
        for k in 0..P {
            // An unknown that nothing depends on must not make the whole step impossible.
            let d = if scale[k] > 0.0 { scale[k] } else { 1.0 };
            matrix[(k, k)] += damping * d;
        }
    }
    let factor = (matrix - normal.bend).cholesky().or_else(|| matrix.cholesky())?;
    let step = factor.solve(&normal.gradient);
    step.iter().all(|v| v.is_finite()).then_some(step)
}
