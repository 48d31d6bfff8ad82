//! The zones: what all tags, or one of them, are to each.

use axum::{
    extract::{Path, State, rejection::PathRejection},
    response::Response,
};

use super::{
    App,
    answer::{body, list, path_text},
    query::{NONCE, OfTag},
};
use hereabout_words::time::rfc3339;

use crate::v1::{Problem, ZoneAnswerBody, ZonesBody};

/// Every zone: inside, outside or unknown, over all tags.
#[utoipa::path(get, path = "/v1/zones",
    params(("tag" = Option<u32>, Query, description = "What this tag alone is to the zones"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = ZonesBody)))]
pub(super) async fn zones(State(app): State<App>, OfTag { tag, nonce }: OfTag) -> Response {
    let moment = app.moment();
    let zones = moment.current().zone_answers(tag, Some(app.sending(&moment)));
    body(&ZonesBody { time: rfc3339(moment.clock), zones, nonce })
}

/// One zone: inside, outside or unknown, over all tags.
///
/// After `valid_until` without a newer message it is unknown, here as everywhere: a stopped engine leaves no
/// stale "inside".
#[utoipa::path(get, path = "/v1/zones/{name}",
    params(("name" = String, Path, description = "The zone's name, percent-encoded"),
        ("tag" = Option<u32>, Query, description = "What this tag alone is to the zone"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = ZoneAnswerBody)))]
pub(super) async fn zone(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    OfTag { tag, nonce }: OfTag,
) -> Result<Response, Problem> {
    let name = path_text(path)?;
    let moment = app.moment();
    let site = &moment.site;
    let index = site.zones.iter().position(|z| z.name == name);
    let index =
        index.ok_or_else(|| Problem::unknown_zone(&name, &list(site.zones.iter().map(|z| &z.name))))?;
    let answer = moment.current().zone_answer(index, tag, Some(app.sending(&moment)));
    Ok(body(&ZoneAnswerBody { nonce, ..answer }))
}
