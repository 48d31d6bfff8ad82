//! The site, in numbers and as a picture.

use axum::{
    extract::State,
    http::{HeaderValue, header},
    response::Response,
};

use super::{
    App,
    answer::{body, typed},
    query::NoQuery,
};
use crate::{
    plan::{Plan, PlanLook},
    v1::SiteBody,
};

/// The site: frame of reference in words and numbers, anchors, zones.
#[utoipa::path(get, path = "/v1/site", responses((status = OK, body = SiteBody)))]
pub(super) async fn site(State(app): State<App>, _: NoQuery) -> Response {
    body(&SiteBody::from(&*app.hub.site()))
}

/// Picture of the site as it is now: anchors, zones and tags with their state, ellipses, trails.
///
/// East is right, north is up. What is not known is drawn as not known. Nothing is fetched by it.
#[utoipa::path(get, path = "/v1/plan.svg",
    params(
        ("theme" = Option<String>, Query, description = "light or dark; without: as the viewer prefers"),
        ("width" = Option<f64>, Query,
            description = "Width in its own units, 280 to 2000, for letters of 12; without: 640"),
        ("notes" = Option<String>, Query, description = "no leaves out the states in words below the plan"),
    ),
    responses((status = OK, body = String, content_type = "image/svg+xml")))]
pub(super) async fn plan_svg(State(app): State<App>, look: PlanLook) -> Response {
    let moment = app.moment();
    let tags = app.hub.tags_with_trails(moment.clock);
    let plan = Plan::of(moment.current(), &tags);
    let mut response = typed("image/svg+xml; charset=utf-8", plan.to_svg(look));
    // Opened by itself it is a document: one without scripts, frames or requests.
    let policy = HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'");
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    response
}
