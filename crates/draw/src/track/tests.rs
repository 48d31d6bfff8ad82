use super::*;

const ANCHORS: [(u32, [f64; 2]); 3] = [(0, [0.0, 0.0]), (4, [20.0, 0.0]), (7, [20.0, 10.0])];
const LEGEND: Legend = Legend {
    mark: "anchor and id",
    area: "area of the site",
    reference: "truth",
    measured: "located",
    predicted: "coasting",
    ellipse: "95 % ellipse",
    restart: "restart",
    series: "tag",
};
const AREA: [[f64; 2]; 4] = [[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]];
const TAG: u32 = 3;

/// Standard deviations of 0.2 m east and 0.1 m north, as an ellipse of 95 %.
fn place(east: f64, north: f64) -> TrackPoint {
    let ellipse = Some(Ellipse { semi_major_m: 0.4895, semi_minor_m: 0.2448, direction_rad: 0.0 });
    TrackPoint { at_m: [east, north], ellipse, predicted: false, restarted: false }
}

fn picture() -> TrackPicture {
    let marks = ANCHORS.map(|(id, at_m)| (id.to_string(), at_m));
    TrackPicture::new("Larkfield <nursery>", LEGEND, marks, &AREA)
}

/// How many drawn elements (the legend's are in groups of their own) have this class.
fn count(svg: &str, class: &str) -> usize {
    let (_, drawing) = svg.split_once("<g clip-path").unwrap();
    let (drawing, _) = drawing.split_once("</g>").unwrap();
    drawing.matches(&format!("class=\"{class}\"")).count()
}

#[test]
fn metres_become_units_by_one_scale_with_north_up() {
    let plan = PlanScale::of(&picture());
    // 20 m are 960 units, so 10 m are 480; the north-west corner is the origin.
    assert_eq!((plan.scale, plan.size), (48.0, [960.0, 480.0]));
    assert_eq!(plan.unit([0.0, 10.0]), [0.0, 0.0]);
    assert_eq!(plan.unit([5.0, 0.0]), [240.0, 480.0]);
}

#[test]
fn the_track_has_gaps_where_lost_and_dashes_where_coasting() {
    let mut p = picture();
    let at = |k: i32| Some(place(f64::from(k), 5.0));
    for k in 0..4 {
        p.track(TAG, at(k));
    }
    for k in 4..6 {
        p.track(TAG, at(k).map(|point| TrackPoint { predicted: true, ..point }));
    }
    p.track(TAG, None);
    for k in 10..12 {
        p.track(TAG, at(k));
    }
    p.track(TAG, at(15).map(|point| TrackPoint { restarted: true, ..point }));
    let svg = p.to_svg();
    // Located before the gap, after it, and after the restart: three lines that do not join.
    assert_eq!((count(&svg, "track"), count(&svg, "coasting"), count(&svg, "restart")), (3, 1, 1), "{svg}");
    // The dashes go on from the last located place (3 m east: 144 units).
    assert!(svg.contains("class=\"coasting\" d=\"M144.0 240.0L192.0 240.0L240.0 240.0\""), "{svg}");
    assert!(svg.contains("class=\"track\" d=\"M480.0 240.0L528.0 240.0\""), "{svg}");
    assert!(svg.contains(">tag 3</text>") && svg.contains(">restart</text>"));
}

#[test]
fn ellipses_keep_apart() {
    let mut p = picture();
    for k in 0..2_000 {
        p.track(TAG, Some(place(f64::from(k) * 0.01, 5.0)));
    }
    // 19.99 m of way; the diagonal is 22.36 m, so centres are at least 1.242 m apart, which is 1.25 m from one
    // centimetre to the next: 0, 1.25, … 18.75.
    assert_eq!(count(&p.to_svg(), "ellipse"), 16);
}

#[test]
fn anchors_area_truth_scale_bar_and_names_are_there() {
    let mut p = picture();
    p.reference(TAG, Some([1.0, 1.0]));
    p.reference(TAG, Some([2.0, 1.0]));
    p.reference(TAG, None);
    p.reference(TAG, Some([3.0, 1.0]));
    let svg = p.to_svg();
    assert_eq!((count(&svg, "anchor"), count(&svg, "area"), count(&svg, "truth")), (3, 1, 2));
    for id in ["0", "4", "7"] {
        assert!(svg.contains(&format!(">{id}</text>")), "{svg}");
    }
    // A quarter of 20 m.
    assert!(svg.contains(">5 m</text>") && svg.contains("h240.0m0 -4v8"), "{svg}");
    assert!(svg.contains("<title>Larkfield &lt;nursery&gt;</title>"), "{svg}");
    assert!(svg.contains("prefers-color-scheme:dark"));
}

#[test]
fn a_wild_fix_is_cut_off_and_told_and_rubbish_is_left_out() {
    let mut p = picture();
    p.track(TAG, Some(place(5.0, 5.0)));
    p.track(TAG, Some(place(500.0, 5.0)));
    p.track(TAG, Some(place(f64::NAN, 5.0)));
    p.track(TAG, Some(place(1e300, 5.0)));
    p.reference(TAG, Some([f64::INFINITY, 0.0]));
    assert_eq!(PlanScale::of(&p).scale, 48.0);
    let svg = p.to_svg();
    assert!(svg.contains(">1 outside</text>"), "{svg}");
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    // Nothing at all is a picture, too.
    let empty = TrackPicture::new("", LEGEND, [], &[]).to_svg();
    assert!(empty.ends_with("</svg>\n") && !empty.contains("NaN") && !empty.contains("inf"), "{empty}");
}

#[test]
fn a_long_trail_is_thinned_and_keeps_its_gaps() {
    let mut p = picture();
    for k in 0..200_000 {
        if k == 100_000 {
            p.track(TAG, None);
        }
        p.track(TAG, Some(place(f64::from(k) * 1e-4, 5.0)));
    }
    let dots = &p.tracks[&TAG].dots;
    assert!(dots.len() <= MAX_DOTS && dots.len() > MAX_DOTS / 4, "{}", dots.len());
    assert_eq!(dots.iter().filter(|d| d.first).count(), 2);
    assert!(dots.windows(2).all(|w| w[0].point.at_m[0] < w[1].point.at_m[0]));
    assert!(dots.last().unwrap().point.at_m[0] > 19.99);
}
