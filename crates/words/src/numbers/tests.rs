use super::*;

/// Bearings count clockwise from north, as on any chart.
#[test]
fn directions_are_those_of_a_chart() {
    for (shift, bearing, name) in [
        ([0.0, 1.0], 0.0, "north"),
        ([1.0, 1.0], 45.0, "north-east"),
        ([1.0, 0.0], 90.0, "east"),
        ([0.0, -2.0], 180.0, "south"),
        ([-0.3, 0.0], 270.0, "west"),
        ([-1.0, 1.0], 315.0, "north-west"),
    ] {
        let found = bearing_deg(shift).unwrap();
        assert!((found - bearing).abs() < 1e-9, "{shift:?}: {found}");
        assert_eq!(direction(found), name);
    }
    assert_eq!(bearing_deg([0.0, 0.0]), None);
    assert_eq!(bearing_deg([f64::NAN, 1.0]), None);
    // Each name holds for an eighth of a turn around its own direction.
    assert_eq!(direction(22.4), "north");
    assert_eq!(direction(22.6), "north-east");
    assert_eq!(direction(359.0), "north");
    assert_eq!(direction(-90.0), "west");
}
