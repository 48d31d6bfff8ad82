//! `POST /v1/calibrations`: what is refused before anybody works on it, and what comes back.

use axum::{
    body::Body,
    http::{Method, Request, StatusCode, header},
};
use hereabout_core::{AnchorId, Correction};
use tokio::sync::mpsc;

use super::fixtures::*;
use crate::{
    SiteInfo,
    http::settings::{NotDone, Operation, Work},
    routes,
};

fn post(kind: &str, text: &str) -> Request<Body> {
    let request =
        Request::builder().method(Method::POST).uri("/v1/calibrations").header(header::CONTENT_TYPE, kind);
    let request = request.header(header::AUTHORIZATION, format!("Bearer {KEY}"));
    request.body(Body::from(text.to_owned())).unwrap()
}

const JSON: &str = "application/json";

#[tokio::test]
async fn what_makes_no_sense_is_refused_with_what_is_expected() {
    let app = app(&busy_hub());
    for (text, words) in [
        ("", "cannot be read"),
        ("{}", "'anchors' is missing"),
        (r#"{"anchors":[]}"#, "No anchor is named"),
        (r#"{"anchors":[{"id":77,"offset_m":0.1}]}"#, "no anchor 77"),
        (r#"{"anchors":[{"id":0,"offset_m":0.1},{"id":0,"offset_m":0.2}]}"#, "twice"),
        (r#"{"anchors":[{"id":0,"offset_m":0.51}]}"#, "Anchor 0: an offset of 0.51 m is beyond"),
        (r#"{"anchors":[{"id":0,"offset_m":12}]}"#, "in centimetres: 0.12 m then"),
        (r#"{"anchors":[{"id":0,"offset_m":-292.6}]}"#, "in millimetres: -0.2926 m then"),
        (r#"{"anchors":[{"id":0,"offset_m":0.1,"scale":0.89}]}"#, "a scale of 0.89 is beyond"),
        (r#"{"anchors":[{"id":0,"offset_m":0.1,"scale":1.11}]}"#, "0.9 to 1.1"),
        (r#"{"anchors":[{"id":0,"offset_m":0.1,"offset_se_m":-1}]}"#, "no standard error"),
        // Every anchor is named, not just the first.
        (
            r#"{"anchors":[{"id":0,"offset_m":12},{"id":1,"offset_m":0.1},{"id":3,"offset_m":34}]}"#,
            "Anchor 0: an",
        ),
        (
            r#"{"anchors":[{"id":0,"offset_m":12},{"id":1,"offset_m":0.1},{"id":3,"offset_m":34}]}"#,
            "Anchor 3: an",
        ),
        (r#"{"anchors":[{"id":0,"offset_m":12}]}"#, "max_offset_m"),
        (r#"{"anchors":[{"id":0,"offset_m":0.1,"offset":1}]}"#, "'anchors[0].offset' is not known"),
        (r#"{"anchors":[{"id":0,"offset_m":1e999}]}"#, "cannot be read"),
    ] {
        let (status, _, body) = ask(&app, post(JSON, text)).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{text}: {body}");
        assert!(body.contains(words) && body.contains("nothing was changed"), "{text}: {body}");
        assert!(!body.contains(" field ") && !body.contains("f64"), "in no library's words: {body}");
    }
    let good = r#"{"anchors":[{"id":0,"offset_m":0.1}]}"#;
    assert_eq!(ask(&app, post("text/plain", good)).await.0, StatusCode::UNSUPPORTED_MEDIA_TYPE);
    // Nobody is there to work on it.
    assert_eq!(ask(&app, post(JSON, good)).await.0, StatusCode::SERVICE_UNAVAILABLE);
    let big = format!("{good}{}", " ".repeat(20_000));
    assert_eq!(ask(&app, post(JSON, &big)).await.0, StatusCode::PAYLOAD_TOO_LARGE);
    assert_eq!(get(&app, "/v1/calibrations").await.0, StatusCode::METHOD_NOT_ALLOWED);
}

#[tokio::test]
async fn what_is_asked_reaches_the_operator_and_the_outcome_comes_back() {
    let hub = busy_hub();
    let (tx, mut rx) = mpsc::channel::<Operation>(1);
    let mut settings = settings();
    settings.operator = Some(tx);
    let app = routes::router(routes::App {
        hub: hub.clone(),
        settings: std::sync::Arc::new(settings),
        shutdown: tokio_util::sync::CancellationToken::new(),
        tracker: tokio_util::task::TaskTracker::new(),
    });
    let operator = tokio::spawn(async move {
        let first = rx.recv().await.unwrap();
        let expected = Correction { offset_m: 0.25, scale: 1.0, offset_se_m: Some(0.02) };
        assert_eq!(first.work, Work::Calibrate(vec![(AnchorId(0), expected)]));
        let mut site: SiteInfo = info().site;
        site.anchors[0].correction = expected;
        hub.set_site(site);
        first.answer.send(Ok(())).unwrap();
        rx.recv().await.unwrap().answer.send(Err(NotDone::Failed("the disk is full".into()))).unwrap();
    });
    let text = r#"{"anchors":[{"id":0,"offset_m":0.25,"offset_se_m":0.02}]}"#;
    let (status, _, body) = ask(&app, post("Application/JSON; charset=utf-8", text)).await;
    assert_eq!(status, StatusCode::OK, "{body}");
    assert!(
        body.starts_with(r#"{"anchors":[{"id":0,"offset_m":0.25,"scale":1.0,"offset_se_m":0.02},"#),
        "{body}"
    );
    let (_, _, site) = get(&app, "/v1/site").await;
    assert!(site.contains(r#""offset_m":0.25"#), "{site}");
    let (status, _, body) = ask(&app, post(JSON, text)).await;
    assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE, "{body}");
    assert!(body.contains("the disk is full; the calibration of before is in force"), "{body}");
    operator.await.unwrap();
}
