//! Shapes whose orders are known by heart, fences that decide, and what no site is.

use super::*;

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.9 };

fn orders(anchors_m: &[[f64; 3]], dimension: Dimension, area_m: &[[f64; 2]]) -> Vec<Vec<u8>> {
    let fence = Fence { area_m: area_m.to_vec(), up_span_m: None };
    congruences(anchors_m, dimension, &fence).iter().map(|o| o.to_vec()).collect()
}

fn rectangle(east: f64, north: f64) -> [[f64; 3]; 4] {
    [[0.0, 0.0, 2.5], [east, 0.0, 2.5], [east, north, 2.5], [0.0, north, 2.5]]
}

#[test]
fn a_rectangle_has_three_orders_a_square_seven_and_an_odd_shape_none() {
    let turned: Vec<Vec<u8>> = vec![vec![1, 0, 3, 2], vec![2, 3, 0, 1], vec![3, 2, 1, 0]];
    assert_eq!(orders(&rectangle(24.0, 14.0), FLAT, &[]), turned);
    assert_eq!(orders(&rectangle(14.0, 14.2), FLAT, &[]).len(), 7);
    let odd = [[0.0, 0.0, 2.5], [24.0, 1.0, 2.5], [20.0, 14.0, 2.5], [0.0, 11.0, 2.5]];
    assert_eq!(orders(&odd, FLAT, &[]), Vec::<Vec<u8>>::new());
}

#[test]
fn in_2d_heights_must_fit_and_in_3d_the_whole_shape_is_turned() {
    let mut posts = rectangle(24.0, 14.0);
    (posts[0][2], posts[1][2]) = (3.5, 3.5);
    assert_eq!(orders(&posts, FLAT, &[]), [vec![1, 0, 3, 2]]);
    // In 3D half a turn about the axis from gate to gate takes the high ends to the low ones: distances are all that counts.
    let free = orders(&posts, Dimension::ThreeD, &[]);
    assert!(free.contains(&vec![2, 3, 0, 1]) && free.len() == 3, "{free:?}");
}

#[test]
fn differences_of_three_decimetres_tell_orders_apart() {
    let stretched = |by: f64| [[0.0, 0.0, 2.5], [24.0, 0.0, 2.5], [24.0 + by, 14.0, 2.5], [0.0, 14.0, 2.5]];
    assert_eq!(orders(&stretched(0.2), FLAT, &[]).len(), 3);
    assert_eq!(orders(&stretched(0.8), FLAT, &[]).len(), 0);
}

#[test]
fn a_fence_leaves_out_the_images_that_lie_out_of_it_and_no_others() {
    let posts = rectangle(24.0, 14.0);
    let west = [[0.0, 0.0], [12.0, 0.0], [12.0, 14.0], [0.0, 14.0]];
    assert_eq!(orders(&posts, FLAT, &west), [vec![3, 2, 1, 0]], "upside down it is the same half");
    let corner = [[0.0, 0.0], [12.0, 0.0], [12.0, 7.0], [0.0, 7.0]];
    assert_eq!(orders(&posts, FLAT, &corner), Vec::<Vec<u8>>::new());
    let most = [[0.0, 0.0], [20.0, 0.0], [20.0, 14.0], [0.0, 14.0]];
    assert_eq!(orders(&posts, FLAT, &most).len(), 3, "a tag that keeps to the middle can't tell");
    // On a line both sides are images: a fence on one side keeps an image of the turned order.
    let line = [[0.0, 0.0, 2.5], [10.0, 0.0, 2.5], [20.0, 0.0, 2.5]];
    let one_side = [[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]];
    assert_eq!(orders(&line, FLAT, &one_side), [vec![2, 1, 0]]);
}

#[test]
fn in_3d_a_floor_decides() {
    // Four posts of one height and the same again lower: upside down is out of the span of heights.
    let mut posts = rectangle(24.0, 14.0).to_vec();
    posts.extend(rectangle(24.0, 14.0).map(|[e, n, _]| [e, n, 0.5]));
    let open = congruences(&posts, Dimension::ThreeD, &Fence::default());
    let floor = Fence { area_m: Vec::new(), up_span_m: Some([0.0, 1.0]) };
    let fenced = congruences(&posts, Dimension::ThreeD, &floor);
    assert_eq!((open.len(), fenced.len()), (7, 3), "{fenced:?}");
    assert!(fenced.iter().all(|o| o[..4].iter().all(|p| *p < 4)), "{fenced:?}");
}

#[test]
fn what_no_site_is_ends_soon() {
    for n in 0..=MAX_ANCHORS {
        let heap = vec![[1.0, 2.0, 3.0]; n];
        let found = orders(&heap, FLAT, &[]);
        assert_eq!(found.len(), if n < 2 { 0 } else { found.len().clamp(1, MAX_ORDERS) }, "{n}");
    }
    assert_eq!(orders(&[[f64::NAN, 0.0, 0.0]; 4], FLAT, &[]).len(), 0);
    assert_eq!(orders(&[[0.0; 3]; 20], FLAT, &[]).len(), 0);
    // Sixteen round a ring: each turn and each mirror, and no more.
    let ring: Vec<[f64; 3]> = (0..16)
        .map(|i| {
            let (sin, cos) = (f64::from(i) * std::f64::consts::TAU / 16.0).sin_cos();
            [10.0 * cos, 10.0 * sin, 2.5]
        })
        .collect();
    assert_eq!(orders(&ring, FLAT, &[]).len(), 31);
}

#[test]
fn a_high_anchor_stands_for_no_low_one_and_a_grid_turns_as_a_square_does() {
    let mut high = rectangle(12.0, 8.0);
    high[0][2] = 4.0;
    assert_eq!(orders(&high, FLAT, &[]), Vec::<Vec<u8>>::new());
    let one_swap = vec![1, 0, 2, 3];
    assert!(!orders(&rectangle(12.0, 8.0), FLAT, &[]).contains(&one_swap));
    let grid: Vec<[f64; 3]> =
        (0..16).map(|i| [f64::from(i % 4) * 5.0, f64::from(i / 4) * 5.0, 3.0]).collect();
    assert_eq!(orders(&grid, FLAT, &[]).len(), 7);
}
