//! The picture of a replay: truth, published track and 95 % ellipses over the site's plan.

use hereabout_core::{Dimension, PositionReport, Site, TagState};
use hereabout_draw::track::{Ellipse, Legend, TrackPicture, TrackPoint};
use hereabout_solve::{ellipse, ellipse_factor};

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

/// A picture of a site on which nothing has happened yet.
pub(crate) fn of_site(site: &Site) -> TrackPicture {
    let anchors = site.anchors().iter().map(|a| (a.id.to_string(), [a.at_m[0], a.at_m[1]]));
    TrackPicture::new(site.name(), LEGEND, anchors, &site.fence().area_m)
}

/// Goes on to what was published; without a place, and while lost or ambiguous, the pen is lifted.
pub(crate) fn go_on(picture: &mut TrackPicture, report: &PositionReport) {
    let shown = report.place().filter(|_| matches!(report.state(), TagState::Located | TagState::Coasting));
    let point = shown.map(|place| TrackPoint {
        at_m: [place.position_m[0], place.position_m[1]],
        ellipse: ellipse95(&place.covariance_m2),
        predicted: report.state() == TagState::Coasting,
        restarted: report.restarted,
    });
    picture.track(report.tag.0, point);
}

/// The ellipse that holds the truth's east and north with 95 %; `None` without a spread.
fn ellipse95(covariance_m2: &[[f64; 3]; 3]) -> Option<Ellipse> {
    let one = ellipse(covariance_m2)?;
    // On the plan there are two dimensions, whatever the site has.
    let factor = ellipse_factor(Dimension::TwoD { tag_height_m: 0.0 }, 0.95);
    Some(Ellipse {
        semi_major_m: factor * one.semi_major_m,
        semi_minor_m: factor * one.semi_minor_m,
        direction_rad: one.direction_rad,
    })
}

#[cfg(test)]
mod tests;
