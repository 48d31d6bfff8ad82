//! A tag's way: straight legs between waypoints at one speed, with a pause at each.
//!
//! Speed changes at once; a cart that is pushed does not, but nothing here depends on it.

use crate::scenario::{SimTag, WayEnd};

/// Where a tag is at any time.
#[derive(Clone, Debug)]
pub struct TagWay {
    stops: Vec<Stop>,
    lap_s: f64,
    end: WayEnd,
}

/// A waypoint, the pause there, and the leg to the next one.
#[derive(Clone, Debug)]
struct Stop {
    from_s: f64,
    at_m: [f64; 3],
    pause_s: f64,
    leg_m: [f64; 3],
    leg_s: f64,
}

impl TagWay {
    /// The way of a checked tag.
    pub(crate) fn new(tag: &SimTag) -> TagWay {
        let places: Vec<[f64; 3]> = (0..tag.path_m.len()).filter_map(|i| tag.place_m(i)).collect();
        let mut from_s = 0.0;
        let stops = places.iter().enumerate().map(|(i, &at_m)| {
            let last = i + 1 == places.len();
            let next_m = if last && tag.end == WayEnd::Stop { at_m } else { places[(i + 1) % places.len()] };
            let leg_m = [next_m[0] - at_m[0], next_m[1] - at_m[1], next_m[2] - at_m[2]];
            let length_m = (leg_m[0] * leg_m[0] + leg_m[1] * leg_m[1] + leg_m[2] * leg_m[2]).sqrt();
            let stop =
                Stop { from_s, at_m, pause_s: tag.pause_at_s(i), leg_m, leg_s: length_m / tag.speed_mps };
            from_s += stop.pause_s + stop.leg_s;
            stop
        });
        let stops = stops.collect();
        TagWay { stops, lap_s: from_s, end: tag.end }
    }

    /// Seconds of one lap, pauses included; 0 for a tag that stands.
    pub fn lap_s(&self) -> f64 {
        self.lap_s
    }

    /// East, north, up in metres and velocity in m/s, `at_s` seconds after the start.
    pub fn at(&self, at_s: f64) -> ([f64; 3], [f64; 3]) {
        let t = match self.end {
            WayEnd::Loop if self.lap_s > 0.0 => at_s.rem_euclid(self.lap_s),
            _ => at_s.max(0.0),
        };
        let after = self.stops.partition_point(|stop| stop.from_s <= t).max(1);
        let Some(stop) = self.stops.get(after - 1) else { return ([0.0; 3], [0.0; 3]) };
        let into_leg_s = t - stop.from_s - stop.pause_s;
        if into_leg_s <= 0.0 || stop.leg_s <= 0.0 {
            return (stop.at_m, [0.0; 3]);
        }
        let share = (into_leg_s / stop.leg_s).min(1.0);
        let place = std::array::from_fn(|i| stop.at_m[i] + share * stop.leg_m[i]);
        (place, std::array::from_fn(|i| stop.leg_m[i] / stop.leg_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> SimTag {
        SimTag {
            height_m: Some(1.0),
            path_m: vec![vec![0.0, 0.0], vec![4.0, 0.0], vec![4.0, 2.0, 3.0]],
            speed_mps: 2.0,
            pause_s: vec![0.0, 1.0, 0.5],
            ..SimTag::default()
        }
    }

    #[test]
    fn legs_pauses_and_laps_follow_by_hand() {
        // 4 m at 2 m/s, 1 s pause, then (0,2,2) of length 2√2, 0.5 s pause, back (-4,-2,-2) of length √24.
        let way = TagWay::new(&square());
        assert_eq!(way.at(0.0).0, [0.0, 0.0, 1.0]);
        assert_eq!(way.at(0.5), ([1.0, 0.0, 1.0], [2.0, 0.0, 0.0]));
        assert_eq!(way.at(2.0), ([4.0, 0.0, 1.0], [0.0; 3]));
        assert_eq!(way.at(2.9), ([4.0, 0.0, 1.0], [0.0; 3]));
        let (middle, velocity) = way.at(3.0 + 0.5 * 2f64.sqrt());
        for (got, expected) in middle.iter().zip([4.0, 1.0, 2.0]) {
            assert!((got - expected).abs() < 1e-12, "{middle:?}");
        }
        let speed = velocity.iter().map(|v| v * v).sum::<f64>().sqrt();
        assert!((speed - 2.0).abs() < 1e-12);
        let lap = 2.0 + 1.0 + 2f64.sqrt() + 0.5 + 24f64.sqrt() / 2.0;
        assert!((way.lap_s() - lap).abs() < 1e-12);
        for (a, b) in way.at(0.7).0.iter().zip(way.at(0.7 + 5.0 * lap).0) {
            assert!((a - b).abs() < 1e-9);
        }
    }

    #[test]
    fn a_way_that_stops_stays_at_its_last_place() {
        let way = TagWay::new(&SimTag { end: WayEnd::Stop, ..square() });
        assert_eq!(way.at(1000.0), ([4.0, 2.0, 3.0], [0.0; 3]));
        assert_eq!(way.at(0.5).1, [2.0, 0.0, 0.0]);
    }

    #[test]
    fn one_waypoint_stands() {
        let way = TagWay::new(&SimTag { path_m: vec![vec![3.0, 4.0, 5.0]], ..square() });
        for at_s in [0.0, 1.0, 1e6] {
            assert_eq!(way.at(at_s), ([3.0, 4.0, 5.0], [0.0; 3]));
        }
    }
}
