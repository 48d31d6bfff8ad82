//! `/v1/live` through real sockets, with a WebSocket client of another make.

use std::{net::SocketAddr, time::Duration};

use futures_util::{SinkExt, StreamExt};
use hereabout_core::AnchorState;
use hereabout_engine::Output;
use serde_json::Value;
use tokio::net::TcpStream;
use tokio_tungstenite::{
    WebSocketStream, client_async,
    tungstenite::{Error, Message, client::IntoClientRequest, protocol::CloseFrame},
};

use crate::tests::fixtures::*;
use crate::{Hub, v1::EventDraft};

type Client = WebSocketStream<TcpStream>;

async fn connect_with(
    addr: SocketAddr,
    query: &str,
    headers: &[(&'static str, &str)],
) -> Result<Client, Error> {
    let mut request = format!("ws://{addr}/v1/live{query}").into_client_request().unwrap();
    for (name, value) in headers {
        request.headers_mut().insert(*name, value.parse().unwrap());
    }
    let stream = TcpStream::connect(addr).await.expect("connected");
    soon(client_async(request, stream)).await.map(|(client, _)| client)
}

async fn connect(addr: SocketAddr, query: &str) -> Client {
    connect_with(addr, query, &[]).await.expect("a WebSocket")
}

/// The next text message.
async fn text(client: &mut Client) -> String {
    loop {
        match soon(client.next()).await.expect("open").expect("a frame") {
            Message::Text(text) => return text.to_string(),
            Message::Ping(_) | Message::Pong(_) => {}
            other => panic!("no text: {other:?}"),
        }
    }
}

async fn value(client: &mut Client) -> Value {
    serde_json::from_str(&text(client).await).expect("JSON")
}

/// Reads on to the close frame.
async fn close_frame(client: &mut Client) -> CloseFrame {
    loop {
        let frame = soon(client.next()).await.expect("a close frame before the end").expect("a frame");
        if let Message::Close(frame) = frame {
            return frame.expect("a code and a reason");
        }
    }
}

fn what(v: &Value) -> (String, Value) {
    let of = ["tag", "id"].iter().find_map(|key| v.get(*key)).cloned().unwrap_or(Value::Null);
    (v["type"].as_str().unwrap().to_owned(), of)
}

async fn next_are(client: &mut Client, expected: &[(&str, Value)]) {
    for (kind, of) in expected {
        assert_eq!(what(&value(client).await), ((*kind).to_owned(), of.clone()));
    }
}

/// Waits until `condition` holds; the test fails when that takes too long.
async fn until(condition: impl Fn() -> bool) {
    soon(async {
        while !condition() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
}

#[tokio::test]
async fn the_snapshot_comes_first_and_then_the_changes() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "").await;
    let anchors: Vec<_> = (0..5).map(|id| ("anchor", id.into())).collect();
    next_are(&mut client, &[("link", Value::Null)]).await;
    next_are(&mut client, &anchors).await;
    next_are(&mut client, &[("position", 0.into()), ("position", 3.into())]).await;
    next_are(&mut client, &[("zone", Value::Null), ("zone", Value::Null)]).await;

    hub.publish(&Output::Ranges(epoch(0))); // not asked for
    hub.publish(&Output::Position(located(4183, 0)));
    let live = crate::v1::PositionBody::from_report(&located(4183, 0), Some(sending())).to_json();
    assert_eq!(text(&mut client).await, live);
    let mut next = table();
    next.rows[1].state = AnchorState::Silent;
    hub.publish(&Output::Anchors(next.into()));
    hub.set_link(waiting(0.0));
    next_are(&mut client, &[("anchor", 1.into()), ("link", Value::Null)]).await;
}

#[tokio::test]
async fn topics_and_tag_choose() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=range,position&tag=3").await;
    next_are(&mut client, &[("position", 3.into())]).await;
    hub.publish(&Output::Ranges(epoch(0)));
    hub.publish(&Output::Position(located(5, 0)));
    hub.set_link(waiting(0.0));
    hub.publish(&Output::Ranges(epoch(3)));
    hub.publish(&Output::Position(located(6, 3)));
    next_are(&mut client, &[("range", 3.into()), ("position", 3.into())]).await;
}

#[tokio::test]
async fn max_rate_thins_to_the_newest_and_calls_nothing_missed() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=position&max_rate_hz=0.5").await;
    hub.publish(&Output::Position(located(1, 0)));
    assert_eq!(value(&mut client).await["seq"], 1);
    for seq in 2..=50 {
        hub.publish(&Output::Position(located(seq, 0)));
    }
    hub.publish(&Output::Position(located(51, 3)));
    assert_eq!(value(&mut client).await["seq"], 51); // another tag has its own pace
    assert_eq!(value(&mut client).await["seq"], 50);
    assert_eq!(hub.snapshot().counts.missed, 0);
}

#[tokio::test]
async fn a_slow_reader_gets_the_newest_and_is_told_what_it_missed() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut slow = connect(server.addr, "?topics=position").await;
    let mut quick = connect(server.addr, "?topics=position").await;
    let mut seq = 0;
    let mut heard_by_quick = 0;
    while hub.snapshot().counts.missed < 500 {
        seq += 1;
        hub.publish(&Output::Position(located(seq, 0)));
        heard_by_quick = value(&mut quick).await["seq"].as_u64().expect("no gap for the quick one");
    }
    assert_eq!(heard_by_quick, seq, "who keeps up misses nothing because of another");

    let (mut delivered, mut missed, mut last) = (0, 0, 0);
    while last < seq {
        let v = value(&mut slow).await;
        if v["type"] == "missed" {
            missed += v["count"].as_u64().unwrap();
        } else {
            let this = v["seq"].as_u64().unwrap();
            assert!(this > last, "never backwards");
            (delivered, last) = (delivered + 1, this);
        }
    }
    assert_eq!(delivered + missed, seq);
    assert_eq!(missed, hub.snapshot().counts.missed);
    // Caught up, it gets everything again.
    for seq in seq + 1..seq + 4 {
        hub.publish(&Output::Position(located(seq, 0)));
        assert_eq!(value(&mut slow).await["seq"], seq);
    }
}

#[tokio::test]
async fn who_answers_pings_stays_and_who_does_not_is_closed() {
    let hub = Hub::new(info());
    let mut brisk = settings();
    brisk.ping_every = Duration::from_millis(20);
    brisk.unheard_after = Duration::from_secs(1);
    let server = served(&hub, brisk).await;
    // The client library answers pings while it is read from, and only then.
    let mut answers = connect(server.addr, "?topics=position").await;
    let silent = connect(server.addr, "?topics=position").await;
    let mut pings = 0;
    soon(async {
        while hub.snapshot().subscribers == 2 {
            let frame = answers.next().await.expect("open").expect("a frame");
            pings += usize::from(matches!(frame, Message::Ping(_)));
        }
    })
    .await;
    assert!(pings > 0);
    let mut silent = silent;
    let closed = close_frame(&mut silent).await;
    assert_eq!(u16::from(closed.code), 1008); // RFC 6455 section 7.4.1: policy
    assert_eq!(closed.reason, "no answer to pings");
    hub.publish(&Output::Position(located(1, 0)));
    assert_eq!(value(&mut answers).await["seq"], 1);
}

#[tokio::test]
async fn a_pong_or_any_message_counts_as_heard() {
    let hub = Hub::new(info());
    let mut brisk = settings();
    brisk.ping_every = Duration::from_secs(3_600);
    brisk.unheard_after = Duration::from_secs(2);
    let server = served(&hub, brisk).await;
    let mut talks = connect(server.addr, "?topics=position").await;
    let _silent = connect(server.addr, "?topics=position").await;
    soon(async {
        while hub.snapshot().subscribers == 2 {
            talks.send(Message::text("ignored")).await.unwrap();
            talks.send(Message::binary(vec![0xff; 100])).await.unwrap();
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    })
    .await;
    hub.publish(&Output::Position(located(1, 0)));
    assert_eq!(value(&mut talks).await["seq"], 1);
}

#[tokio::test]
async fn stopping_closes_with_1001_even_a_stalled_reader() {
    let hub = busy_hub();
    let mut brisk = settings();
    brisk.close_time = Duration::from_millis(300);
    let server = served(&hub, brisk).await;
    let mut client = connect(server.addr, "").await;
    let _stalled = connect(server.addr, "?topics=position").await;
    let mut seq = 0;
    while hub.snapshot().counts.missed == 0 {
        seq += 1;
        hub.publish(&Output::Position(located(seq, 3)));
        text(&mut client).await;
    }
    server.shutdown.cancel();
    let closed = close_frame(&mut client).await;
    assert_eq!(u16::from(closed.code), 1001); // RFC 6455 section 7.4.1: going away
    assert_eq!(closed.reason, "the daemon is stopping");
    soon(server.ended).await.unwrap().unwrap();
    assert_eq!(hub.snapshot().subscribers, 0);
}

#[tokio::test]
async fn a_message_above_the_limit_is_closed_with_1009() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=position").await;
    client.send(Message::text("x".repeat(4_096))).await.unwrap();
    hub.publish(&Output::Position(located(1, 0)));
    assert_eq!(value(&mut client).await["seq"], 1);
    client.send(Message::text("x".repeat(4_097))).await.unwrap();
    assert_eq!(u16::from(close_frame(&mut client).await.code), 1009); // RFC 6455 section 7.4.1: too big
    until(|| hub.snapshot().subscribers == 0).await;
}

#[tokio::test]
async fn a_client_that_closes_gets_its_answer() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=position").await;
    client.close(None).await.unwrap();
    assert!(matches!(soon(client.next()).await, Some(Ok(Message::Close(_))) | None));
    until(|| hub.snapshot().subscribers == 0).await;
    // One that just goes away is noticed too.
    let gone = connect(server.addr, "?topics=position").await;
    until(|| hub.snapshot().subscribers == 1).await;
    drop(gone);
    until(|| hub.snapshot().subscribers == 0).await;
}

#[tokio::test]
async fn a_foreign_page_or_name_gets_no_websocket() {
    let server = served(&busy_hub(), settings()).await;
    let refused =
        async |headers: &[(&'static str, &str)], expected: u16| match connect_with(server.addr, "", headers)
            .await
        {
            Err(Error::Http(answer)) => assert_eq!(answer.status(), expected),
            other => panic!("not refused: {other:?}"),
        };
    refused(&[("origin", "https://larkfield.example")], 403).await;
    refused(&[("origin", "null")], 403).await;
    refused(&[("host", "rebound.example:6208")], 403).await;
    refused(&[("sec-websocket-version", "12")], 426).await;
    connect_with(server.addr, "", &[("origin", "http://localhost:3000")])
        .await
        .expect("a page of this machine");
}

#[tokio::test]
async fn one_reader_too_many_is_503_until_one_leaves() {
    let hub = busy_hub();
    let mut narrow = settings();
    narrow.max_readers = 1;
    let server = served(&hub, narrow).await;
    let first = connect(server.addr, "").await;
    match connect_with(server.addr, "", &[]).await {
        Err(Error::Http(answer)) => {
            assert_eq!(answer.status(), 503);
            let body = String::from_utf8_lossy(answer.body().as_deref().unwrap_or_default()).into_owned();
            assert!(body.contains("/problems/too-many-readers"), "{body}");
        }
        other => panic!("not refused: {other:?}"),
    }
    drop(first);
    until(|| hub.snapshot().subscribers == 0).await;
    connect(server.addr, "").await;
}

/// Numbers of the events that come, up to this one, whatever comes between.
async fn events_to(client: &mut Client, last: u64) -> Vec<u64> {
    let mut seqs = Vec::new();
    while seqs.last() != Some(&last) {
        let v = value(client).await;
        seqs.extend((v["type"] == "event").then(|| v["seq"].as_u64().expect("a number")));
    }
    seqs
}

#[tokio::test]
async fn events_after_a_number_come_first_and_then_on() {
    let hub = busy_hub();
    let stop = EventDraft::stop(T);
    (0..9).for_each(|_| hub.count_event(&stop));
    let server = served(&hub, settings()).await;
    let mut resumed = connect(server.addr, "?after=5").await;
    for seq in 6..10 {
        let v = value(&mut resumed).await;
        assert_eq!(
            (v["type"].clone(), v["seq"].clone()),
            ("event".into(), seq.into()),
            "before the snapshot"
        );
    }
    assert_eq!(value(&mut resumed).await["type"], "link");
    let mut fresh = connect(server.addr, "?topics=event").await;
    (0..3).for_each(|_| hub.count_event(&stop));
    assert_eq!(events_to(&mut resumed, 12).await, [10, 11, 12]);
    assert_eq!(events_to(&mut fresh, 12).await, [10, 11, 12], "from now on, without a number");
    let mut ahead = connect(server.addr, "?topics=event&after=77").await;
    let told = text(&mut ahead).await;
    assert_eq!(told, r#"{"type":"numbers_anew","after":77,"newest":12}"#);
    assert_eq!(events_to(&mut ahead, 12).await, (1..=12).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_slow_reader_misses_no_event_until_they_are_no_longer_kept() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut slow = connect(server.addr, "?topics=event,position").await;
    let stop = EventDraft::stop(T);
    let kept = u64::from(crate::MAX_EVENTS);
    // More positions than any buffer between takes, so that the reader is slow; few enough events to be kept.
    let mut seq = 0;
    while hub.snapshot().counts.missed < 500 {
        seq += 1;
        hub.publish(&Output::Position(located(seq, 0)));
        if seq % 64 == 0 && seq / 64 <= 1_000 {
            hub.count_event(&stop);
            tokio::task::yield_now().await;
        }
    }
    let sent = (seq / 64).min(1_000);
    assert!(sent > 3);
    assert_eq!(events_to(&mut slow, sent).await, (1..=sent).collect::<Vec<_>>());
    // Now far more than are kept, with nobody reading.
    (0..3 * kept).for_each(|_| hub.count_event(&stop));
    let newest = sent + 3 * kept;
    let (mut accounted, mut gone) = (sent, 0);
    while accounted < newest {
        let v = value(&mut slow).await;
        if v["type"] == "no_longer_kept" {
            assert_eq!(v["from"].as_u64(), Some(accounted + 1));
            let to = v["to"].as_u64().expect("a number");
            gone += to - accounted;
            accounted = to;
        } else if v["type"] == "event" {
            accounted += 1;
            assert_eq!(v["seq"].as_u64(), Some(accounted));
        }
    }
    assert!(gone > 0, "more came than is kept");
}

#[tokio::test]
async fn the_last_events_come_before_the_goodbye() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=event").await;
    soon(async {
        while hub.snapshot().subscribers == 0 {
            tokio::task::yield_now().await;
        }
    })
    .await;
    hub.count_event(&EventDraft::stop(T));
    server.shutdown.cancel();
    assert_eq!(value(&mut client).await["kind"], "stop");
    assert_eq!(u16::from(close_frame(&mut client).await.code), 1001);
}

#[tokio::test]
async fn a_nonce_comes_first_and_pongs_come_in_order() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let mut client = connect(server.addr, "?topics=position&tag=0&nonce=Qz-0.1_~").await;
    assert_eq!(text(&mut client).await, r#"{"type":"nonce","nonce":"Qz-0.1_~","sender_s":90.0012}"#);
    assert_eq!(value(&mut client).await["seq"], 4181);
    hub.publish(&Output::Position(located(4183, 0)));
    client.send(Message::text(r#"{"ping":"a \"b\""}"#)).await.unwrap();
    assert_eq!(value(&mut client).await["seq"], 4183);
    assert_eq!(text(&mut client).await, r#"{"type":"pong","ping":"a \"b\"","sender_s":90.0012}"#);
    client.send(Message::text(r#"{"ping":7}"#)).await.unwrap();
    let problem = value(&mut client).await;
    assert_eq!((&problem["type"], &problem["sender_s"]), (&"pong".into(), &Value::Null));
    assert!(problem["problem"].as_str().expect("words").contains("send that"), "{problem}");
    // The second time it is only counted, and the stream goes on.
    client.send(Message::text(r#"{"ping":7}"#)).await.unwrap();
    until(|| hub.snapshot().counts.pings_unanswered == 2).await;
    client.send(Message::text(r#"{"ping":"c"}"#)).await.unwrap();
    assert_eq!(value(&mut client).await["ping"], "c");
}

/// The reader of an own backlog: its pong comes behind all of it, by the steady time of then.
#[tokio::test]
async fn a_pong_shows_a_slow_reader_its_backlog() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let mut slow = connect(server.addr, "?topics=position").await;
    // Until nothing gets through any more: every message of some rounds is left out for a newer one.
    let (mut seq, mut stuck) = (0, 0);
    while stuck < 5 {
        let before = hub.snapshot().counts.missed;
        (0..100).for_each(|i| hub.publish(&Output::Position(located(seq + 1 + i, 0))));
        seq += 100;
        tokio::time::sleep(Duration::from_millis(2)).await;
        stuck = if hub.snapshot().counts.missed == before + 100 { stuck + 1 } else { 0 };
    }
    for i in 0..30 {
        slow.send(Message::text(format!(r#"{{"ping":"{i}"}}"#))).await.unwrap();
    }
    until(|| hub.snapshot().counts.pings_unanswered >= 22).await;
    let (mut last, mut pongs) = (0, Vec::new());
    while pongs.len() < 8 {
        let v = value(&mut slow).await;
        match v["type"].as_str() {
            Some("position") => last = v["seq"].as_u64().expect("a number"),
            Some("pong") => pongs.push((v["ping"].as_str().expect("a text").to_owned(), last)),
            other => assert_eq!(other, Some("missed")),
        }
    }
    let expected: Vec<_> = (0..8).map(|i| (i.to_string(), seq)).collect();
    assert_eq!(pongs, expected, "behind the newest position that waited");
    assert_eq!(hub.snapshot().counts.pings_unanswered, 22);
}
