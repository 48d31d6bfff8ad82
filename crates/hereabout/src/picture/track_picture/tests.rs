use hereabout_core::{Location, Place, TagPlace};

use super::*;

const ANCHORS_M: [[f64; 2]; 3] = [[0.0, 0.0], [20.0, 0.0], [20.0, 10.0]];
const AREA_M: [[f64; 2]; 4] = [[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]];

#[test]
fn ellipses_have_the_axes_of_the_covariance() {
    // Standard deviations 0.2 m and 0.1 m along axes turned by 30°: closed form of a rotated covariance. A 95 %
    // ellipse is 2.4477 times as large (NIST/SEMATECH e-Handbook 1.3.6.7.4: √5.991), drawn at 48 units a metre.
    let (s, c) = (0.5_f64, 0.75_f64.sqrt());
    let (ee, nn, en) = (0.04 * c * c + 0.01 * s * s, 0.04 * s * s + 0.01 * c * c, 0.03 * s * c);
    let covariance_m2 = [[ee, en, 0.0], [en, nn, 0.0], [0.0; 3]];
    let mut p = TrackPicture::new("shed", LEGEND, ANCHORS_M.map(|at_m| (String::new(), at_m)), &AREA_M);
    let turned = Place { position_m: [10.0, 5.0, 0.9], covariance_m2 };
    let location = Location::Located(TagPlace::of(turned, 0.5));
    go_on(&mut p, &PositionReport { location, ..hereabout_fixtures::located([0.0; 3]) });
    let wanted = "rx=\"23.5\" ry=\"11.7\" transform=\"translate(480.0 240.0) rotate(-30.0)\"";
    assert!(p.to_svg().contains(wanted), "{}", p.to_svg());
    assert_eq!(ellipse95(&[[f64::NAN, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0; 3]]), None);
}
