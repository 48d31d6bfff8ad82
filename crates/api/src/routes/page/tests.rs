//! The page as a text; what it does is shown in a browser by the black-box tests.

use axum::{
    body::Body,
    http::{Request, StatusCode},
};

use super::*;
use crate::{
    Hub,
    tests::fixtures::{app, ask, busy_hub, get, info},
};

async fn answer(accept: Option<&str>, path: &str) -> (StatusCode, HeaderMap, String) {
    let request = Request::get(path);
    let request = accept.map_or(Request::get(path), |a| request.header("accept", a));
    ask(&app(&busy_hub()), request.body(Body::empty()).unwrap()).await
}

#[tokio::test]
async fn browsers_get_the_page_and_programs_the_list() {
    let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
    for (accept, path, html) in [
        (Some(browser), "/", true),
        (Some("TEXT/HTML"), "/", true),
        (Some("application/json"), "/", false),
        (Some("*/*"), "/", false), // curl
        (Some("application/json, text/html;q=0"), "/", false),
        (None, "/", false),
        (Some(browser), "/?format=json", false),
        (None, "/?format=html", true),
    ] {
        let (status, headers, text) = answer(accept, path).await;
        assert_eq!(status, StatusCode::OK);
        assert_eq!(text.starts_with("<!doctype html>"), html, "{accept:?} {path}");
        let kind = if html { "text/html; charset=utf-8" } else { "application/json" };
        assert_eq!(headers["content-type"], kind);
        assert_eq!(headers["vary"], "accept");
        assert_eq!(headers["cache-control"], "no-store");
        assert_eq!(headers.contains_key("content-security-policy"), html);
    }
    for query in ["format=xml", "page=1", "format=json&format=json"] {
        assert_eq!(answer(None, &format!("/?{query}")).await.0, 422, "{query}");
    }
}

#[tokio::test]
async fn the_policy_names_the_hashes_of_what_is_in_the_page() {
    let (_, headers, text) = answer(Some("text/html"), "/").await;
    let policy = headers["content-security-policy"].to_str().unwrap();
    assert!(
        policy.starts_with("default-src 'none'; ") && !policy.contains("unsafe") && !policy.contains("http")
    );
    for (from, to, source) in [("<script>", "</script>", "script-src"), ("<style>", "</style>", "style-src")]
    {
        let inside = text.split(from).nth(1).unwrap().split(to).next().unwrap();
        let hash = STANDARD.encode(Sha256::digest(inside));
        assert!(policy.contains(&format!("{source} 'sha256-{hash}'")), "{policy}");
        assert_eq!(text.matches(from).count(), 1);
    }
    // SHA-256 of nothing, as FIPS 180-4's example implementations give it.
    assert_eq!(STANDARD.encode(Sha256::digest("")), "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=");
}

#[tokio::test]
async fn the_page_lists_routes_and_cautions_and_asks_for_nothing_else() {
    let (_, _, text) = answer(Some("text/html"), "/").await;
    for told in [
        "<title>Larkfield nursery: hereabout</title>",
        "<a href=\"/v1/anchors.txt\">",
        "<code>/v1/anchors/{id}</code>",
        "Not a safety component",
        "Local codes and licensed trades come first.",
        "aria-live=\"polite\"",
    ] {
        assert!(text.contains(told), "{told}");
    }
    assert!(!text.contains("http://") && !text.contains("https://"), "no address but its own");
    assert!(!text.contains("{{"), "every place is filled");
    assert!(!text.contains("innerHTML") && !text.contains("document.write") && !text.contains("eval("));
}

#[tokio::test]
async fn a_name_stays_a_name() {
    let mut info = info();
    info.site.name = "</title><script>alert(1)</script> {{script}} & \"beds\"".into();
    let (_, _, text) = get(&app(&Hub::new(info)), "/?format=html").await;
    assert_eq!(text.matches("<script>").count(), 1, "its own");
    assert!(text.contains("&lt;/title&gt;&lt;script&gt;alert(1)&lt;/script&gt; {{script}} &amp;"), "{text}");
}
