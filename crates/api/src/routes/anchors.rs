//! The anchors: their health for programs and for people, and the word that one was mended.

use axum::{
    extract::{Path, State, rejection::PathRejection},
    response::Response,
};

use super::{
    App,
    answer::{body, list, path_text, typed},
    query::NoQuery,
};
use hereabout_words::time::rfc3339;

use crate::{
    http::{
        rights::{MayChange, Refusal},
        settings::{NotDone, Work},
    },
    table::anchors_text,
    v1::{AnchorDetailBody, AnchorsBody, KitFindingBody, MendedBody, MinuteBody, NotToldBody, Problem},
};

/// Health of every anchor, as it counts now.
///
/// An anchor that is not said to be silent, but must be, is silent; figures that are too old are null.
#[utoipa::path(get, path = "/v1/anchors", responses((status = OK, body = AnchorsBody)))]
pub(super) async fn anchors(State(app): State<App>, _: NoQuery) -> Response {
    let moment = app.moment();
    let current = moment.current();
    body(&AnchorsBody {
        time: moment.now.anchors.as_ref().map(|t| rfc3339(t.at)),
        kit: moment.now.kit().map(|k| KitFindingBody::new(k, (&*moment.site).into())).collect(),
        not_told_yet: current.places().undecided.map(|n| NotToldBody { words: n.words, advice: n.advice }),
        anchors: moment.site.anchors.iter().map(|a| current.anchor_body(a)).collect(),
    })
}

/// Health of one anchor, with the minutes of its last hour.
#[utoipa::path(get, path = "/v1/anchors/{id}", params(("id" = u16, Path, description = "The anchor's id")),
    responses((status = OK, body = AnchorDetailBody)))]
pub(super) async fn anchor(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    _: NoQuery,
) -> Result<Response, Problem> {
    let id = path_text(path)?;
    let moment = app.moment();
    let anchors = &moment.site.anchors;
    let found = id.parse().ok().and_then(|n: u16| anchors.iter().find(|a| a.id.0 == n));
    let found = found.ok_or_else(|| Problem::unknown_anchor(&id, &list(anchors.iter().map(|a| a.id))))?;
    let minutes = app.hub.minutes(found.id, moment.clock);
    Ok(body(&AnchorDetailBody {
        anchor: moment.current().anchor_body(found),
        minutes: minutes.iter().map(MinuteBody::from).collect(),
    }))
}

/// Health of every anchor for people: a table, worst first, with advice.
#[utoipa::path(get, path = "/v1/anchors.txt", responses((status = OK, body = String, content_type = "text/plain")))]
pub(super) async fn anchors_txt(State(app): State<App>, _: NoQuery) -> Response {
    let text = anchors_text(&app.moment().current(), &app.hub.info().source);
    typed("text/plain; charset=utf-8", text)
}

/// Says that an anchor was mended: put back, exchanged, its plug seen to.
///
/// What is held against it is forgotten (its place, its offset, its drift, late and weak ranges, its silences), and its
/// evidence begins anew. No frame is lost; a new session begins in the log. The other anchors are judged by what the last
/// three minutes gave, tracks are computed anew from these, zones start as unknown. The pace is that of all changes.
#[utoipa::path(post, path = "/v1/anchors/{id}/mended", params(("id" = u16, Path, description = "The anchor's id")),
    responses((status = OK, body = MendedBody)))]
pub(super) async fn mended(
    may_change: MayChange,
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    _: NoQuery,
) -> Result<Response, Refusal> {
    let id = path_text(path)?;
    let site = app.hub.site();
    let found = id.parse().ok().and_then(|n: u16| site.anchors.iter().find(|a| a.id.0 == n));
    let found =
        found.ok_or_else(|| Problem::unknown_anchor(&id, &list(site.anchors.iter().map(|a| a.id))))?;
    match app.operate(may_change, Work::Mended(found.id)).await? {
        Ok(()) => Ok(body(&MendedBody {
            anchor: found.id.0,
            words: "forgotten what was held against it; its evidence begins anew: drive the tag around",
        })),
        Err(NotDone::Failed(why) | NotDone::Conflict(why)) => Err(Problem::not_mended(&why).into()),
    }
}
