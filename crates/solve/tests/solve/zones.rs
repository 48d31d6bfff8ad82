//! Z1 to Z3: sides of places, distances and signed areas.

use hereabout_core::geometry::area::{Area, Side};
use hereabout_core::geometry::polygon::{centroid_m, signed_area_m2};
use serde_json::Value;

use crate::common::{close, list};

fn corners(v: &Value) -> Vec<[f64; 2]> {
    v.as_array().unwrap().iter().map(|c| list(c).try_into().unwrap()).collect()
}

fn polygons() -> Value {
    serde_json::from_str(include_str!("../data/polygons.json")).unwrap()
}

#[test]
fn places_are_on_the_side_that_exact_arithmetic_gives() {
    let polygons = polygons();
    let ring = &polygons["ring"];
    let mut rows = 0;
    for row in csv::Reader::from_reader(&include_bytes!("../data/polygon_cases.csv")[..]).records() {
        let row = row.unwrap();
        let number = |k: usize| row[k].parse::<f64>().unwrap();
        let area = match &polygons["polygons"][&row[0]] {
            Value::Null => Area::polygon(&corners(&ring[0]), &[corners(&ring[1])]),
            outline => Area::polygon(&corners(outline), &[]),
        };
        let place = [number(1), number(2)];
        let side = match &row[3] {
            "inside" => Side::Inside,
            "boundary" => Side::Border,
            "outside" => Side::Outside,
            other => panic!("{other}"),
        };
        assert_eq!(area.side(place), side, "{row:?}");
        close(area.signed_distance_m(place).abs(), number(4), 1e-12);
        close(area.signed_distance_m(place), number(5), 1e-12);
        rows += 1;
    }
    assert_eq!(rows, 54);
}

#[test]
fn areas_have_the_sign_of_their_winding() {
    let polygons = polygons();
    let of = |name: &str| corners(&polygons["polygons"][name]);
    for (name, wanted) in
        [("square", 16.0), ("L", 18.0), ("diamond", 18.0), ("spike", 22.5), ("room12x9_cw", -108.0)]
    {
        close(signed_area_m2(&of(name)), wanted, 1e-12);
        close(Area::polygon(&of(name), &[]).size_m2(), wanted.abs(), 1e-12);
    }
    let ring = Area::polygon(&corners(&polygons["ring"][0]), &[corners(&polygons["ring"][1])]);
    close(ring.size_m2(), 84.0, 1e-12);
    let [e, n] = centroid_m(&of("L")).unwrap();
    close(e, 2.3333333333333335, 1e-12);
    close(n, 1.8333333333333333, 1e-12);
    assert_eq!(centroid_m(&[[0.0, 0.0], [1.0, 1.0]]), None);
}
