//! Golden texts of every body: a change of the contract shows in review.
//!
//! The shapes come from section 6 of the design; there is no outside source for them.

use axum::http::{StatusCode, header};
use hereabout_words::samples::{every_finding, every_kit_finding, every_place};
use hereabout_words::{anchor, kit, place};
use insta::assert_snapshot;

use super::fixtures::*;
use crate::{Hub, LogStatus, openapi_json, v1::Problem};

async fn ok(hub: &Hub, path: &str) -> String {
    let (status, headers, text) = get(&app(hub), path).await;
    assert_eq!(status, StatusCode::OK, "{path}: {text}");
    assert_eq!(headers[header::CACHE_CONTROL], "no-store");
    if headers[header::CONTENT_TYPE] == "application/json" {
        serde_json::from_str::<serde_json::Value>(&text).expect("JSON");
    }
    text
}

#[tokio::test]
async fn bodies_in_the_middle_of_the_work() {
    let hub = busy_hub();
    for (name, path) in [
        ("index", "/"),
        ("site", "/v1/site"),
        ("tags", "/v1/tags"),
        ("tag_located", "/v1/tags/0"),
        ("tag_lost", "/v1/tags/3"),
        ("anchors", "/v1/anchors"),
        ("anchor_silent", "/v1/anchors/3"),
        ("anchors_txt", "/v1/anchors.txt"),
        ("status", "/v1/status"),
        ("livez", "/livez"),
        ("readyz", "/readyz"),
        ("metrics", "/metrics"),
    ] {
        assert_snapshot!(name, ok(&hub, path).await);
    }
}

/// The answer is the same as without, and says in the end which question it is to.
#[tokio::test]
async fn a_nonce_comes_back() {
    let hub = busy_hub();
    let longest = "Az09-._~".repeat(16);
    for path in ["/v1/tags", "/v1/tags/0", "/v1/tags/3", "/v1/zones", "/v1/zones/charger"] {
        let plain = ok(&hub, path).await;
        for nonce in ["x", &longest] {
            let with = ok(&hub, &format!("{path}?nonce={nonce}")).await;
            let open = plain.strip_suffix('}').expect("an object");
            assert_eq!(with, format!("{open},\"nonce\":\"{nonce}\"}}"), "{path}");
        }
    }
    assert!(ok(&hub, "/v1/zones?tag=0&nonce=y").await.ends_with(r#","nonce":"y"}"#));
}

#[tokio::test]
async fn a_bad_day_in_rows_for_programs() {
    let hub = busy_hub();
    hub.publish(&hereabout_engine::Output::Anchors(troubled().into()));
    minutes(2).into_iter().for_each(|m| hub.publish(&hereabout_engine::Output::Minute(m)));
    assert_snapshot!("troubled_anchors", ok(&hub, "/v1/anchors").await);
    assert_snapshot!("troubled_anchor", ok(&hub, "/v1/anchors/2").await);
    assert_snapshot!("troubled_status", ok(&hub, "/v1/status").await);
}

/// The name that programs read is the name that the words are filed under.
#[tokio::test]
async fn kinds_have_one_name_everywhere() {
    for finding in every_finding(0.4) {
        let hub = busy_hub();
        let mut table = table();
        table.rows[0].findings.push(finding);
        hub.publish(&hereabout_engine::Output::Anchors(table.into()));
        let row: serde_json::Value = serde_json::from_str(&ok(&hub, "/v1/anchors/0").await).expect("JSON");
        assert_eq!(row["findings"][0]["kind"], anchor::code(&finding));
    }
    for finding in every_kit_finding(0.4) {
        let body = serde_json::to_value(crate::v1::KitFindingBody::new(&finding, (&info().site).into()))
            .expect("JSON");
        assert_eq!(body["kind"], kit::found(&finding, (&info().site).into()).code);
    }
    for answer in every_place(0.4) {
        let body = serde_json::to_value(crate::v1::PlaceBody::from(&answer)).expect("JSON");
        let named = if body["why"].is_null() { &body["answer"] } else { &body["why"] };
        assert_eq!(named, place::answer(&answer).code);
    }
}

/// Numbers that nobody can write down are null, and no row is lost over them.
#[tokio::test]
async fn wild_findings_are_null_in_json() {
    let hub = busy_hub();
    for finding in every_finding(f64::NAN) {
        let mut table = table();
        table.rows[0].findings.push(finding);
        hub.publish(&hereabout_engine::Output::Anchors(table.into()));
        let text = ok(&hub, "/v1/anchors").await;
        assert!(!text.contains("NaN"), "{text}");
    }
}

#[tokio::test]
async fn before_the_first_frame_the_unknown_is_null() {
    let hub = Hub::new(info());
    for (name, path) in [
        ("fresh_tags", "/v1/tags"),
        ("fresh_anchor", "/v1/anchors/0"),
        ("fresh_anchors_txt", "/v1/anchors.txt"),
        ("fresh_status", "/v1/status"),
        ("fresh_metrics", "/metrics"),
    ] {
        assert_snapshot!(name, ok(&hub, path).await);
    }
}

#[tokio::test]
async fn a_table_stays_within_80_columns_and_moves_no_cursor() {
    let mut info = info();
    info.source = "tcp://a-very-long-name-of-a-serial-server.larkfield.example:47001/with/even/more".into();
    info.site.name = "An extraordinarily long name of a nursery\n\x1b[2J with control characters".into();
    info.site.anchors[1].name = "roof\x07 über dem Gewächshaus, ganz hinten links".into();
    let hub = Hub::new(info);
    hub.publish(&hereabout_engine::Output::Anchors(table().into()));
    for link in [waiting(4_000.0), connected()] {
        hub.set_link(link);
        let text = ok(&hub, "/v1/anchors.txt").await;
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
        assert!(!text.contains("nursery\n"), "{text}");
    }
}

#[tokio::test]
async fn the_worst_anchor_comes_first_in_the_table() {
    let text = ok(&busy_hub(), "/v1/anchors.txt").await;
    let ids: Vec<&str> = text
        .lines()
        .filter_map(|l| {
            l.split_whitespace().next().filter(|w| w.parse::<u16>().is_ok() && l.starts_with("    "))
        })
        .collect();
    assert_eq!(ids, ["3", "4", "1", "2", "0"]);
}

#[tokio::test]
async fn readyz_says_what_is_missing() {
    let hub = Hub::new(info());
    let not_ready = async |words: &str| {
        let (status, _, text) = get(&app(&hub), "/readyz").await;
        let detail = serde_json::from_str::<serde_json::Value>(&text).expect("JSON")["detail"].to_string();
        assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
        assert!(detail.contains(words), "{detail}");
    };
    not_ready("not connected yet").await;
    hub.set_link(waiting(1.0));
    not_ready("plug the primary anchor in").await;
    hub.set_link(connected());
    not_ready("Nothing usable was heard").await;
    hub.publish(&hereabout_engine::Output::Position(located(1, 0)));
    ok(&hub, "/readyz").await;
    hub.set_link(waiting(4.0)); // within the grace of 5 s: a plug that is pulled and put back
    ok(&hub, "/readyz").await;
    hub.set_link(connected());
    hub.set_link(waiting(60.0));
    not_ready("waiting for 60 s").await;
}

#[tokio::test]
async fn status_lists_what_needs_a_person() {
    let hub = busy_hub();
    let problem = Some("the disk is full: make room".to_owned());
    hub.set_log(LogStatus {
        path: "larkfield.db".into(),
        rows_written: 9,
        rows_waiting: 2,
        frames_dropped: 3,
        events_dropped: 1,
        problem,
        ..LogStatus::default()
    });
    hub.publish(&hereabout_engine::Output::TooManyTags { at: T, tag: hereabout_core::TagId(99) });
    hub.publish(&hereabout_engine::Output::OutOfOrder { at: T, newest: T });
    assert_snapshot!("status_with_problems", ok(&hub, "/v1/status").await);
}

#[tokio::test]
async fn a_slow_adapter_stands_among_the_problems_until_it_is_gone() {
    let hub = busy_hub();
    let told = async || {
        let body: serde_json::Value = serde_json::from_str(&ok(&hub, "/v1/status").await).expect("JSON");
        body["problems"].as_array().expect("a list").iter().any(|p| p == "the adapter is slow: set it")
    };
    assert!(!told().await);
    hub.set_adapter_note(Some("the adapter is slow: set it".to_owned()));
    // Another matter that has a place of its own.
    hub.set_notice(None);
    assert!(told().await);
    hub.set_adapter_note(None);
    assert!(!told().await);
}

#[test]
fn the_openapi_document_is_the_one_in_review() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/openapi.json");
    let text = openapi_json() + "\n";
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(path, &text).expect("written");
    }
    let golden = std::fs::read_to_string(path).expect("crates/api/openapi.json");
    assert!(
        golden == text,
        "the API changed: if that is meant, run the test with UPDATE_GOLDEN=1 and review the diff"
    );
}

#[tokio::test]
async fn the_openapi_document_names_every_route_and_every_error() {
    let api: serde_json::Value = serde_json::from_str(&ok(&busy_hub(), "/openapi.json").await).expect("JSON");
    assert_eq!(api["openapi"], "3.1.0");
    let index: serde_json::Value = serde_json::from_str(&ok(&busy_hub(), "/").await).expect("JSON");
    let listed: Vec<&str> =
        index["routes"].as_array().expect("routes").iter().filter_map(|r| r["path"].as_str()).collect();
    // Section 6 of the design, without what later issues bring.
    for path in [
        "/",
        "/livez",
        "/metrics",
        "/openapi.json",
        "/readyz",
        "/v1/anchors",
        "/v1/anchors.txt",
        "/v1/anchors/{id}",
        "/v1/events",
        "/v1/live",
        "/v1/plan.svg",
        "/v1/live.sse",
        "/v1/site",
        "/v1/status",
        "/v1/tags",
        "/v1/tags/{tag}",
        "/v1/zones",
        "/v1/zones/{name}",
        "/v1/calibrations",
    ] {
        let method = if path == "/v1/calibrations" { "post" } else { "get" };
        let operation = &api["paths"][path][method];
        let schema = "/responses/default/content/application~1problem+json/schema/$ref";
        assert_eq!(operation.pointer(schema).expect(path), "#/components/schemas/Problem");
        assert!(listed.contains(&path), "{path} is missing in the list of routes");
        let responses = operation["responses"].as_object().expect("responses");
        // OpenAPI 3.1.0 section 4.8.17: every response has a description.
        assert!(
            responses.values().all(|r| r["description"].as_str().is_some_and(|d| !d.is_empty())),
            "{path}"
        );
    }
    assert_eq!(listed.len(), 20);
    let text = api["info"]["description"].as_str().expect("a description");
    assert!(text.contains("Not a safety component"));
    let position = &api["components"]["schemas"]["PositionBody"];
    let required = position["required"].as_array().expect("required");
    assert!(required.contains(&"position_m".into()) && !required.contains(&"age_s".into()), "{required:?}");
}

#[tokio::test]
async fn problems_have_their_media_type() {
    let (status, headers, text) = get(&app(&busy_hub()), "/v1/tags/7").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert_eq!(headers[header::CONTENT_TYPE], "application/problem+json"); // RFC 9457 section 3
    assert_snapshot!("problem_unknown_tag", text);
    assert_eq!(Problem::unknown_tag("x", "none").status, 404);
}
