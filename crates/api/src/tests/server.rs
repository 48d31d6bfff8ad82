//! The server through real sockets: rough clients, limits, and stopping.

use std::{
    net::{Ipv4Addr, SocketAddr},
    time::Duration,
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    sync::mpsc,
};

use super::fixtures::*;
use crate::{ApiError, bind};

/// Sends `request` as it is and gives all that comes back until the connection ends.
async fn raw(addr: SocketAddr, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(addr).await.expect("connected");
    stream.write_all(request).await.expect("sent");
    rest(&mut stream).await
}

async fn rest(stream: &mut TcpStream) -> String {
    let mut answer = Vec::new();
    soon(stream.read_to_end(&mut answer)).await.expect("an orderly end");
    String::from_utf8_lossy(&answer).into_owned()
}

async fn is_well(addr: SocketAddr) {
    let answer = raw(addr, b"GET /livez HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.1 200 OK\r\n"), "{answer}");
}

#[tokio::test]
async fn only_loopback_may_be_listened_on() {
    for addr in ["0.0.0.0:0", "[::]:0", "192.0.2.1:6208", "[2001:db8::1]:6208"] {
        let refused = bind(addr.parse().unwrap()).await.expect_err(addr);
        assert!(matches!(refused, ApiError::NotLoopback { .. }));
        assert!(refused.to_string().contains("127.0.0.1"), "{refused}");
    }
    let everywhere = tokio::net::TcpListener::bind("0.0.0.0:0").await.unwrap();
    let refused = crate::serve(everywhere, busy_hub(), settings(), Default::default()).await;
    assert!(matches!(refused, Err(ApiError::NotLoopback { .. })));
}

#[tokio::test]
async fn a_taken_port_is_told_with_what_to_do() {
    let first = bind(SocketAddr::from((Ipv4Addr::LOCALHOST, 0))).await.unwrap();
    let addr = first.local_addr().unwrap();
    let taken = bind(addr).await.expect_err("it is taken");
    assert!(matches!(taken, ApiError::PortTaken { addr: a } if a == addr));
    assert!(taken.to_string().contains("set [api] listen to another port"), "{taken}");
}

#[tokio::test]
async fn a_client_of_another_make_reads_a_position() {
    let server = served(&busy_hub(), settings()).await;
    let url = format!("http://{}/v1/tags/0", server.addr);
    let text =
        tokio::task::spawn_blocking(move || ureq::get(&url).call().unwrap().body_mut().read_to_string());
    let text = soon(text).await.unwrap().unwrap();
    assert_eq!(text, crate::v1::PositionBody::from_report(&located(4181, 0), Some(sending())).to_json());
}

#[tokio::test]
async fn ten_megabytes_are_refused_in_words_and_do_no_harm() {
    let server = served(&busy_hub(), settings()).await;
    for (method, path) in
        [("GET", "/v1/site"), ("POST", "/v1/tags/0"), ("PUT", "/nowhere"), ("GET", "/v1/live")]
    {
        let head = format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nContent-Length: 10000000\r\n\r\n");
        let mut request = head.into_bytes();
        request.resize(request.len() + 10_000_000, b'x');
        let answer = raw(server.addr, &request).await;
        assert!(answer.starts_with("HTTP/1.1 413 Payload Too Large\r\n"), "{answer}");
        assert!(answer.contains("application/problem+json"), "{answer}");
    }
    is_well(server.addr).await;
}

#[tokio::test]
async fn a_body_in_chunks_is_counted_too() {
    let server = served(&busy_hub(), settings()).await;
    let head = "POST /v1/site HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n";
    let chunk = format!("10000\r\n{}\r\n", "x".repeat(0x10000));
    let answer = raw(server.addr, format!("{head}{chunk}0\r\n\r\n").as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 413"), "{answer}");
    let answer = raw(server.addr, format!("{head}zz\r\n").as_bytes()).await;
    assert!(answer.starts_with("HTTP/1.1 400"), "{answer}");
    is_well(server.addr).await;
}

#[tokio::test]
async fn a_header_of_64_kb_is_431_in_words() {
    let server = served(&busy_hub(), settings()).await;
    let large = "y".repeat(64 * 1024);
    for path in ["/v1/site", "/v1/live", "/nowhere"] {
        let request = format!(
            "GET {path} HTTP/1.1\r\nHost: localhost\r\nX-Rubbish: {large}\r\nConnection: close\r\n\r\n"
        );
        let answer = raw(server.addr, request.as_bytes()).await;
        assert!(answer.starts_with("HTTP/1.1 431 Request Header Fields Too Large\r\n"), "{answer}");
        assert!(answer.contains("application/problem+json"), "{answer}");
    }
    // Beyond the read buffer there is no request to answer in words, but still the right status.
    let endless = format!("GET / HTTP/1.1\r\nX-Rubbish: {}", "y".repeat(128 * 1024));
    assert!(raw_lossy(server.addr, endless.as_bytes()).await.starts_with("HTTP/1.1 431"));
    is_well(server.addr).await;
}

/// Like [`raw`], for requests that are not read to their end: the connection may be reset after the answer.
async fn raw_lossy(addr: SocketAddr, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(addr).await.expect("connected");
    let _ = stream.write_all(request).await;
    let mut answer = Vec::new();
    let _ = soon(stream.read_to_end(&mut answer)).await;
    String::from_utf8_lossy(&answer).into_owned()
}

#[tokio::test]
async fn what_is_not_http_is_400_and_does_no_harm() {
    let server = served(&busy_hub(), settings()).await;
    for rubbish in [&b"\xc3\x5a\x00\x01\x02\x03\r\n\r\n"[..], b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n"] {
        let answer = raw_lossy(server.addr, rubbish).await;
        assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 400"), "{answer}");
    }
    is_well(server.addr).await;
}

#[tokio::test]
async fn a_header_that_trickles_and_an_idle_connection_are_cut_off() {
    let mut quick = settings();
    quick.header_time = Duration::from_millis(100);
    let server = served(&busy_hub(), quick).await;
    let mut never_speaks = TcpStream::connect(server.addr).await.unwrap();
    let mut half = TcpStream::connect(server.addr).await.unwrap();
    half.write_all(b"GET /livez HTTP/1.1\r\nHost: local").await.unwrap();
    let mut idle = TcpStream::connect(server.addr).await.unwrap();
    idle.write_all(b"GET /livez HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    assert_eq!(rest(&mut never_speaks).await, "");
    assert!(!rest(&mut half).await.starts_with("HTTP/1.1 2"));
    assert!(rest(&mut idle).await.starts_with("HTTP/1.1 200"));
    is_well(server.addr).await;
}

#[tokio::test]
async fn a_request_of_the_old_kind_without_host_is_served() {
    let server = served(&busy_hub(), settings()).await;
    let answer = raw(server.addr, b"GET /livez HTTP/1.0\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.0 200"), "{answer}");
    let answer =
        raw(server.addr, b"HEAD /v1/tags HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.1 200") && answer.ends_with("\r\n\r\n"), "{answer}");
}

#[tokio::test]
async fn beyond_the_limit_the_one_that_is_idle_for_longest_makes_room() {
    let mut narrow = settings();
    narrow.max_connections = 4;
    let server = served(&busy_hub(), narrow).await;
    let mut idle = Vec::new();
    for _ in 0..4 {
        let mut stream = TcpStream::connect(server.addr).await.unwrap();
        stream.write_all(b"GET /livez HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        soon(stream.read_exact(&mut [0; 16])).await.unwrap();
        idle.push(stream);
    }
    soon(is_well(server.addr)).await;
    rest(&mut idle[0]).await;
    // The others were left alone: they are served on their old connections.
    for stream in &mut idle[1..] {
        stream
            .write_all(b"GET /livez HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            .await
            .unwrap();
        assert!(rest(stream).await.contains("HTTP/1.1 200 OK\r\n"));
    }
}

#[tokio::test]
async fn when_all_are_busy_the_newcomer_gets_a_clean_503() {
    let mut narrow = settings();
    narrow.max_connections = 4;
    let (operator, mut operations) = mpsc::channel(1);
    narrow.operator = Some(operator);
    let server = served(&busy_hub(), narrow).await;
    // Three are the most readers of four connections; the fourth one waits for work to be done.
    let mut busy = Vec::new();
    for path in ["/v1/live.sse", "/v1/live.sse", "/v1/live"] {
        let upgrade = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                       Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n";
        let more = if path == "/v1/live" { upgrade } else { "" };
        let mut stream = TcpStream::connect(server.addr).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n{more}\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        soon(stream.read_exact(&mut [0; 16])).await.unwrap();
        busy.push(stream);
    }
    let reader =
        raw(server.addr, b"GET /v1/live.sse HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert!(reader.starts_with("HTTP/1.1 503") && reader.contains("too-many-readers"), "{reader}");
    let mut waits = TcpStream::connect(server.addr).await.unwrap();
    let body = r#"{"anchors":[{"id":0,"offset_m":0.1}]}"#;
    let head = format!(
        "POST /v1/calibrations HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {KEY}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    waits.write_all(head.as_bytes()).await.unwrap();
    // Who has not sent all yet is idle, and would have to leave.
    waits.write_all(body.as_bytes()).await.unwrap();
    let operation = soon(operations.recv()).await.unwrap();
    let refused =
        raw(server.addr, b"GET /livez HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert!(refused.starts_with("HTTP/1.1 503 ") && refused.contains("retry-after: 2\r\n"), "{refused}");
    assert!(refused.contains("/problems/too-many-connections"), "{refused}");
    operation.answer.send(Ok(())).unwrap();
    let mut start = [0; 15];
    soon(waits.read_exact(&mut start)).await.unwrap();
    assert_eq!(&start, b"HTTP/1.1 200 OK");
    // A reader who goes makes room.
    drop(busy);
    drop(waits);
    soon(async {
        while !raw(server.addr, b"GET /livez HTTP/1.0\r\n\r\n").await.starts_with("HTTP/1.0 200") {}
    })
    .await;
}

#[tokio::test]
async fn who_does_not_send_its_body_makes_room() {
    let mut narrow = settings();
    narrow.max_connections = 4;
    let server = served(&busy_hub(), narrow).await;
    let mut half = Vec::new();
    for _ in 0..4 {
        let mut stream = TcpStream::connect(server.addr).await.unwrap();
        let head =
            "GET /livez HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\nExpect: 100-continue\r\n\r\n";
        stream.write_all(head.as_bytes()).await.unwrap();
        // RFC 9110 section 10.1.1: so its body is being waited for.
        let mut go_on = [0; 25];
        soon(stream.read_exact(&mut go_on)).await.unwrap();
        assert_eq!(&go_on, b"HTTP/1.1 100 Continue\r\n\r\n");
        half.push(stream);
    }
    is_well(server.addr).await;
}

#[tokio::test]
async fn stopping_ends_idle_half_sent_and_stalled_connections() {
    let mut quick = settings();
    quick.shutdown_time = Duration::from_millis(200);
    quick.header_time = Duration::from_secs(3_600);
    let server = served(&busy_hub(), quick).await;
    let mut never_speaks = TcpStream::connect(server.addr).await.unwrap();
    let mut half = TcpStream::connect(server.addr).await.unwrap();
    half.write_all(b"GET /livez HTTP/1.1\r\nHost: local").await.unwrap();
    let mut idle = TcpStream::connect(server.addr).await.unwrap();
    idle.write_all(b"GET /livez HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    idle.read_exact(&mut [0; 16]).await.unwrap();
    // Asks a thousand times for a long answer and never reads one.
    let mut stalled = TcpStream::connect(server.addr).await.unwrap();
    stalled.write_all(&b"GET /openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n".repeat(1_000)).await.unwrap();
    server.shutdown.cancel();
    soon(server.ended).await.unwrap().unwrap();
    assert!(TcpStream::connect(server.addr).await.is_err(), "nobody listens any more");
    let mut left = Vec::new();
    for stream in [&mut never_speaks, &mut half, &mut idle, &mut stalled] {
        let _ = soon(stream.read_to_end(&mut left)).await; // ends, one way or the other
    }
}
