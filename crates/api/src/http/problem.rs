//! Every error as RFC 9457 `application/problem+json`: what happened, and what to do.

use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};

use hereabout_core::is_plain;

use crate::v1::{Problem, json};

impl Problem {
    fn new(status: StatusCode, kind: &'static str, title: &'static str, detail: String) -> Problem {
        Problem { kind, title, status: status.as_u16(), detail }
    }

    pub(crate) fn bad_request(detail: String) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, "/problems/bad-request", "The request is malformed", detail)
    }

    pub(crate) fn foreign_host(host: &str) -> Problem {
        let detail = format!(
            "The Host '{host}' is not this machine: ask for localhost, 127.0.0.1 or [::1]. Names of other \
             kinds are refused, so that a web page cannot reach the daemon through a name of its own."
        );
        Problem::new(StatusCode::FORBIDDEN, "/problems/foreign-host", "Not addressed to this machine", detail)
    }

    pub(crate) fn foreign_origin(origin: &str) -> Problem {
        let detail = format!(
            "The page from '{origin}' may not use this daemon: serve the page from localhost, or let a \
             program without an Origin header ask for it."
        );
        Problem::new(StatusCode::FORBIDDEN, "/problems/foreign-origin", "Not a page of this machine", detail)
    }

    pub(crate) fn no_pages(origin: &str) -> Problem {
        let detail = format!(
            "The page from '{origin}' may not change anything, nor may any other page: a browser does what pages of \
             strangers ask for. Let a program without an Origin header do it."
        );
        Problem::new(StatusCode::FORBIDDEN, "/problems/no-pages", "Pages may not change anything", detail)
    }

    pub(crate) fn key_wanted(todo: &str) -> Problem {
        let detail =
            format!("Whoever changes something must show the right to: {todo}; nothing was changed.");
        Problem::new(StatusCode::UNAUTHORIZED, "/problems/key-wanted", "The key is wanted", detail)
    }

    pub(crate) fn wrong_key(todo: &str) -> Problem {
        let detail = format!("What was sent is not the key: {todo}; nothing was changed.");
        Problem::new(StatusCode::UNAUTHORIZED, "/problems/wrong-key", "This is not the key", detail)
    }

    pub(crate) fn too_many_wrong_keys() -> Problem {
        let detail =
            "Several wrong keys wait for their answer: wait a second; nothing was changed.".to_owned();
        Problem::new(
            StatusCode::TOO_MANY_REQUESTS,
            "/problems/too-many-wrong-keys",
            "Too many wrong keys at once",
            detail,
        )
    }

    pub(crate) fn no_key_here(why: &str) -> Problem {
        let detail = format!("Nothing can be changed over this address: {why}; nothing was changed.");
        Problem::new(
            StatusCode::FORBIDDEN,
            "/problems/no-key-here",
            "No key is in use, so this address may not change anything",
            detail,
        )
    }

    pub(crate) fn too_many_changes(wait_s: u64, burst: u32, every_s: u64) -> Problem {
        let detail = format!(
            "Changes follow one another too fast: {burst} at once, then one every {every_s} s, because each begins \
             zones anew. Wait {wait_s} s; nothing was changed."
        );
        Problem::new(StatusCode::TOO_MANY_REQUESTS, "/problems/too-many-changes", "Too soon", detail)
    }

    pub(crate) fn too_many_connections() -> Problem {
        let detail = "All connections that this daemon can spare are busy: close one that reads live messages, or try \
                      again in a while."
            .to_owned();
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/too-many-connections",
            "No room for another connection",
            detail,
        )
    }

    pub(crate) fn unknown_path(path: &str) -> Problem {
        let detail = format!("There is nothing at '{}': GET / lists what there is.", shorten(path));
        Problem::new(StatusCode::NOT_FOUND, "/problems/unknown-path", "Nothing at this path", detail)
    }

    pub(crate) fn unknown_tag(tag: &str, known: &str) -> Problem {
        let detail = format!(
            "No position of a tag '{}' was published since the start; heard so far: {known}. Switch the tag on \
             and see /v1/status.",
            shorten(tag)
        );
        Problem::new(StatusCode::NOT_FOUND, "/problems/unknown-tag", "This tag was not heard", detail)
    }

    pub(crate) fn unknown_anchor(anchor: &str, known: &str) -> Problem {
        let detail = format!("The site has no anchor '{}'; it has: {known}.", shorten(anchor));
        Problem::new(StatusCode::NOT_FOUND, "/problems/unknown-anchor", "The site has no such anchor", detail)
    }

    pub(crate) fn unknown_zone(zone: &str, known: &str) -> Problem {
        let detail = format!("The site has no zone '{}'; it has: {known}.", shorten(zone));
        Problem::new(StatusCode::NOT_FOUND, "/problems/unknown-zone", "The site has no such zone", detail)
    }

    pub(crate) fn method_not_allowed(method: &str) -> Problem {
        let detail = format!("{} does not work here: the header Allow lists what does.", shorten(method));
        Problem::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "/problems/method-not-allowed",
            "Another method is needed",
            detail,
        )
    }

    pub(crate) fn body_too_large(limit: usize) -> Problem {
        let detail = format!("The request body is larger than {limit} bytes: no route needs that much.");
        Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "/problems/body-too-large",
            "The request body is too large",
            detail,
        )
    }

    pub(crate) fn body_too_slow() -> Problem {
        let detail = "The request body did not arrive in time: send it at once, or none.".to_owned();
        Problem::new(
            StatusCode::REQUEST_TIMEOUT,
            "/problems/body-too-slow",
            "The request body did not arrive",
            detail,
        )
    }

    pub(crate) fn uri_too_long(limit: usize) -> Problem {
        let detail = format!("The address is longer than {limit} bytes: leave out what is not needed.");
        Problem::new(StatusCode::URI_TOO_LONG, "/problems/uri-too-long", "The address is too long", detail)
    }

    pub(crate) fn headers_too_large(limit: usize) -> Problem {
        let detail = format!("The header fields are larger than {limit} bytes together: send fewer.");
        Problem::new(
            StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
            "/problems/headers-too-large",
            "The header is too large",
            detail,
        )
    }

    pub(crate) fn bad_query(detail: String) -> Problem {
        Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "/problems/bad-query",
            "The query was not understood",
            detail,
        )
    }

    pub(crate) fn unsupported_media_type(kind: &str) -> Problem {
        let detail = format!(
            "The body is '{}': send JSON, with the header Content-Type: application/json.",
            shorten(kind)
        );
        Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "/problems/unsupported-media-type",
            "JSON is wanted",
            detail,
        )
    }

    pub(crate) fn bad_calibration(what: &str) -> Problem {
        let detail = format!(
            "{what} Expected {{\"anchors\":[{{\"id\":0,\"offset_m\":0.12,\"scale\":1,\"offset_se_m\":0.02}}]}}, scale and \
             offset_se_m may be left out; nothing was changed."
        );
        Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "/problems/bad-calibration",
            "This is no calibration of this site",
            detail,
        )
    }

    pub(crate) fn calibration_not_kept(why: &str) -> Problem {
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/calibration-not-kept",
            "The calibration could not be kept",
            format!("{why}; the calibration of before is in force."),
        )
    }

    pub(crate) fn not_mended(why: &str) -> Problem {
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/not-mended",
            "Nothing was forgotten",
            format!("{why}; what is held against the anchor stands."),
        )
    }

    pub(crate) fn calibration_conflict(why: &str) -> Problem {
        Problem::new(
            StatusCode::CONFLICT,
            "/problems/calibration-conflict",
            "The calibration file is another one by now",
            format!("{why}; nothing was changed."),
        )
    }

    pub(crate) fn no_operator() -> Problem {
        let detail =
            "The daemon is stopping, or was started without the right to be worked on: try again later."
                .to_owned();
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, "/problems/no-operator", "Not possible now", detail)
    }

    pub(crate) fn websocket_wanted() -> Problem {
        let detail =
            "This address speaks WebSocket (RFC 6455, version 13): connect with a WebSocket client, \
                      or poll /v1/tags."
                .to_owned();
        Problem::new(StatusCode::UPGRADE_REQUIRED, "/problems/websocket-wanted", "Use a WebSocket", detail)
    }

    pub(crate) fn too_many_readers(limit: usize) -> Problem {
        let detail = format!(
            "{limit} readers are connected, which is the limit: close one, or poll /v1/tags instead."
        );
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/too-many-readers",
            "No room for another reader",
            detail,
        )
    }

    pub(crate) fn not_ready(detail: String) -> Problem {
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/not-ready",
            "No positions to be had now",
            detail,
        )
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, json(&self)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        match status {
            StatusCode::UPGRADE_REQUIRED => {
                headers.insert(header::UPGRADE, HeaderValue::from_static("websocket"));
            }
            StatusCode::SERVICE_UNAVAILABLE => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
            }
            // What is left of such a request would be read as the next one.
            StatusCode::PAYLOAD_TOO_LARGE | StatusCode::REQUEST_TIMEOUT => {
                headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
            }
            _ => {}
        }
        response
    }
}

/// What came from outside is repeated only as far as it helps.
pub(crate) fn shorten(text: &str) -> String {
    const MAX_CHARS: usize = 60;
    let clean = |c: char| if is_plain(c) { c } else { '?' };
    let mut short: String = text.chars().take(MAX_CHARS).map(clean).collect();
    if text.chars().nth(MAX_CHARS).is_some() {
        short.push('…');
    }
    short
}
