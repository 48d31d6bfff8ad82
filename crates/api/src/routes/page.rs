//! `/`: one plain page that shows the plan, the anchors and the zones live, for people.
//!
//! It is a single document without a framework. Its script and its style are part of it and named by their
//! hashes in its Content-Security-Policy (CSP level 3, <https://www.w3.org/TR/CSP3/>), so that nothing else runs,
//! whatever a name in a site file says; it asks nobody but the daemon that served it. What is live comes over
//! `/v1/live.sse`; what has run out by the daemon's clock is shown as no data, in words.
//!
//! Programs that ask for `/` without `text/html` in `Accept` get the list of routes as JSON, as ever.

use std::{collections::BTreeMap, fmt::Write as _, sync::LazyLock};

use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, header},
    response::Response,
};
use base64::{Engine as _, engine::general_purpose::STANDARD};
use sha2::{Digest, Sha256};

use hereabout_draw::xml::escaped;
use utoipa::openapi::PathItem;

use super::{
    App,
    answer::{body, typed},
    described,
    description::CAUTIONS,
};
use crate::v1::{IndexBody, RouteBody};

const PAGE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// What a reader of `/` wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum IndexFormat {
    Html,
    Json,
}

impl IndexFormat {
    /// From what the client accepts: a browser names `text/html`, a program names something else or nothing.
    pub(crate) fn accepted(headers: &HeaderMap) -> IndexFormat {
        let accepts = headers.get_all(header::ACCEPT).iter().filter_map(|v| v.to_str().ok());
        let mut kinds = accepts.flat_map(|v| v.split(',')).filter_map(|kind| {
            let mut parts = kind.split(';').map(str::trim);
            let name = parts.next()?;
            // RFC 9110 section 12.4.2: a weight of 0 means "not acceptable".
            let refused =
                parts.any(|p| p.strip_prefix("q=").is_some_and(|q| q.parse::<f64>().is_ok_and(|q| q <= 0.0)));
            (!refused).then_some(name)
        });
        match kinds.any(|name| name.eq_ignore_ascii_case("text/html")) {
            true => IndexFormat::Html,
            false => IndexFormat::Json,
        }
    }
}

/// For browsers a page that shows plan, anchors and zones live; for programs this list and the cautions.
///
/// HTML when `Accept` has `text/html`, else JSON; `format=` decides against that.
#[utoipa::path(get, path = "/",
    params(("format" = Option<String>, Query, description = "html or json")),
    responses((status = OK, content((IndexBody = "application/json"), (String = "text/html")))))]
pub(super) async fn index(State(app): State<App>, format: IndexFormat) -> Response {
    let described = described().into_openapi().paths.paths;
    let gives = |item: PathItem| item.get.or(item.post).and_then(|o| o.summary).unwrap_or_default();
    let routes: BTreeMap<_, _> = described.into_iter().map(|(path, item)| (path, gives(item))).collect();
    let index = IndexBody {
        name: "hereabout",
        version: app.hub.info().version.clone(),
        routes: routes.into_iter().map(|(path, gives)| RouteBody { path, gives }).collect(),
        cautions: CAUTIONS.to_vec(),
    };
    let mut response = match format {
        IndexFormat::Json => body(&index),
        IndexFormat::Html => typed("text/html; charset=utf-8", page(&app.hub.site().name, &index)),
    };
    let headers = response.headers_mut();
    headers.insert(header::VARY, HeaderValue::from_static("accept"));
    if format == IndexFormat::Html {
        headers.insert(header::CONTENT_SECURITY_POLICY, policy());
    }
    response
}

/// The page for a site.
pub(crate) fn page(site: &str, index: &IndexBody) -> String {
    let mut routes = String::new();
    for route in &index.routes {
        // What a browser can follow: no parameters, and no protocol of its own.
        let plain =
            !route.path.contains('{') && !matches!(route.path.as_str(), "/v1/live" | "/v1/calibrations");
        let path = escaped(&route.path);
        let path = if plain {
            format!("<a href=\"{path}\"><code>{path}</code></a>")
        } else {
            format!("<code>{path}</code>")
        };
        let _ = writeln!(routes, "<li>{path} <span>{}</span></li>", escaped(&route.gives));
    }
    let cautions: String = index.cautions.iter().map(|c| format!("<li>{}</li>\n", escaped(c))).collect();
    // What people wrote goes in last, so that nothing in it is taken for a place to fill.
    let parts = [
        ("{{style}}", STYLE),
        ("{{script}}", SCRIPT),
        ("{{routes}}", &routes),
        ("{{cautions}}", &cautions),
        ("{{version}}", &escaped(&index.version)),
        ("{{site}}", &escaped(site)),
    ];
    parts.iter().fold(PAGE.to_owned(), |page, (mark, text)| page.replace(mark, text))
}

/// What the page may load and run: itself, and what the daemon serves.
pub(crate) fn policy() -> HeaderValue {
    static POLICY: LazyLock<String> = LazyLock::new(|| {
        let hash = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text)));
        format!(
            "default-src 'none'; script-src {}; style-src {}; img-src blob: data:; connect-src 'self'; \
             base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
            hash(SCRIPT),
            hash(STYLE)
        )
    });
    HeaderValue::from_str(&POLICY).unwrap_or(HeaderValue::from_static("default-src 'none'"))
}

#[cfg(test)]
mod tests;
