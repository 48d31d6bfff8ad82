use hereabout_core::{Correction, plausible::CorrectionLimits};

use super::*;

#[test]
fn the_likely_slip_stands_beside_what_is_wrong() {
    let said = |offset_m, scale| {
        let c = Correction { offset_m, scale, offset_se_m: None };
        CorrectionLimits::default().judge(&c).map(|i| correction(&i).words).collect::<Vec<_>>().join(" / ")
    };
    assert_eq!(
        said(-29.3, 1.0),
        "an offset of -29.3 m is beyond what boards have (up to 0.5 m either way); perhaps written in centimetres: \
         -0.293 m then"
    );
    assert!(said(112.0, 1.0).ends_with("in millimetres: 0.112 m then"));
    assert!(said(0.1, 101.5).ends_with("(0.9 to 1.1); perhaps written in per cent: 1.015 then"));
    assert!(said(0.1, 0.015).ends_with("as the difference from 1: 1.015 then"));
    assert_eq!(said(9e9, 7.0).matches("perhaps").count(), 0, "no guess where none fits");
}
