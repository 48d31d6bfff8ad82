//! Every route with everything that is wrong with a request. Statuses: RFC 9110, RFC 6585 (431).

use axum::{
    body::Body,
    http::{HeaderMap, Method, Request, StatusCode, header},
};

use super::fixtures::*;

const ROUTES: [&str; 18] = [
    "/",
    "/v1/site",
    "/v1/tags",
    "/v1/tags/0",
    "/v1/anchors",
    "/v1/anchors/3",
    "/v1/anchors.txt",
    "/v1/zones",
    "/v1/zones/roller%20door",
    "/v1/live",
    "/v1/live.sse",
    "/v1/events",
    "/v1/plan.svg",
    "/v1/status",
    "/livez",
    "/readyz",
    "/metrics",
    "/openapi.json",
];

/// Every path that is read stands in the list above, with a value for what it names.
#[test]
fn the_list_of_routes_is_that_of_the_description() {
    let text = crate::openapi_json();
    let api: serde_json::Value = serde_json::from_str(&text).unwrap();
    let fits = |path: &str, route: &str| {
        let (a, b): (Vec<_>, Vec<_>) = (path.split('/').collect(), route.split('/').collect());
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| *a == b || a.starts_with('{'))
    };
    for (path, item) in api["paths"].as_object().unwrap() {
        let missing = item.get("get").is_some() && !ROUTES.iter().any(|route| fits(path, route));
        assert!(!missing, "{path} is missing in ROUTES");
    }
}

/// Checks what holds for every problem and gives its detail.
fn problem(expected: StatusCode, (status, headers, text): (StatusCode, HeaderMap, String)) -> String {
    assert_eq!(status, expected, "{text}");
    assert_eq!(headers[header::CONTENT_TYPE], "application/problem+json");
    let body: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(body["status"], status.as_u16());
    assert!(body["type"].as_str().is_some_and(|t| t.starts_with("/problems/")), "{text}");
    assert!(body["title"].as_str().is_some_and(|t| !t.is_empty()), "{text}");
    body["detail"].as_str().filter(|d| d.len() > 20).expect("a detail").to_owned()
}

fn request(method: Method, path: &str) -> axum::http::request::Builder {
    Request::builder().method(method).uri(path)
}

#[tokio::test]
async fn another_method_is_405_with_allow() {
    let app = app(&busy_hub());
    for route in ROUTES {
        for method in
            [Method::POST, Method::PUT, Method::DELETE, Method::PATCH, Method::OPTIONS, Method::TRACE]
        {
            let answer = ask(&app, request(method, route).body(Body::from("{}")).unwrap()).await;
            assert_eq!(answer.1[header::ALLOW], "GET,HEAD", "{route}");
            problem(StatusCode::METHOD_NOT_ALLOWED, answer);
        }
    }
}

#[tokio::test]
async fn an_unknown_path_is_404() {
    let app = app(&busy_hub());
    for path in ["/v1", "/v2/tags", "/v1/tags/", "/v1/tags/0/1", "/index.html", "/%00", "/v1/anchors/../site"]
    {
        let detail = problem(StatusCode::NOT_FOUND, get(&app, path).await);
        assert!(detail.contains("GET / lists") || detail.contains("no anchor"), "{detail}");
    }
    for path in ["/v1/tags/7", "/v1/tags/-1", "/v1/tags/0x0", "/v1/tags/99999999999999999999"] {
        let detail = problem(StatusCode::NOT_FOUND, get(&app, path).await);
        assert!(detail.contains("heard so far: 0, 3"), "{detail}");
    }
    for path in ["/v1/anchors/7", "/v1/anchors/shed", "/v1/anchors/%E2%98%83"] {
        let detail = problem(StatusCode::NOT_FOUND, get(&app, path).await);
        assert!(detail.contains("it has: 0, 1, 2, 3, 4"), "{detail}");
    }
    for path in ["/v1/zones/gate", "/v1/zones/roller+door", "/v1/live.sse?zone=gate", "/v1/zones/%E2%98%83"] {
        let detail = problem(StatusCode::NOT_FOUND, get(&app, path).await);
        assert!(detail.contains("it has: roller door, charger"), "{detail}");
    }
    problem(StatusCode::BAD_REQUEST, get(&app, "/v1/tags/%FF").await);
    problem(StatusCode::BAD_REQUEST, get(&app, "/v1/zones/%FF").await);
}

#[tokio::test]
async fn a_rubbish_query_is_422_and_names_what_is_known() {
    let app = app(&busy_hub());
    for route in ROUTES {
        for query in ["rubbish=1", "x", "%FF=%00", "=", "topics[]=position", "tags=0"] {
            let detail =
                problem(StatusCode::UNPROCESSABLE_ENTITY, get(&app, &format!("{route}?{query}")).await);
            assert!(detail.contains("it takes"), "{detail}");
        }
    }
    for (query, words) in [
        ("topics=", "position, position_delayed, range, anchor, link, zone, event"),
        ("topics=positions", "'positions' is not a topic"),
        ("topics=position,", "not a topic"),
        ("topics=position&topics=link", "twice"),
        ("tag=cart", "'cart' is not a tag"),
        ("tag=-1", "not a tag"),
        ("tag=4294967296", "0 to 4294967295"),
        ("max_rate_hz=0", "0.01 to 1000"),
        ("max_rate_hz=-1", "0.01 to 1000"),
        ("max_rate_hz=NaN", "0.01 to 1000"),
        ("max_rate_hz=inf", "0.01 to 1000"),
        ("max_rate_hz=fast", "0.01 to 1000"),
        ("after=x", "not the number of an event"),
        ("after=-1", "not the number of an event"),
        ("topics=zone&after=1", "name event among the topics"),
        ("rate=1", "it takes topics, tag, zone, max_rate_hz, after, nonce"),
        ("nonce=", "nonce '' is not 1 to 128 letters"),
    ] {
        let detail = problem(StatusCode::UNPROCESSABLE_ENTITY, get(&app, &format!("/v1/live?{query}")).await);
        assert!(detail.contains(words), "{query}: {detail}");
        let sse = get(&app, &format!("/v1/live.sse?{query}")).await;
        assert_eq!(problem(StatusCode::UNPROCESSABLE_ENTITY, sse), detail);
    }
    let too_long = format!("nonce={}", "x".repeat(129));
    for path in ["/v1/tags", "/v1/tags/0", "/v1/zones", "/v1/zones/charger", "/v1/live", "/v1/live.sse"] {
        for query in
            ["nonce=", "nonce=a+b", "nonce=a%22b", "nonce=%C3%BC", "nonce=a/b", "nonce=%00", &too_long]
        {
            let answer = get(&app, &format!("{path}?{query}")).await;
            let detail = problem(StatusCode::UNPROCESSABLE_ENTITY, answer);
            assert!(detail.contains("is not 1 to 128 letters"), "{path}?{query}: {detail}");
        }
        let twice = get(&app, &format!("{path}?nonce=a&nonce=a")).await;
        assert!(problem(StatusCode::UNPROCESSABLE_ENTITY, twice).contains("twice"));
    }
    for (query, words) in [
        ("after=x", "not the number of an event"),
        ("after=1.5", "not the number of an event"),
        ("limit=0", "from 1 to 1000"),
        ("limit=1001", "from 1 to 1000"),
        ("limit=ten", "from 1 to 1000"),
        ("after=1&after=2", "twice"),
    ] {
        let answer = get(&app, &format!("/v1/events?{query}")).await;
        let detail = problem(StatusCode::UNPROCESSABLE_ENTITY, answer);
        assert!(detail.contains(words), "{query}: {detail}");
    }
}

#[tokio::test]
async fn a_last_event_id_that_is_no_number_is_400() {
    let app = app(&busy_hub());
    for id in ["x", "", "-1", "1.0", "1 2", "\u{fd}"] {
        let request = request(Method::GET, "/v1/live.sse").header("Last-Event-ID", id);
        let answer = ask(&app, request.body(Body::empty()).unwrap()).await;
        let detail = problem(StatusCode::BAD_REQUEST, answer);
        assert!(detail.contains("Last-Event-ID"), "{detail}");
    }
}

#[tokio::test]
async fn an_empty_query_is_no_query() {
    assert_eq!(get(&app(&busy_hub()), "/v1/tags?").await.0, StatusCode::OK);
}

#[tokio::test]
async fn live_without_a_websocket_is_426_with_upgrade() {
    let answer = get(&app(&busy_hub()), "/v1/live?topics=range").await;
    assert_eq!(answer.1[header::UPGRADE], "websocket"); // RFC 9110 section 15.5.22
    problem(StatusCode::UPGRADE_REQUIRED, answer);
}

#[tokio::test]
async fn a_large_body_is_413_and_a_small_one_is_passed_over() {
    let app = app(&busy_hub());
    for route in ROUTES {
        let large = Body::from(vec![b'x'; 10_000_000]);
        let answer = ask(&app, request(Method::GET, route).body(large).unwrap()).await;
        assert_eq!(answer.1[header::CONNECTION], "close", "{route}");
        problem(StatusCode::PAYLOAD_TOO_LARGE, answer);
    }
    let small =
        request(Method::GET, "/livez").header(header::CONTENT_TYPE, "text/rubbish").body(Body::from("{"));
    assert_eq!(ask(&app, small.unwrap()).await.0, StatusCode::OK);
}

#[tokio::test]
async fn a_body_too_large_that_waits_for_leave_is_refused_unread() {
    let waits = request(Method::POST, "/v1/site")
        .header(header::EXPECT, "100-continue")
        .header(header::CONTENT_LENGTH, "10000000")
        .body(Body::from_stream(futures_util::stream::pending::<Result<Vec<u8>, std::io::Error>>()));
    problem(StatusCode::PAYLOAD_TOO_LARGE, soon(ask(&app(&busy_hub()), waits.unwrap())).await);
}

#[tokio::test]
async fn a_body_that_never_ends_is_408() {
    let stalls = Body::from_stream(futures_util::stream::pending::<Result<Vec<u8>, std::io::Error>>());
    let answer = soon(ask(&app(&busy_hub()), request(Method::GET, "/v1/site").body(stalls).unwrap())).await;
    problem(StatusCode::REQUEST_TIMEOUT, answer);
}

#[tokio::test]
async fn a_body_that_breaks_off_is_400_in_our_own_words() {
    let broken = Err::<Vec<u8>, _>(std::io::Error::from_raw_os_error(104)); // ECONNRESET
    let body = Body::from_stream(futures_util::stream::iter([Ok(b"{\"anchors\"".to_vec()), broken]));
    let answer = ask(&app(&busy_hub()), request(Method::GET, "/v1/site").body(body).unwrap()).await;
    let detail = problem(StatusCode::BAD_REQUEST, answer);
    assert_eq!(detail, "The request body broke off before its end: send it again, whole.");
}

#[tokio::test]
async fn a_long_address_is_414_and_a_large_header_431() {
    let app = app(&busy_hub());
    for route in ROUTES {
        problem(StatusCode::URI_TOO_LONG, get(&app, &format!("{route}?{}", "x".repeat(8_000))).await);
        let large =
            request(Method::GET, route).header("x-rubbish", "y".repeat(64 * 1024)).body(Body::empty());
        problem(StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE, ask(&app, large.unwrap()).await);
    }
}

#[tokio::test]
async fn a_foreign_host_or_origin_is_403_on_every_route() {
    let app = app(&busy_hub());
    for route in ROUTES {
        for (name, value) in [
            (header::HOST, "larkfield.example:6208"),
            (header::ORIGIN, "https://larkfield.example"),
            (header::ORIGIN, "null"),
        ] {
            let foreign = request(Method::GET, route).header(&name, value).body(Body::empty()).unwrap();
            let detail = problem(StatusCode::FORBIDDEN, ask(&app, foreign).await);
            assert!(detail.contains(value), "{detail}");
        }
    }
    let ours = request(Method::GET, "/livez")
        .header(header::HOST, "[::1]:6208")
        .header(header::ORIGIN, "http://localhost:3000")
        .body(Body::empty());
    let (status, headers, _) = ask(&app, ours.unwrap()).await;
    assert_eq!(status, StatusCode::OK);
    assert!(!headers.contains_key(header::ACCESS_CONTROL_ALLOW_ORIGIN), "nothing is shared across origins");
}

#[tokio::test]
async fn a_foreign_authority_in_the_target_is_403_too() {
    problem(StatusCode::FORBIDDEN, get(&app(&busy_hub()), "http://larkfield.example/v1/tags").await);
}
