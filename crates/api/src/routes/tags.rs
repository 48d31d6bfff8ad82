//! The latest positions.

use axum::{
    extract::{Path, State, rejection::PathRejection},
    response::Response,
};
use hereabout_core::TagId;

use super::{
    App,
    answer::{json_text, list, path_text},
    query::{NONCE, Nonce},
};
use crate::{
    current::Current,
    v1::{PositionBody, Problem, Sending, TagsBody, Tail, with_nonce},
};

/// The latest position message of every tag, as it counts now.
///
/// What has run out is `lost`, with the code `expired`.
#[utoipa::path(get, path = "/v1/tags", params(("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = TagsBody)))]
pub(super) async fn tags(State(app): State<App>, Nonce(nonce): Nonce) -> Response {
    let moment = app.moment();
    let (current, sending) = (moment.current(), app.sending(&moment));
    let texts = moment.now.tags.keys().filter_map(|tag| position_text(&current, *tag, sending));
    let texts: Vec<String> = texts.collect();
    json_text(with_nonce(format!("{{\"tags\":[{}]}}", texts.join(",")), nonce.as_deref()))
}

/// The latest position message of one tag, as it counts now.
///
/// What has run out is `lost`, with the code `expired`.
#[utoipa::path(get, path = "/v1/tags/{tag}",
    params(("tag" = u32, Path, description = "The tag's id"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = PositionBody)))]
pub(super) async fn tag(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    Nonce(nonce): Nonce,
) -> Result<Response, Problem> {
    let id = path_text(path)?;
    let moment = app.moment();
    let sending = app.sending(&moment);
    let text = id.parse().ok().and_then(|n| position_text(&moment.current(), TagId(n), sending));
    let text = text.ok_or_else(|| Problem::unknown_tag(&id, &list(moment.now.tags.keys())))?;
    Ok(json_text(with_nonce(text, nonce.as_deref())))
}

pub(super) fn position_text(current: &Current<'_>, tag: TagId, sending: Sending) -> Option<String> {
    let (text, position) = current.position_text(tag)?;
    let tail = Tail::Holds { at: Some(position.report.at), until: position.report.valid_until };
    Some(tail.put(&text, sending))
}
