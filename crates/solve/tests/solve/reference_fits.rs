//! The least-squares core on the reference problems of NIST (Statistical Reference Datasets): certified
//! parameters and residual sums of squares, eleven digits. From start 2, the nearer one, all sets are
//! reached; from start 1 all but MGH10, MGH17 and BoxBOD. The solver's own problems are easier; these show
//! that damping, scaling and the stopping rule are sound.
use hereabout_solve::math::least_squares::{Minimum, NoMinimum, Normal, Stop, minimise};
use nalgebra::SVector;
use serde_json::Value;

use crate::common::list;

// The longest valley, Bennett5, takes some ten thousand steps by hand-over-hand damping.
const STOP: Stop = Stop { iterations: 50_000, decrement: 1e-20, stalled: 1e-12, relative: true };

fn sets() -> Value {
    serde_json::from_str(include_str!("../data/strd.json")).unwrap()
}

fn run<const P: usize>(
    set: &Value,
    start: &str,
    model: fn(f64, &[f64; P]) -> (f64, [f64; P]),
) -> Result<Minimum<P>, NoMinimum> {
    let yx: Vec<Vec<f64>> = set["yx"].as_array().unwrap().iter().map(list).collect();
    minimise(SVector::from_column_slice(&list(&set[start])), &STOP, |b: &SVector<f64, P>| {
        let mut normal = Normal::zero();
        let b: [f64; P] = std::array::from_fn(|k| b[k]);
        for row in &yx {
            let (computed, slope) = model(row[1], &b);
            normal.add(&SVector::from(slope), row[0] - computed);
        }
        normal
    })
}

/// A far start that is known to lead astray: the certified values, or an honest error; never a wrong answer
/// called settled.
#[track_caller]
fn never_wrong<const P: usize>(name: &str, start: &str, model: fn(f64, &[f64; P]) -> (f64, [f64; P])) {
    let set = &sets()["nonlinear"][name];
    if let Ok(found) = run(set, start, model) {
        for (b, certified) in found.at.iter().zip(list(&set["certified"])) {
            assert!((b / certified - 1.0).abs() < 1e-5, "{name} from {start}: {b} not {certified}");
        }
    }
}

/// Both certified starts reach every certified parameter within `limit` (relative), and the residual sum of
/// squares.
#[track_caller]
fn certify<const P: usize>(name: &str, limit: f64, model: fn(f64, &[f64; P]) -> (f64, [f64; P])) {
    for start in ["start1", "start2"] {
        certify_from(name, start, limit, model);
    }
}

#[track_caller]
fn certify_from<const P: usize>(
    name: &str,
    start: &str,
    limit: f64,
    model: fn(f64, &[f64; P]) -> (f64, [f64; P]),
) {
    let set = &sets()["nonlinear"][name];
    let found = run(set, start, model).unwrap_or_else(|e| panic!("{name} from {start}: {e:?}"));
    for (b, certified) in found.at.iter().zip(list(&set["certified"])) {
        assert!(
            (b / certified - 1.0).abs() < limit,
            "{name} from {start}: {b} not {certified}, {} iterations",
            found.iterations
        );
    }
    let rss = set["rss"].as_f64().unwrap();
    assert!((found.normal.cost / rss - 1.0).abs() < 1e-6, "{name} from {start}: rss {}", found.normal.cost);
}

#[test]
fn n1_misra1a() {
    certify("Misra1a", 1e-7, |x, &[b1, b2]| {
        let e = (-b2 * x).exp();
        (b1 * (1.0 - e), [1.0 - e, b1 * x * e])
    });
}

#[test]
fn n2_danwood_and_chwirut2() {
    certify("DanWood", 1e-6, |x, &[b1, b2]| {
        let p = x.powf(b2);
        (b1 * p, [p, b1 * p * x.ln()])
    });
    certify("Chwirut2", 1e-6, |x, &[b1, b2, b3]| {
        let d = b2 + b3 * x;
        let f = (-b1 * x).exp() / d;
        (f, [-x * f, -f / d, -x * f / d])
    });
}

#[test]
fn n3_gauss1() {
    certify("Gauss1", 1e-7, |x, &[b1, b2, b3, b4, b5, b6, b7, b8]| {
        let decay = (-b2 * x).exp();
        let bell = |c: f64, w: f64| (-(x - c) * (x - c) / (w * w)).exp();
        let (p, q) = (bell(b4, b5), bell(b7, b8));
        let (u, v) = ((x - b4) / b5, (x - b7) / b8);
        let f = b1 * decay + b3 * p + b6 * q;
        let bell_slope =
            |amount: f64, g: f64, t: f64, w: f64| [amount * g * 2.0 * t / w, amount * g * 2.0 * t * t / w];
        let [d4, d5] = bell_slope(b3, p, u, b5);
        let [d7, d8] = bell_slope(b6, q, v, b8);
        (f, [decay, -b1 * x * decay, p, d4, d5, q, d7, d8])
    });
}

#[test]
fn n4_mgh17_and_lanczos3() {
    let model: fn(f64, &[f64; 5]) -> (f64, [f64; 5]) = |x, &[b1, b2, b3, b4, b5]| {
        let (p, q) = ((-x * b4).exp(), (-x * b5).exp());
        (b1 + b2 * p + b3 * q, [1.0, p, q, -b2 * x * p, -b3 * x * q])
    };
    certify_from("MGH17", "start2", 1e-5, model);
    // Start 1 runs into a valley where the two exponentials become one, and rests there: not claimed.
    certify("Lanczos3", 1e-5, |x, &[b1, b2, b3, b4, b5, b6]| {
        let (p, q, r) = ((-b2 * x).exp(), (-b4 * x).exp(), (-b6 * x).exp());
        (b1 * p + b3 * q + b5 * r, [p, -b1 * x * p, q, -b3 * x * q, r, -b5 * x * r])
    });
}

fn rational(x: f64, &[b1, b2, b3, b4, b5, b6, b7]: &[f64; 7]) -> (f64, [f64; 7]) {
    let (x2, x3) = (x * x, x * x * x);
    let d = 1.0 + b5 * x + b6 * x2 + b7 * x3;
    let f = (b1 + b2 * x + b3 * x2 + b4 * x3) / d;
    (f, [1.0 / d, x / d, x2 / d, x3 / d, -f * x / d, -f * x2 / d, -f * x3 / d])
}

#[test]
fn n5_hahn1_and_thurber() {
    certify("Hahn1", 1e-6, rational);
    certify("Thurber", 1e-6, rational);
}

#[test]
fn n6_mgh10_and_bennett5() {
    let model: fn(f64, &[f64; 3]) -> (f64, [f64; 3]) = |x, &[b1, b2, b3]| {
        let e = (b2 / (x + b3)).exp();
        (b1 * e, [e, b1 * e / (x + b3), -b1 * e * b2 / ((x + b3) * (x + b3))])
    };
    certify_from("MGH10", "start2", 1e-6, model);
    // Start 1, five orders of magnitude away, wanders off to where the model is flat: not claimed.
    certify("Bennett5", 1e-6, |x, &[b1, b2, b3]| {
        let p = (b2 + x).powf(-1.0 / b3);
        (b1 * p, [p, -b1 * p / (b3 * (b2 + x)), b1 * p * (b2 + x).ln() / (b3 * b3)])
    });
}

/// Start 1 of BoxBOD fails with other damped solvers too (MINPACK with its default step bound).
#[test]
fn n7_boxbod() {
    let model: fn(f64, &[f64; 2]) -> (f64, [f64; 2]) = |x, &[b1, b2]| {
        let e = (-b2 * x).exp();
        (b1 * (1.0 - e), [1.0 - e, b1 * x * e])
    };
    certify_from("BoxBOD", "start2", 1e-6, model);
    never_wrong("BoxBOD", "start1", model);
}

#[test]
fn n8_eckerle4_rat43_and_mgh09() {
    certify("Eckerle4", 1e-5, |x, &[b1, b2, b3]| {
        let u = (x - b3) / b2;
        let f = b1 / b2 * (-0.5 * u * u).exp();
        (f, [f / b1, f * (u * u - 1.0) / b2, f * u / b2])
    });
    certify("Rat43", 1e-5, |x, &[b1, b2, b3, b4]| {
        let e = (b2 - b3 * x).exp();
        let f = b1 * (1.0 + e).powf(-1.0 / b4);
        let g = f * e / (b4 * (1.0 + e));
        (f, [f / b1, -g, g * x, f * (1.0 + e).ln() / (b4 * b4)])
    });
    certify("MGH09", 1e-5, |x, &[b1, b2, b3, b4]| {
        let (n, d) = (x * x + x * b2, x * x + x * b3 + b4);
        (b1 * n / d, [n / d, b1 * x / d, -b1 * n * x / (d * d), -b1 * n / (d * d)])
    });
}

/// Linear problems end after one step and a look at it: L1 to 1e-10, L4 to 1e-8.
#[test]
fn l1_l4_lines_and_a_parabola() {
    fn linear<const P: usize>(name: &str, limit: f64, row: fn(f64) -> [f64; P]) {
        let set = &sets()["linear"][name];
        let yx: Vec<Vec<f64>> = set["yx"].as_array().unwrap().iter().map(list).collect();
        let found = minimise(SVector::<f64, P>::zeros(), &STOP, |b| {
            let mut normal = Normal::zero();
            for r in &yx {
                let a = SVector::from(row(r[1]));
                normal.add(&a, r[0] - a.dot(b));
            }
            normal
        })
        .unwrap();
        for (b, certified) in found.at.iter().zip(list(&set["certified"])) {
            assert!((b / certified - 1.0).abs() < limit, "{name}: {} not {certified}", found.at);
        }
    }
    linear("Norris", 1e-10, |x| [1.0, x]);
    linear("NoInt1", 1e-8, |x| [x]);
    linear("Pontius", 1e-8, |x| [1.0, x, x * x]);
}

#[test]
fn what_has_no_value_or_no_end_is_an_error() {
    let nowhere = minimise(SVector::<f64, 1>::zeros(), &STOP, |_| {
        let mut normal = Normal::zero();
        normal.add(&SVector::from([f64::NAN]), 1.0);
        normal
    });
    assert_eq!(nowhere, Err(NoMinimum::BadStart));
    // exp(−x): downhill for ever.
    let stop = Stop { iterations: 30, decrement: 1e-300, stalled: 1e-300, relative: false };
    let endless = minimise(SVector::<f64, 1>::zeros(), &stop, |x| {
        let mut normal = Normal::zero();
        normal.add(&SVector::from([-(-x[0]).exp()]), -(-x[0]).exp());
        normal
    });
    assert_eq!(endless, Err(NoMinimum::NotSettled));
}
