//! The daemon itself: whether it lives and is ready, its counters, and the description of all routes.

use axum::{extract::State, response::Response};

use super::{
    App,
    answer::{body, json_text, typed},
    openapi_json,
    query::NoQuery,
};
use crate::{
    current::status::{Service, status_body},
    metrics::metrics_text,
    v1::{AliveBody, Problem, StatusBody},
};

/// The daemon: link, counters, log, and what needs a person.
#[utoipa::path(get, path = "/v1/status", responses((status = OK, body = StatusBody)))]
pub(super) async fn status(State(app): State<App>, _: NoQuery) -> Response {
    let moment = app.moment();
    let service = Service {
        info: app.hub.info(),
        not_ready: app.not_ready(&moment),
        changes: app.settings.rights.body(),
        problems: app.settings.rights.problems(),
        uptime_s: app.sending(&moment).sender_s(),
    };
    body(&status_body(&moment, service))
}

/// 200 as long as the daemon answers.
#[utoipa::path(get, path = "/livez", responses((status = OK, body = AliveBody)))]
pub(super) async fn livez(_: NoQuery) -> Response {
    body(&AliveBody { status: "alive" })
}

/// 200 when positions can be expected.
///
/// That is when the link to the kit was connected at least once, the engine has put something out and its time goes on,
/// and when, for the last 5 s, the link was not waiting all the time, good frames came, and not all of them were too
/// old, repeated or frozen; and as long as nothing speaks against the site as a whole. Else 503 with the reason. A single tag that is lost changes nothing.
#[utoipa::path(get, path = "/readyz",
    responses((status = OK, body = AliveBody), (status = SERVICE_UNAVAILABLE, body = Problem,
        content_type = "application/problem+json")))]
pub(super) async fn readyz(State(app): State<App>, _: NoQuery) -> Result<Response, Problem> {
    match app.not_ready(&app.moment()) {
        Some(reason) => Err(Problem::not_ready(reason)),
        None => Ok(body(&AliveBody { status: "ready" })),
    }
}

/// OpenMetrics text.
#[utoipa::path(get, path = "/metrics",
    responses((status = OK, body = String, content_type = "application/openmetrics-text")))]
pub(super) async fn metrics(State(app): State<App>, _: NoQuery) -> Response {
    let text = metrics_text(app.hub.info().clone(), app.moment(), app.hub.newest_event());
    typed("application/openmetrics-text; version=1.0.0; charset=utf-8", text)
}

/// This description.
#[utoipa::path(get, path = "/openapi.json", responses((status = OK, body = serde_json::Value)))]
pub(super) async fn openapi(_: NoQuery) -> Response {
    json_text(openapi_json())
}
