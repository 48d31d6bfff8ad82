//! New offsets for a running site.

mod reading;

use axum::{
    body::Bytes,
    extract::State,
    http::{HeaderMap, header},
    response::Response,
};

use self::reading::read;
use super::{App, answer::body, query::NoQuery};
use crate::{
    http::{
        rights::{MayChange, Refusal},
        settings::{NotDone, Work},
    },
    v1::{CalibrationsBody, Problem},
};

/// New offsets for boards of the site: written beside the site file and in force at once.
///
/// Boards that are not named keep what they have. No frame is lost; a new session begins in the log, with the
/// calibration that it runs with. Tracks are computed anew from the last ranges, zones start as unknown. Three changes may
/// follow one another at once, then one every 10 s.
#[utoipa::path(post, path = "/v1/calibrations", request_body = CalibrationsBody,
    responses((status = OK, body = CalibrationsBody, description = "What is in force now, of all boards")))]
pub(super) async fn calibrations(
    may_change: MayChange,
    State(app): State<App>,
    _: NoQuery,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    if !kind.split(';').next().unwrap_or("").trim().eq_ignore_ascii_case("application/json") {
        return Err(Problem::unsupported_media_type(kind).into());
    }
    let asked = read(&bytes).map_err(|why| Problem::bad_calibration(&why))?;
    let site = app.hub.site();
    let corrections = asked.corrections(&site).map_err(|e| Problem::bad_calibration(&e))?;
    match app.operate(may_change, Work::Calibrate(corrections)).await? {
        Ok(()) => Ok(body(&CalibrationsBody::from(&*app.hub.site()))),
        Err(NotDone::Failed(why)) => Err(Problem::calibration_not_kept(&why).into()),
        Err(NotDone::Conflict(why)) => Err(Problem::calibration_conflict(&why).into()),
    }
}
