//! Who may change, on every route that changes; challenges after RFC 6750, statuses after RFC 9110 and RFC 6585.

use axum::{
    Router,
    body::Body,
    http::{HeaderMap, HeaderName, Method, Request, StatusCode, header},
};
use serde_json::Value;
use std::sync::Arc;
use tokio::sync::mpsc;

use super::fixtures::*;
use crate::{ApiSettings, Rights, http::rights::Way, http::settings::Operation, openapi_json};

const GOOD: &str = r#"{"anchors":[{"id":0,"offset_m":0.1}]}"#;

/// The service with an operator who does everything at once.
fn worked_on(settings: ApiSettings) -> Router {
    let (operator, mut asked) = mpsc::channel::<Operation>(1);
    tokio::spawn(async move {
        while let Some(operation) = asked.recv().await {
            let _ = operation.answer.send(Ok(()));
        }
    });
    app_with(&busy_hub(), ApiSettings { operator: Some(operator), ..settings })
}

fn post(more: &[(HeaderName, &str)]) -> Request<Body> {
    let request = Request::post("/v1/calibrations").header(header::CONTENT_TYPE, "application/json");
    let request = more.iter().fold(request, |request, (name, value)| request.header(name, *value));
    request.body(Body::from(GOOD)).unwrap()
}

fn with_key() -> (HeaderName, String) {
    (header::AUTHORIZATION, format!("Bearer {KEY}"))
}

async fn refused(app: &Router, request: Request<Body>, status: StatusCode) -> (HeaderMap, String) {
    let (found, headers, body) = ask(app, request).await;
    assert_eq!(found, status, "{body}");
    assert_eq!(headers[header::CONTENT_TYPE], "application/problem+json");
    assert!(!body.contains(KEY), "{body}");
    (headers, body)
}

#[tokio::test]
async fn every_operation_that_changes_says_so_and_wants_the_key() {
    let api: Value = serde_json::from_str(&openapi_json()).unwrap();
    assert_eq!(api["components"]["securitySchemes"]["key"]["scheme"], "bearer");
    let app = worked_on(settings());
    let mut changing = 0;
    for (path, item) in api["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            if method == "get" {
                assert_eq!(operation["security"], Value::Null, "{method} {path}: reading is open");
                continue;
            }
            changing += 1;
            assert_eq!(operation["security"][0]["key"], Value::Array(Vec::new()), "{method} {path}");
            for status in ["401", "403", "429"] {
                assert_ne!(operation["responses"][status], Value::Null, "{method} {path}: {status}");
            }
            let method: Method = method.to_uppercase().parse().unwrap();
            let path = path.replace("{id}", "0");
            let request = Request::builder().method(method).uri(path).body(Body::empty()).unwrap();
            refused(&app, request, StatusCode::UNAUTHORIZED).await;
        }
    }
    assert!(changing >= 2);
}

#[tokio::test]
async fn the_challenge_says_whether_a_token_was_missing_or_wrong() {
    tokio::time::pause();
    let app = worked_on(settings());
    for nothing in [vec![], vec![(header::AUTHORIZATION, "Basic eDp5")]] {
        let (headers, body) = refused(&app, post(&nothing), StatusCode::UNAUTHORIZED).await;
        assert_eq!(headers[header::WWW_AUTHENTICATE], "Bearer realm=\"hereabout\"");
        assert!(body.contains("larkfield.key") && body.contains("--unix-socket larkfield.socket"), "{body}");
    }
    for wrong in ["Bearer", "Bearer q83v", &format!("Bearer {KEY}x"), &format!("Bearer {KEY} {KEY}")] {
        let (headers, _) =
            refused(&app, post(&[(header::AUTHORIZATION, wrong)]), StatusCode::UNAUTHORIZED).await;
        assert!(headers[header::WWW_AUTHENTICATE].to_str().unwrap().contains("error=\"invalid_token\""));
    }
    let (name, key) = with_key();
    let twice = post(&[(name.clone(), &key), (name.clone(), &key)]);
    refused(&app, twice, StatusCode::BAD_REQUEST).await;
    assert_eq!(ask(&app, post(&[(name, &key)])).await.0, StatusCode::OK);
    let status: Value = serde_json::from_str(&get(&app, "/v1/status").await.2).unwrap();
    assert_eq!(status["changes"]["made"], 1);
    assert_eq!(status["changes"]["wrong_keys"], 4);
}

#[tokio::test]
async fn a_page_may_not_change_whatever_it_has() {
    let app = worked_on(settings());
    let (name, key) = with_key();
    for origin in
        ["http://localhost:6208", "http://127.0.0.1", "https://[::1]", "", "http://larkfield.example"]
    {
        let request = post(&[(header::ORIGIN, origin), (name.clone(), &key)]);
        refused(&app, request, StatusCode::FORBIDDEN).await;
        let mut request = post(&[(header::ORIGIN, origin)]);
        request.extensions_mut().insert(Way::Socket);
        refused(&app, request, StatusCode::FORBIDDEN).await;
    }
}

#[tokio::test]
async fn over_the_socket_no_key_is_needed_and_without_a_key_nothing_else_works() {
    let why = "the key file larkfield.key is no plain file".to_owned();
    let rights = Rights::new(Err(why.clone()), Some("larkfield.socket".into()), vec![why.clone()]);
    let app = worked_on(ApiSettings { rights: Arc::new(rights), ..settings() });
    let (name, key) = with_key();
    for more in [vec![], vec![(name, &*key)]] {
        let (_, body) = refused(&app, post(&more), StatusCode::FORBIDDEN).await;
        assert!(body.contains(&why) && body.contains("larkfield.socket"), "{body}");
    }
    let mut request = post(&[]);
    request.extensions_mut().insert(Way::Socket);
    assert_eq!(ask(&app, request).await.0, StatusCode::OK);
    let status: Value = serde_json::from_str(&get(&app, "/v1/status").await.2).unwrap();
    assert_eq!(status["changes"]["key_file"], Value::Null);
    assert!(status["problems"].to_string().contains(&why), "{status}");
}

#[tokio::test]
async fn a_loop_of_changes_gets_429_with_the_time_to_wait() {
    let app = worked_on(settings());
    let (name, key) = with_key();
    for _ in 0..3 {
        assert_eq!(ask(&app, post(&[(name.clone(), &key)])).await.0, StatusCode::OK);
    }
    let (headers, body) = refused(&app, post(&[(name, &key)]), StatusCode::TOO_MANY_REQUESTS).await;
    let wait_s: u64 = headers[header::RETRY_AFTER].to_str().unwrap().parse().unwrap();
    assert!((1..=10).contains(&wait_s) && body.contains(&format!("Wait {wait_s} s")), "{wait_s} {body}");
}
