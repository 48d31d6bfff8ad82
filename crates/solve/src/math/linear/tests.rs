//! The factorisation against the NIST/ITL StRD certified values, and its refusals.

use super::*;

mod strd;

fn check(name: &str, set: &strd::Set, limit: f64, row: impl Fn(&[f64]) -> Vec<f64>) {
    let rows: Vec<Vec<f64>> = set.rows.iter().map(|r| row(&r[1..])).collect();
    let design = DMatrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j]);
    let observed = DVector::from_iterator(rows.len(), set.rows.iter().map(|r| r[0]));
    let fit = linear_least_squares(&design, &observed).unwrap();
    for (found, certified) in fit.unknowns.iter().zip(set.certified) {
        let off = (found - certified).abs() / certified.abs();
        assert!(off < limit, "{name}: {found} against {certified}, relative {off:e}");
    }
    let sd = fit.residual_sd().unwrap();
    let room = if set.residual_sd > 0.0 { limit * set.residual_sd } else { 1e-6 };
    assert!((sd - set.residual_sd).abs() < room, "{name}: residual sd {sd}");
}

fn powers(degree: i32) -> impl Fn(&[f64]) -> Vec<f64> {
    move |x| (0..=degree).map(|k| x[0].powi(k)).collect()
}

#[test]
fn strd_lines_and_polynomials() {
    check("Norris", &strd::NORRIS, 1e-10, powers(1));
    check("Pontius", &strd::PONTIUS, 1e-8, powers(2));
    check("NoInt1", &strd::NO_INT1, 1e-8, |x| x.to_vec());
    check("Wampler1", &strd::WAMPLER1, 1e-8, powers(5));
    check("Wampler3", &strd::WAMPLER3, 1e-8, powers(5));
}

#[test]
fn strd_sets_that_break_the_normal_equations() {
    check("Longley", &strd::LONGLEY, 1e-8, |x| std::iter::once(1.0).chain(x.iter().copied()).collect());
    check("Filip", &strd::FILIP, 1e-6, powers(10));
}

#[test]
fn standard_deviations_follow_the_cofactor() {
    // Certified standard deviations of Norris's two coefficients.
    let rows = strd::NORRIS.rows;
    let design = DMatrix::from_fn(rows.len(), 2, |i, j| if j == 0 { 1.0 } else { rows[i][1] });
    let observed = DVector::from_iterator(rows.len(), rows.iter().map(|r| r[0]));
    let fit = linear_least_squares(&design, &observed).unwrap();
    for (k, sd) in [0.232_818_234_301_152, 0.000_429_796_848_199_937].into_iter().enumerate() {
        let found = fit.residual_sd().unwrap() * fit.cofactor[(k, k)].sqrt();
        assert!((found - sd).abs() < 1e-9 * sd, "{found} against {sd}");
    }
}

#[test]
fn what_cannot_be_solved_is_refused() {
    let y = |n: usize| DVector::from_element(n, 1.0);
    let twice = DMatrix::from_fn(5, 2, |i, j| (1.0 + i as f64) * (1.0 + j as f64));
    assert_eq!(linear_least_squares(&twice, &y(5)), Err(LinearError::RankDeficient { rank: 1, unknowns: 2 }));
    let empty_column = DMatrix::from_fn(5, 2, |_, j| j as f64);
    assert!(matches!(linear_least_squares(&empty_column, &y(5)), Err(LinearError::RankDeficient { .. })));
    let wide = DMatrix::from_element(1, 2, 1.0);
    assert_eq!(linear_least_squares(&wide, &y(1)), Err(LinearError::TooFewRows { rows: 1, unknowns: 2 }));
    let nan = DMatrix::from_element(3, 1, f64::NAN);
    assert_eq!(linear_least_squares(&nan, &y(3)), Err(LinearError::NotFinite));
    assert_eq!(linear_least_squares(&DMatrix::from_element(3, 1, 1.0), &y(2)), Err(LinearError::NotFinite));
    let huge = DVector::from_fn(3, |i, _| if i == 0 { 1e200 } else { -1e200 });
    assert_eq!(linear_least_squares(&DMatrix::from_element(3, 1, 1.0), &huge), Err(LinearError::NotFinite));
}
