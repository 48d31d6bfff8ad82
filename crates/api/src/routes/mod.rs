//! The routes, and their description for OpenAPI: one place for both, so that neither forgets one.

mod anchors;
mod answer;
mod app;
mod calibrations;
mod daemon;
mod description;
mod events;
mod live;
pub(crate) mod page;
pub(crate) mod query;
mod site;
mod tags;
mod zones;

use axum::{
    Router,
    http::{Method, Uri},
    middleware,
};
use utoipa::OpenApi;
use utoipa_axum::{router::OpenApiRouter, routes};

pub(crate) use app::App;
pub use description::cautions;

use crate::{
    http::guard::guard,
    v1::{
        MissedBody, NoLongerKeptBody, NonceBody, NumbersAnewBody, PongBody, Problem, RangesBody,
        ZoneReportBody,
    },
};

#[derive(OpenApi)]
#[openapi(components(schemas(
    Problem,
    RangesBody,
    MissedBody,
    PongBody,
    NonceBody,
    ZoneReportBody,
    NoLongerKeptBody,
    NumbersAnewBody
)))]
struct Description;

fn described() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(page::index))
        .routes(routes!(site::site))
        .routes(routes!(tags::tags))
        .routes(routes!(tags::tag))
        .routes(routes!(anchors::anchors))
        .routes(routes!(anchors::anchor))
        .routes(routes!(anchors::anchors_txt))
        .routes(routes!(site::plan_svg))
        .routes(routes!(zones::zones))
        .routes(routes!(zones::zone))
        .routes(routes!(events::events))
        .routes(routes!(live::live))
        .routes(routes!(live::live_sse))
        .routes(routes!(calibrations::calibrations))
        .routes(routes!(anchors::mended))
        .routes(routes!(daemon::status))
        .routes(routes!(daemon::livez))
        .routes(routes!(daemon::readyz))
        .routes(routes!(daemon::metrics))
        .routes(routes!(daemon::openapi))
}

/// All routes behind the guard.
pub(crate) fn router(app: App) -> Router {
    let (router, _) = described().split_for_parts();
    router
        .fallback(|uri: Uri| async move { Problem::unknown_path(uri.path()) })
        .method_not_allowed_fallback(
            |method: Method| async move { Problem::method_not_allowed(method.as_str()) },
        )
        .layer(middleware::from_fn(guard))
        .with_state(app)
}

/// The OpenAPI 3.1 description, as `/openapi.json` serves it.
pub fn openapi_json() -> String {
    description::text(described().into_openapi())
}
