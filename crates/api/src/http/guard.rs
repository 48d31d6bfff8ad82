//! What stands before every route: who asks, and how much they send.
//!
//! A daemon on loopback is still reachable by any web page in this machine's browser: directly (the
//! browser then says where the page came from, `Origin`), or through a name that its owner points at
//! 127.0.0.1 (DNS rebinding; the browser then sends that name as `Host`). So both are checked on
//! every request that carries them, and nothing is allowed across origins.
//!
//! Bodies are small: one is read whole before the route sees it (most ignore it), so that the connection can
//! go on; one that is too large is read on for a bounded while before the refusal, because a client that
//! is still sending when the connection closes would never see the answer.

use std::{net::IpAddr, time::Duration};

use axum::{
    body::{Body, HttpBody},
    extract::Request,
    http::{HeaderMap, HeaderName, HeaderValue, header, uri::Authority},
    middleware::Next,
    response::{IntoResponse, Response},
};
use http_body_util::BodyExt;

use crate::{
    http::seats::{Busy, Seat},
    v1::Problem,
};

/// Longest path and query, bytes.
pub(crate) const MAX_URI_BYTES: usize = 4 * 1024;
/// Largest sum of header names and values, bytes.
pub(crate) const MAX_HEADER_BYTES: usize = 16 * 1024;
/// Largest request body, bytes.
pub(crate) const MAX_BODY_BYTES: usize = 16 * 1024;
/// Largest body that is read on to its end before it is refused, bytes.
const MAX_DRAINED_BYTES: usize = 32 * 1024 * 1024;
/// Longest time for a request body to arrive.
const BODY_TIME: Duration = Duration::from_secs(2);

/// The middleware before every route: refuses, bounds the body, and keeps the seat busy until the answer is out.
pub(crate) async fn guard(request: Request, next: Next) -> Response {
    let seat = request.extensions().get::<Seat>().cloned();
    // Who is still sending may be sent away; only then there is a request under way.
    let admitted = admit(request).await;
    let busy = seat.as_ref().map(Seat::busy);
    let response = match admitted {
        Ok(request) => next.run(request).await,
        Err(problem) => problem.into_response(),
    };
    let mut response = busy_to_its_end(response, busy);
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}

/// An answer that goes on (a stream of events) keeps its connection busy until it ends.
fn busy_to_its_end(response: Response, busy: Option<Busy>) -> Response {
    if response.body().size_hint().exact().is_some() {
        return response;
    }
    response.map(|body| {
        Body::new(body.map_frame(move |frame| {
            let _until_the_body_is_dropped = &busy;
            frame
        }))
    })
}

/// The request with its body at hand, or why it is refused.
async fn admit(request: Request) -> Result<Request, Problem> {
    let (parts, body) = request.into_parts();
    if parts.uri.path_and_query().is_some_and(|pq| pq.as_str().len() > MAX_URI_BYTES) {
        return Err(Problem::uri_too_long(MAX_URI_BYTES));
    }
    if parts.headers.iter().map(|(name, value)| name.as_str().len() + value.len()).sum::<usize>()
        > MAX_HEADER_BYTES
    {
        return Err(Problem::headers_too_large(MAX_HEADER_BYTES));
    }
    check_host(&parts.headers)?;
    if let Some(authority) = parts.uri.authority() {
        check_authority(authority.as_str())?;
    }
    check_origin(&parts.headers)?;
    let body = read_whole(&parts.headers, body).await?;
    Ok(Request::from_parts(parts, Body::from(body)))
}

fn check_host(headers: &HeaderMap) -> Result<(), Problem> {
    match single(headers, &header::HOST)? {
        Some(host) => check_authority(host),
        None => Ok(()),
    }
}

fn check_authority(text: &str) -> Result<(), Problem> {
    let host_is_ours = |a: Authority| {
        let port_is_one = a.port_u16().is_some() || a.as_str() == a.host();
        port_is_one && !a.as_str().contains('@') && is_loopback(a.host())
    };
    match text.parse().map(host_is_ours) {
        Ok(true) => Ok(()),
        _ => Err(Problem::foreign_host(&crate::http::problem::shorten(text))),
    }
}

fn check_origin(headers: &HeaderMap) -> Result<(), Problem> {
    let Some(origin) = single(headers, &header::ORIGIN)? else { return Ok(()) };
    let authority = origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://"));
    match authority.map(check_authority) {
        Some(Ok(())) => Ok(()),
        _ => Err(Problem::foreign_origin(&crate::http::problem::shorten(origin))),
    }
}

/// The one value of a header field; two of them are two readings of one request.
pub(crate) fn single<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, Problem> {
    let mut values = headers.get_all(name).iter();
    let (first, second) = (values.next(), values.next());
    match (first.map(HeaderValue::to_str), second) {
        (None, _) => Ok(None),
        (Some(Ok(text)), None) => Ok(Some(text)),
        _ => {
            Err(Problem::bad_request(format!("The header field {name} must be there once, in plain ASCII.")))
        }
    }
}

/// `localhost`, 127.0.0.0/8 and ::1, as they stand in a URI.
fn is_loopback(host: &str) -> bool {
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host);
    host.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok_and(|ip| ip.to_canonical().is_loopback())
}

/// Reads the body to its end.
async fn read_whole(headers: &HeaderMap, body: Body) -> Result<Vec<u8>, Problem> {
    let declared = headers.get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    let too_large = declared.is_some_and(|n| n > MAX_BODY_BYTES as u64);
    if too_large && (headers.contains_key(header::EXPECT) || declared > Some(MAX_DRAINED_BYTES as u64)) {
        return Err(Problem::body_too_large(MAX_BODY_BYTES)); // the client asked first, or sends more than is bearable
    }
    match tokio::time::timeout(BODY_TIME, start_and_length(body)).await {
        Err(_) if !too_large => Err(Problem::body_too_slow()),
        Ok(Ok((start, n))) if n <= MAX_BODY_BYTES => Ok(start),
        Ok(Err(detail)) => Err(Problem::bad_request(detail)),
        Err(_) | Ok(Ok(_)) => Err(Problem::body_too_large(MAX_BODY_BYTES)),
    }
}

/// The body as far as it is wanted, and its length, counted up to a little more than [`MAX_DRAINED_BYTES`].
async fn start_and_length(mut body: Body) -> Result<(Vec<u8>, usize), String> {
    let (mut start, mut length) = (Vec::new(), 0);
    while let Some(frame) = body.frame().await {
        let frame = frame
            .map_err(|_| "The request body broke off before its end: send it again, whole.".to_owned())?;
        let Some(data) = frame.data_ref() else { continue };
        length += data.len();
        if length <= MAX_BODY_BYTES {
            start.extend_from_slice(data);
        }
        if length > MAX_DRAINED_BYTES {
            break;
        }
    }
    Ok((start, length))
}

#[cfg(test)]
mod tests;
