//! Seeded walks: offset and scale, NLOS ranges, honest errors, refusals.

use super::*;
use crate::calibrate::tests::simulation::{Kit, rng};
use rand_chacha::ChaCha8Rng;

/// A cart that goes to and fro between `near_m` and `far_m` from the board.
fn walk(rng: &mut ChaCha8Rng, kit: Kit, near_m: f64, far_m: f64, offset: f64, scale: f64) -> Vec<PathRange> {
    let noise = kit.ranges(rng, 100.0);
    let path = |t: f64| near_m + (far_m - near_m) * 0.5 * (1.0 - (t / 7.0).cos());
    noise
        .iter()
        .map(|r| {
            let distance_m = path(r.at.unix_secs_f64());
            let raw_range_m = scale * distance_m + offset + r.raw_range_m - 100.0;
            PathRange { at: r.at, distance_m, raw_range_m }
        })
        .collect()
}

const KIT: Kit = Kit { seconds: 120.0, nlos_share: 0.15, slow_sd_m: 0.02, ..Kit::WHITE };

#[test]
fn an_offset_comes_out_with_an_honest_error_and_no_scale() {
    let mut rng = rng(71);
    let (mut held, mut scaled) = (0, 0);
    for _ in 0..30 {
        let p = fit_path(&walk(&mut rng, KIT, 2.0, 9.0, -0.17, 1.0), ScaleChoice::WhenProven, 0.4).unwrap();
        scaled += u32::from(p.scale != 1.0);
        held += u32::from((p.offset_m + 0.17).abs() <= 2.0 * p.se_m);
        assert!(p.se_m < 0.02 && p.scale_chance_probability.is_some());
    }
    assert!(scaled <= 1, "{scaled}");
    assert!((25..=30).contains(&held), "{held}");
}

#[test]
fn a_scale_of_seven_per_cent_is_proven() {
    let mut rng = rng(72);
    let (mut held, mut far_held) = (0, 0);
    for _ in 0..20 {
        let kit = Kit { sigma_m: 0.4, ..KIT };
        let p = fit_path(&walk(&mut rng, kit, 10.0, 70.0, 0.5, 1.07), ScaleChoice::WhenProven, 1.5).unwrap();
        let se = p.scale_se.unwrap();
        held += u32::from((p.scale - 1.07).abs() <= 2.0 * se);
        // What counts is the corrected range, here at 40 m.
        far_held += u32::from((p.offset_m + 40.0 * p.scale - 43.3).abs() <= 2.0 * p.se_m);
        assert!(p.scale_chance_probability.unwrap() < 1e-3 && se < 0.01);
    }
    assert!((17..=20).contains(&held) && (17..=20).contains(&far_held), "{held} {far_held}");
}

#[test]
fn what_cannot_be_determined_is_refused() {
    let mut rng = rng(73);
    let near = walk(&mut rng, KIT, 2.0, 3.0, 0.1, 1.0);
    let refusal = fit_path(&near, ScaleChoice::Asked, 0.4).unwrap_err();
    assert!(
        matches!(refusal, PathRefusal::ScaleNotSupported { spread_m, .. } if (spread_m - 1.0).abs() < 0.1)
    );
    assert_eq!(fit_path(&near, ScaleChoice::WhenProven, 0.4).unwrap().scale_chance_probability, None);
    let far = walk(&mut rng, KIT, 2.0, 9.0, 0.1, 1.0);
    assert!(fit_path(&far, ScaleChoice::Asked, 0.4).unwrap().scale_se.is_some());
    let bad = PathRange { raw_range_m: f64::NAN, ..near[0] };
    let refusal = fit_path(&[bad; 500], ScaleChoice::Never, 0.4).unwrap_err();
    assert_eq!(refusal, PathRefusal::TooFewRanges { have: 0, need: 100 });
}

#[test]
fn boards_share_a_scale_that_one_alone_could_not_prove() {
    let mut rng = rng(74);
    let kit = Kit { sigma_m: 0.4, seconds: 60.0, ..KIT };
    let mut right = 0;
    for _ in 0..5 {
        let mut boards: Vec<Vec<PathRange>> =
            (0..4).map(|_| walk(&mut rng, kit, 10.0, 60.0, 0.3, 1.07)).collect();
        // One board that the cart hardly comes nearer to.
        boards.push(walk(&mut rng, kit, 24.0, 28.0, -0.2, 1.07));
        // One board whose scale is really another.
        boards.push(walk(&mut rng, kit, 10.0, 60.0, 0.3, 1.16));
        let fits = fit_paths(&boards, ScaleChoice::WhenProven, 1.5);
        let scale = |i: usize| fits[i].unwrap().scale;
        right += u32::from((scale(4) - scale(0)).abs() < 1e-12 && (scale(5) - 1.16).abs() < 0.01);
        assert!((fits[4].unwrap().offset_m + 0.2).abs() < 0.9);
    }
    assert_eq!(right, 5);
    let plain: Vec<Vec<PathRange>> = (0..4).map(|_| walk(&mut rng, KIT, 2.0, 9.0, 0.3, 1.0)).collect();
    let fits = fit_paths(&plain, ScaleChoice::WhenProven, 0.4);
    assert!(fits.iter().all(|f| f.unwrap().scale == 1.0 && f.unwrap().scale_chance_probability.is_some()));
    assert_eq!(
        fit_paths(&[vec![]], ScaleChoice::Asked, 0.4),
        [Err(PathRefusal::TooFewRanges { have: 0, need: 100 })]
    );
}
