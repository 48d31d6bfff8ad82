//! `/v1/live.sse` through real sockets, read as the WHATWG HTML Living Standard (section "Server-sent events")
//! says how: lines, fields, blank lines.

use std::{net::SocketAddr, time::Duration};

use hereabout_engine::Output;
use serde_json::Value;
use tokio::{
    io::{AsyncBufReadExt, AsyncWriteExt, BufReader},
    net::TcpStream,
};

use crate::tests::fixtures::*;
use crate::{Hub, v1::EventDraft};

/// A reader of the stream.
struct Client {
    lines: BufReader<TcpStream>,
    last_id: Option<String>,
    comments: usize,
}

impl Client {
    /// Asks with HTTP/1.0, so that the body comes without chunks.
    async fn connect(addr: SocketAddr, query: &str, more: &str) -> (String, Client) {
        let mut stream = TcpStream::connect(addr).await.expect("connected");
        let request = format!("GET /v1/live.sse{query} HTTP/1.0\r\nHost: localhost\r\n{more}\r\n");
        stream.write_all(request.as_bytes()).await.expect("sent");
        let mut client = Client { lines: BufReader::new(stream), last_id: None, comments: 0 };
        let mut head = String::new();
        while let Some(line) = client.line().await.filter(|l| !l.is_empty()) {
            head += &(line.to_ascii_lowercase() + "\n");
        }
        (head, client)
    }

    async fn line(&mut self) -> Option<String> {
        let mut line = String::new();
        let n = soon(self.lines.read_line(&mut line)).await.ok()?;
        (n > 0).then(|| line.trim_end_matches(['\r', '\n']).to_owned())
    }

    /// The next message; `None` at the end.
    async fn next(&mut self) -> Option<Value> {
        let mut data = String::new();
        loop {
            let line = self.line().await?;
            match line.split_once(": ").unwrap_or((&line, "")) {
                ("", _) if !data.is_empty() => return Some(serde_json::from_str(&data).expect("JSON")),
                ("data", text) => data += text,
                ("id", text) => self.last_id = Some(text.to_owned()),
                ("retry", ms) => assert!(ms.parse::<u32>().is_ok()),
                (":", _) => self.comments += 1,
                ("", _) => {}
                other => panic!("an unknown field: {other:?}"),
            }
        }
    }

    async fn next_of(&mut self, kind: &str) -> Value {
        loop {
            let message = self.next().await.expect("open");
            if message["type"] == kind {
                return message;
            }
        }
    }
}

#[tokio::test]
async fn it_gives_the_messages_of_live() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let (head, mut client) = Client::connect(server.addr, "?topics=zone,position&tag=0", "").await;
    assert!(head.starts_with("http/1.0 200") || head.starts_with("http/1.1 200"), "{head}");
    assert!(head.contains("content-type: text/event-stream"), "{head}");
    assert!(head.contains("cache-control: no-store"), "{head}");
    assert_eq!(client.next().await.expect("open")["seq"], 4181);
    assert_eq!(client.next().await.expect("open")["why"], "never_heard");
    client.next_of("zone").await;
    hub.publish(&Output::Zone(inside(5, 0)));
    let zone = client.next_of("zone").await;
    let body = crate::v1::ZoneReportBody::from_report(&inside(5, 0), "roller door");
    let body = body.sent(inside(5, 0).valid_until, sending()).to_json();
    assert_eq!(zone, serde_json::from_str::<Value>(&body).expect("JSON"));
    assert_eq!(client.last_id, None, "only events have an id");
    server.shutdown.cancel();
    assert_eq!(client.next().await, None, "the end comes as an end");
    soon(server.ended).await.expect("no panic").expect("no error");
}

#[tokio::test]
async fn a_nonce_is_the_first_message() {
    let hub = busy_hub();
    hub.count_event(&EventDraft::stop(T));
    let server = served(&hub, settings()).await;
    let (_, mut client) = Client::connect(server.addr, "?topics=event,position&after=0&nonce=n1", "").await;
    let first = client.next().await.expect("open");
    assert_eq!(first, serde_json::json!({"type": "nonce", "nonce": "n1", "sender_s": 90.0012}));
    assert_eq!(client.next().await.expect("open")["type"], "event");
    let position = client.next_of("position").await;
    assert_eq!((&position["valid_for_s"], &position["sender_s"]), (&0.4988.into(), &90.0012.into()));
}

#[tokio::test]
async fn comments_keep_it_alive() {
    let hub = Hub::new(info());
    let mut brisk = settings();
    brisk.ping_every = Duration::from_millis(10);
    let server = served(&hub, brisk).await;
    let (_, mut client) = Client::connect(server.addr, "?topics=position", "").await;
    let mut seen = 0;
    while seen < 3 {
        seen += usize::from(client.line().await.expect("open") == ":");
    }
    hub.publish(&Output::Position(located(1, 0)));
    assert_eq!(client.next().await.expect("open")["seq"], 1);
}

#[tokio::test]
async fn readers_are_counted_and_leave() {
    let hub = busy_hub();
    let mut narrow = settings();
    narrow.max_readers = 1;
    narrow.ping_every = Duration::from_millis(10); // a reader that went is noticed when it is written to
    let server = served(&hub, narrow).await;
    let first = Client::connect(server.addr, "", "").await;
    assert!(Client::connect(server.addr, "", "").await.0.contains(" 503 "));
    drop(first);
    soon(async {
        while hub.snapshot().subscribers > 0 {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
    assert!(Client::connect(server.addr, "", "").await.0.contains(" 200 "));
}

#[tokio::test]
async fn a_foreign_page_or_name_gets_nothing() {
    let server = served(&busy_hub(), settings()).await;
    let (head, _) = Client::connect(server.addr, "", "Origin: https://larkfield.example\r\n").await;
    assert!(head.contains(" 403 "), "{head}");
}

#[tokio::test]
async fn a_slow_reader_gets_the_newest_and_is_told_what_it_missed() {
    let hub = Hub::new(info());
    let server = served(&hub, settings()).await;
    let (_, mut slow) = Client::connect(server.addr, "?topics=position", "").await;
    let mut seq = 0;
    while hub.snapshot().counts.missed < 500 {
        seq += 1;
        hub.publish(&Output::Position(located(seq, 0)));
        if seq % 100 == 0 {
            tokio::task::yield_now().await;
        }
    }
    let (mut delivered, mut missed, mut last) = (0, 0, 0);
    while last < seq {
        let v = slow.next().await.expect("open");
        if v["type"] == "missed" {
            missed += v["count"].as_u64().expect("a count");
        } else {
            let this = v["seq"].as_u64().expect("a number");
            assert!(this > last, "never backwards");
            (delivered, last) = (delivered + 1, this);
        }
    }
    assert_eq!((delivered + missed, missed), (seq, hub.snapshot().counts.missed));
}

#[tokio::test]
async fn events_have_ids_and_the_last_one_resumes() {
    let hub = busy_hub();
    let stop = EventDraft::stop(T);
    (0..5).for_each(|_| hub.count_event(&stop));
    let server = served(&hub, settings()).await;
    let (_, mut client) = Client::connect(server.addr, "?topics=event", "").await;
    soon(async {
        while hub.snapshot().subscribers == 0 {
            tokio::task::yield_now().await;
        }
    })
    .await;
    hub.count_event(&stop);
    assert_eq!(client.next().await.expect("open")["seq"], 6);
    assert_eq!(client.last_id.as_deref(), Some("6"));
    drop(client);
    (0..2).for_each(|_| hub.count_event(&stop));
    // The header wins over the query, which is that of the first time.
    let (_, mut client) = Client::connect(server.addr, "?topics=event&after=0", "Last-Event-ID: 6\r\n").await;
    for seq in [7, 8] {
        assert_eq!(client.next().await.expect("open")["seq"], seq);
    }
    let (_, mut client) = Client::connect(server.addr, "?topics=event&after=3", "").await;
    assert_eq!(client.next().await.expect("open")["seq"], 4);
    let (_, mut client) = Client::connect(server.addr, "?topics=event", "Last-Event-ID: 99\r\n").await;
    assert_eq!(client.next().await.expect("open")["type"], "numbers_anew");
    assert_eq!(client.next().await.expect("open")["seq"], 1);
}

#[tokio::test]
async fn who_has_had_no_event_yet_can_resume_from_the_first_line_on() {
    let hub = busy_hub();
    let stop = EventDraft::stop(T);
    (0..5).for_each(|_| hub.count_event(&stop));
    let server = served(&hub, settings()).await;
    let (_, mut client) = Client::connect(server.addr, "?topics=event,link", "").await;
    client.next_of("link").await;
    assert_eq!(client.last_id.as_deref(), Some("5"));
    let (_, mut client) = Client::connect(server.addr, "?topics=link", "").await;
    client.next_of("link").await;
    assert_eq!(client.last_id, None, "nothing to resume without events");
}

#[tokio::test]
async fn the_last_events_come_before_the_end() {
    let hub = busy_hub();
    let server = served(&hub, settings()).await;
    let (_, mut client) = Client::connect(server.addr, "?topics=event,link", "").await;
    client.next_of("link").await;
    hub.count_event(&EventDraft::stop(T));
    server.shutdown.cancel();
    assert_eq!(client.next().await.expect("the stop")["kind"], "stop");
    assert_eq!(client.next().await, None);
}

#[tokio::test]
async fn who_takes_nothing_is_cut_off() {
    let hub = Hub::new(info());
    let mut brisk = settings();
    brisk.unheard_after = Duration::from_millis(200);
    let server = served(&hub, brisk).await;
    let (_, _stalled) = Client::connect(server.addr, "?topics=position", "").await;
    let (_, mut reads) = Client::connect(server.addr, "?topics=position", "").await;
    let mut seq = 0;
    soon(async {
        while hub.snapshot().subscribers == 2 {
            seq += 1;
            hub.publish(&Output::Position(located(seq, 0)));
            reads.next().await.expect("who reads is not cut off");
        }
    })
    .await;
    hub.publish(&Output::Position(located(seq + 1, 0)));
    assert_eq!(reads.next().await.expect("open")["seq"], seq + 1);
}
