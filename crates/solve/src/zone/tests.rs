use libm::erf;
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};

use super::*;

use hereabout_core::geometry::area::{Area, Border};
use hereabout_core::geometry::polygon::Edge;

/// The mass, read from the area's side.
trait Mass {
    fn mass(&self, place: &Gaussian) -> f64;
}

impl Mass for Area {
    fn mass(&self, place: &Gaussian) -> f64 {
        place.mass_in(self)
    }
}

const L: [[f64; 2]; 6] = [[0.0, 0.0], [6.0, 0.0], [6.0, 2.0], [2.0, 2.0], [2.0, 5.0], [0.0, 5.0]];
const SQUARE: [[f64; 2]; 4] = [[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]];

fn gaussian(mean_m: [f64; 2], xx: f64, xy: f64, yy: f64) -> Gaussian {
    Gaussian::new(mean_m, [[xx, xy], [xy, yy]]).unwrap()
}

fn polygon(corners: &[[f64; 2]]) -> Area {
    Area::polygon(corners, &[])
}

fn phi(z: f64) -> f64 {
    0.5 * (1.0 + erf(z * std::f64::consts::FRAC_1_SQRT_2))
}

/// The same mass another way: slices along east, each slice's intervals by the conditional normal.
fn by_slices(edges: &[Edge], mean: [f64; 2], [xx, xy, yy]: [f64; 3]) -> f64 {
    let (sx, slope) = (xx.sqrt(), xy / xx);
    let sy = (yy - xy * xy / xx).sqrt();
    let mut cuts: Vec<f64> = edges.iter().map(|e| e[0][0]).collect();
    let steps = 4000;
    cuts.extend((0..=steps).map(|k| mean[0] + sx * 9.0 * (2.0 * f64::from(k) / f64::from(steps) - 1.0)));
    cuts.sort_by(f64::total_cmp);
    let density = |x: f64| {
        let z = (x - mean[0]) / sx;
        let middle = mean[1] + slope * (x - mean[0]);
        let below: f64 = edges
            .iter()
            .filter(|[a, b]| (a[0] > x) != (b[0] > x))
            .map(|[a, b]| {
                let y = a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]);
                // The area is on the left: above an edge that goes east, below one that goes west.
                phi((y - middle) / sy) * if b[0] > a[0] { -1.0 } else { 1.0 }
            })
            .sum();
        below * (-0.5 * z * z).exp() / (sx * std::f64::consts::TAU.sqrt())
    };
    // Two-point Gauss between two cuts: no cut hides a corner.
    let g = 0.5 / 3.0_f64.sqrt();
    cuts.windows(2)
        .filter(|w| (w[0] - mean[0]).abs() <= 9.0 * sx && (w[1] - mean[0]).abs() <= 9.0 * sx)
        .map(|w| {
            let (m, d) = (0.5 * (w[0] + w[1]), w[1] - w[0]);
            0.5 * d * (density(m - g * d) + density(m + g * d))
        })
        .sum()
}

fn edges_of(area: &Area) -> Vec<Edge> {
    match area.border() {
        Border::Rings(edges) => edges.clone(),
        Border::Circle { .. } => panic!("a circle"),
    }
}

/// Independent axes: products of normal intervals, a closed form.
#[test]
fn a_rectangle_holds_the_product_of_two_intervals() {
    let mut dice = ChaCha8Rng::seed_from_u64(1);
    let mut unit = || -> f64 { StandardUniform.sample(&mut dice) };
    let mut worst = 0.0_f64;
    for _ in 0..3000 {
        let [w, h] = [0.2 + 10.0 * unit(), 0.2 + 10.0 * unit()];
        let mean = [-1.0 + (w + 2.0) * unit(), -1.0 + (h + 2.0) * unit()];
        let [sx, sy] = [0.02 + unit() * unit(), 0.02 + unit() * unit()];
        let area = polygon(&[[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]);
        let side = |s: f64, m: f64, l: f64| phi((l - m) / s) - phi(-m / s);
        let wanted = side(sx, mean[0], w) * side(sy, mean[1], h);
        worst = worst.max((area.mass(&gaussian(mean, sx * sx, 0.0, sy * sy)) - wanted).abs());
    }
    assert!(worst < 2e-8, "{worst:e}");
}

/// A rectangle much larger than the Gaussian is a half-plane near the middle of an edge, a quarter near a corner.
#[test]
fn borders_and_corners_are_half_planes_and_quarters() {
    let big = polygon(&[[-500.0, 0.0], [500.0, 0.0], [500.0, 800.0], [-500.0, 800.0]]);
    for k in -60..=60 {
        let z = f64::from(k) * 0.1;
        let found = big.mass(&gaussian([3.0, 0.07 * z], 0.09, 0.01, 0.0049));
        assert!((found - phi(z)).abs() < 2e-8, "{z}: {found}");
    }
    for (place, wanted) in [([0.0, 0.0], 0.5), ([-500.0, 0.0], 0.25), ([500.0, 800.0], 0.25)] {
        assert!((big.mass(&gaussian(place, 0.01, 0.0, 0.04)) - wanted).abs() < 2e-8);
    }
    // Correlated axes: a quarter holds 1/4 + asin(ρ)/2π (Sheppard 1899, from memory).
    let quarter = big.mass(&gaussian([-500.0, 0.0], 1.0, 0.6, 1.0));
    assert!((quarter - (0.25 + 0.6_f64.asin() / std::f64::consts::TAU)).abs() < 2e-8, "{quarter}");
}

#[test]
fn any_polygon_agrees_with_slices() {
    let ring = Area::polygon(
        &[[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]],
        &[vec![[3.0, 3.0], [7.0, 3.0], [7.0, 7.0], [3.0, 7.0]]],
    );
    let spike = polygon(&[[0.0, 0.0], [10.0, 0.0], [10.0, 4.0], [5.0, 0.5], [0.0, 4.0]]);
    let l = polygon(&L);
    let mut dice = ChaCha8Rng::seed_from_u64(2);
    let mut unit = || -> f64 { StandardUniform.sample(&mut dice) };
    let mut worst = 0.0_f64;
    for k in 0..60 {
        let area = [&ring, &spike, &l][k % 3];
        let mean = [10.0 * unit(), 8.0 * unit()];
        let [sx, sy] = [0.05 + 1.5 * unit(), 0.05 + 1.5 * unit()];
        let xy = sx * sy * (1.8 * unit() - 0.9);
        let wanted = by_slices(&edges_of(area), mean, [sx * sx, xy, sy * sy]);
        let found = area.mass(&gaussian(mean, sx * sx, xy, sy * sy));
        worst = worst.max((found - wanted).abs());
    }
    assert!(worst < 5e-8, "{worst:e}");
}

/// Shares of draws: crude, but knows nothing of the method.
#[test]
fn masses_are_shares_of_draws() {
    let mut dice = ChaCha8Rng::seed_from_u64(3);
    let place = gaussian([2.3, 1.8], 0.5, 0.2, 0.3);
    let circle = Area::circle([2.0, 2.5], 1.1);
    let (mut in_l, mut in_circle) = (0.0, 0.0);
    let n = 400_000;
    for _ in 0..n {
        let [a, b]: [f64; 2] = [0, 1].map(|_| StandardNormal.sample(&mut dice));
        let x = [2.3 + 0.5_f64.sqrt() * a, 0.0];
        let slope = 0.2 / 0.5_f64.sqrt();
        let x = [x[0], 1.8 + slope * a + (0.3 - slope * slope).sqrt() * b];
        in_l += f64::from(u8::from(polygon(&L).signed_distance_m(x) < 0.0));
        in_circle += f64::from(u8::from(circle.signed_distance_m(x) < 0.0));
    }
    // Five standard errors of a share of 400,000.
    assert!((polygon(&L).mass(&place) - in_l / f64::from(n)).abs() < 0.004);
    assert!((circle.mass(&place) - in_circle / f64::from(n)).abs() < 0.004);
}

/// Round Gaussians: the non-central χ² distribution with two degrees of freedom (SciPy 1.17.1, `ncx2.cdf`).
/// Elliptical ones round the middle: `cep_elliptic.csv`, which says its own source.
#[test]
fn circles_agree_with_known_distributions() {
    let known = [
        ((2.0, 0.0, 0.5), 0.999664537372),
        ((2.0, 1.9, 0.1), 0.835056661447),
        ((2.0, 2.0, 0.1), 0.490023321859),
        ((2.0, 2.05, 0.03), 0.047057957467),
        ((0.5, 0.4, 1.0), 0.109000955721),
        ((5.0, 5.3, 0.2), 0.064327412489),
    ];
    for ((radius, away, sigma), wanted) in known {
        let (sin, cos) = 1.1_f64.sin_cos();
        let mean = [7.0 + away * cos, 3.0 + away * sin];
        let found = Area::circle([7.0, 3.0], radius).mass(&gaussian(mean, sigma * sigma, 0.0, sigma * sigma));
        assert!((found - wanted).abs() < 2e-8, "{radius} {away} {sigma}: {found} {wanted}");
    }
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../../tests/data/cep_elliptic.csv")[..]).records() {
        let row: Vec<f64> = row.unwrap().iter().map(|v| v.parse().unwrap()).collect();
        let place = gaussian([4.0, 5.0], 1.0, 0.0, row[0] * row[0]);
        for (p, radius) in [(0.5, row[1]), (0.9, row[2]), (0.95, row[3])] {
            let found = Area::circle([4.0, 5.0], radius).mass(&place);
            assert!((found - p).abs() < 2e-8, "ratio {}: {found} instead of {p}", row[0]);
        }
        rows += 1;
    }
    assert_eq!(rows, 11);
}

/// A circle is the limit of polygons: two more digits for each tenfold number of corners.
#[test]
fn circles_agree_with_many_cornered_polygons() {
    let mut dice = ChaCha8Rng::seed_from_u64(4);
    let mut unit = || -> f64 { StandardUniform.sample(&mut dice) };
    let mut worst = 0.0_f64;
    for _ in 0..40 {
        let radius = 0.1 + 6.0 * unit();
        let n = 40_000;
        // Corners half outside, half inside of the arc, so that the areas are equal.
        let step = std::f64::consts::TAU / f64::from(n);
        let corner = radius * (step / step.sin()).sqrt();
        let corners: Vec<[f64; 2]> =
            (0..n).map(|k| f64::from(k) * step).map(|t| [corner * t.cos(), corner * t.sin()]).collect();
        let (away, at) = (radius + 0.6 * unit() - 0.3, 7.0 * unit());
        let [sx, sy] = [0.02 + unit() * unit(), 0.02 + unit() * unit()];
        let place =
            gaussian([away * at.cos(), away * at.sin()], sx * sx, sx * sy * (1.9 * unit() - 0.95), sy * sy);
        worst =
            worst.max((Area::circle([0.0, 0.0], radius).mass(&place) - polygon(&corners).mass(&place)).abs());
    }
    assert!(worst < 2e-8, "{worst:e}");
}

#[test]
fn needles_points_and_nonsense_stay_finite() {
    let areas = [polygon(&L), Area::circle([2.0, 1.0], 1.5), Area::circle([0.0, 0.0], 1e-3)];
    let covariances = [
        [[0.0, 0.0], [0.0, 0.0]],
        [[1.0, 1.0], [1.0, 1.0]],
        [[1.0, 5.0], [5.0, 1.0]],
        [[4.0, 0.0], [0.0, 0.0]],
        [[1e-18, 0.0], [0.0, 1e12]],
        [[1e90, 0.0], [0.0, 1e90]],
    ];
    for area in &areas {
        for covariance in covariances {
            for mean in [[1.0, 1.0], [2.0, 2.0], [0.0, 0.0], [2.0, 2.5], [1e6, -1e6]] {
                let mass = area.mass(&Gaussian::new(mean, covariance).unwrap());
                assert!((0.0..=1.0).contains(&mass), "{covariance:?} {mean:?}: {mass}");
            }
        }
    }
    // A point is where it is; on an edge it is half inside.
    let point = |mean| polygon(&L).mass(&Gaussian::new(mean, [[0.0; 2]; 2]).unwrap());
    assert_eq!([point([1.0, 4.0]), point([3.0, 3.0])], [1.0, 0.0]);
    assert!((point([2.0, 3.5]) - 0.5).abs() < 2e-8);
    // A needle along an edge line's normal is an interval.
    let needle = polygon(&L).mass(&Gaussian::new([1.0, 1.0], [[0.0, 0.0], [0.0, 1.0]]).unwrap());
    assert!((needle - (phi(4.0) - phi(-1.0))).abs() < 2e-8, "{needle}");
    for bad in [f64::NAN, f64::INFINITY] {
        assert!(Gaussian::new([bad, 0.0], [[1.0, 0.0], [0.0, 1.0]]).is_none());
        assert!(Gaussian::new([0.0, 0.0], [[bad, 0.0], [0.0, 1.0]]).is_none());
    }
    assert!(Gaussian::new([0.0, 0.0], [[-1.0, 0.0], [0.0, 1.0]]).is_none());
}

#[test]
fn the_first_crossing_is_found() {
    let square = polygon(&SQUARE);
    let eta = |p, v| square.crossing_s(p, v, 60.0);
    assert_eq!(eta([1.0, 2.0], [1.0, 0.0]), Some(3.0));
    assert_eq!(eta([-2.0, 2.0], [0.5, 0.0]), Some(4.0));
    assert_eq!(eta([-2.0, 2.0], [-0.5, 0.0]), None);
    assert_eq!(eta([-2.0, 5.0], [1.0, 0.0]), None);
    assert_eq!(eta([1.0, 2.0], [0.0, 0.0]), None);
    assert_eq!(eta([1.0, 2.0], [0.01, 0.0]), None, "beyond the horizon");
    // Into the square through its corner, and past a corner that is only touched.
    assert!((eta([-1.0, -1.0], [1.0, 1.0]).unwrap() - 1.0).abs() < 1e-12);
    assert_eq!(eta([-1.0, 1.0], [1.0, -1.0]), None);
    let ring = Area::polygon(&SQUARE, &[vec![[1.0, 1.0], [3.0, 1.0], [3.0, 3.0], [1.0, 3.0]]]);
    assert_eq!(ring.crossing_s([0.5, 2.0], [1.0, 0.0], 60.0), Some(0.5));
    assert_eq!(ring.crossing_s([2.0, 2.0], [0.0, -0.5], 60.0), Some(2.0));
    // Past the corner of the hole, then out.
    assert_eq!(ring.crossing_s([0.0, 2.0].map(|c| c + 0.0), [1.0, 1.0], 60.0), Some(2.0));
    let circle = Area::circle([2.0, 2.0], 1.0);
    assert_eq!(circle.crossing_s([2.0, 2.0], [0.0, 0.5], 60.0), Some(2.0));
    assert_eq!(circle.crossing_s([0.0, 2.0], [0.5, 0.0], 60.0), Some(2.0));
    assert_eq!(circle.crossing_s([0.0, 3.0], [0.5, 0.0], 60.0), None, "it only touches the rim");
    assert_eq!(circle.crossing_s([0.0, 2.0], [-0.5, 0.0], 60.0), None);
    assert_eq!(circle.crossing_s([0.0, 2.0], [f64::NAN, 0.0], 60.0), None);
    assert_eq!(square.crossing_s([0.0, 2.0], [f64::NAN, 0.0], 60.0), None);
}

fn turned(p: [f64; 2], by: f64, to: [f64; 2]) -> [f64; 2] {
    let (sin, cos) = by.sin_cos();
    [cos * p[0] - sin * p[1] + to[0], sin * p[0] + cos * p[1] + to[1]]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn mass_is_additive_over_a_cut_and_the_rest_is_outside(
        x in -1.0..7.0, y in -1.0..6.0, sx in 0.02..1.5, sy in 0.02..1.5, rho in -0.95..0.95, cut in 0.3..1.7,
    ) {
        let place = gaussian([x, y], sx * sx, rho * sx * sy, sy * sy);
        let whole = polygon(&L).mass(&place);
        prop_assert!((0.0..=1.0).contains(&whole));
        let left = polygon(&[[0.0, 0.0], [cut, 0.0], [cut, 5.0], [0.0, 5.0]]).mass(&place);
        let right = polygon(&[[cut, 0.0], [6.0, 0.0], [6.0, 2.0], [2.0, 2.0], [2.0, 5.0], [cut, 5.0]]).mass(&place);
        prop_assert!((whole - left - right).abs() < 4e-8, "{whole} {left} {right}");
        // A field of 80 m with the L cut out: all the rest.
        let rest = Area::polygon(&[[-40.0, -40.0], [40.0, -40.0], [40.0, 40.0], [-40.0, 40.0]], &[L.to_vec()]);
        prop_assert!((whole + rest.mass(&place) - 1.0).abs() < 4e-8);
    }

    #[test]
    fn neither_winding_nor_the_frame_of_reference_matters(
        x in -1.0..7.0, y in -1.0..6.0, sx in 0.02..1.5, sy in 0.02..1.5, rho in -0.9..0.9,
        by in 0.0..6.3, east in -50.0..50.0, north in -50.0..50.0,
    ) {
        let (xx, xy, yy) = (sx * sx, rho * sx * sy, sy * sy);
        let place = gaussian([x, y], xx, xy, yy);
        let mut backward = L;
        backward.reverse();
        let mass = polygon(&L).mass(&place);
        prop_assert!((mass - polygon(&backward).mass(&place)).abs() < 1e-12);
        prop_assert_eq!(polygon(&L).signed_distance_m([x, y]), polygon(&backward).signed_distance_m([x, y]));
        let moved = L.map(|p| turned(p, by, [east, north]));
        let (s, c) = by.sin_cos();
        let xx2 = c * c * xx - 2.0 * s * c * xy + s * s * yy;
        let yy2 = s * s * xx + 2.0 * s * c * xy + c * c * yy;
        let xy2 = s * c * (xx - yy) + (c * c - s * s) * xy;
        let there = gaussian(turned([x, y], by, [east, north]), xx2, xy2, yy2);
        prop_assert!((mass - polygon(&moved).mass(&there)).abs() < 4e-8);
        let distances = [polygon(&L).signed_distance_m([x, y]), polygon(&moved).signed_distance_m(there.mean_m())];
        prop_assert!((distances[0] - distances[1]).abs() < 1e-12, "{distances:?}");
    }

    #[test]
    fn after_the_crossing_the_side_has_changed(
        x in -3.0..9.0, y in -3.0..8.0, vx in -2.0..2.0, vy in -2.0..2.0, round in any::<bool>(),
    ) {
        let area = if round { Area::circle([2.0, 2.0], 2.3) } else { polygon(&L) };
        let side = |t: f64| area.signed_distance_m([x + t * vx, y + t * vy]) < 0.0;
        let steps = 2000;
        let grid = (1..=steps).map(|k| 6.0 * f64::from(k) / f64::from(steps)).find(|t| side(*t) != side(0.0));
        let found = area.crossing_s([x, y], [vx, vy], 6.0);
        match (found, grid) {
            (Some(f), Some(g)) => prop_assert!(f <= g && g - f <= 6.0 / f64::from(steps) + 1e-9, "{f} {g}"),
            // A corner that is cut between two steps of the grid.
            (Some(f), None) => prop_assert!(side(f + 1e-7) != side(0.0)),
            (None, Some(g)) => prop_assert!(false, "missed at {g}"),
            (None, None) => {}
        }
    }
}
