use tokio::sync::mpsc::Receiver;

use super::*;

fn feed_sender(room: usize) -> (FeedSender, Receiver<Feed>) {
    let (tx, rx) = mpsc::channel(room);
    (FeedSender::new(Clock::start(), tx, CancellationToken::new()), rx)
}

/// What waits in the channel, a letter each: `t` for a tick, `b` for bytes.
fn letters(rx: &mut Receiver<Feed>) -> String {
    let mut seen = String::new();
    while let Ok(feed) = rx.try_recv() {
        seen.push(match feed {
            Feed::Tick(_) => 't',
            Feed::Bytes(_) => 'b',
            _ => '?',
        });
    }
    seen
}

// Time is moved by the runtime, to the next thing that waits for it: nothing here depends on the machine.

#[tokio::test(start_paused = true)]
async fn ticks_come_every_20_ms_while_bytes_come_every_8() {
    let (mut out, mut rx) = feed_sender(1000);
    for _ in 0..100 {
        out.during(tokio::time::sleep(Duration::from_millis(8))).await.unwrap();
        out.bytes(b"noise").await.unwrap();
    }
    let seen = letters(&mut rx);
    assert_eq!(seen.matches('b').count(), 100);
    // 800 ms: the tick at the start and one every 20 ms, the last of which falls due with the last bytes.
    let ticks = seen.matches('t').count();
    assert!((40..=41).contains(&ticks), "{ticks}: {seen}");
    assert!(!seen.contains("bbbb"), "no more than three reads between two ticks: {seen}");
}

#[tokio::test(start_paused = true)]
async fn work_that_is_done_at_once_holds_up_no_tick() {
    let (mut out, mut rx) = feed_sender(1000);
    for _ in 0..10 {
        tokio::time::advance(TICK).await;
        for _ in 0..5 {
            out.during(std::future::ready(())).await.unwrap();
            out.bytes(b"").await.unwrap();
        }
    }
    assert_eq!(letters(&mut rx), "tttttttttt", "one tick for each, and nothing for no bytes");
}

#[tokio::test(start_paused = true)]
async fn ticks_that_were_missed_are_not_made_up_for() {
    let (mut out, mut rx) = feed_sender(1000);
    out.during(tokio::time::sleep(Duration::from_millis(50))).await.unwrap();
    assert_eq!(letters(&mut rx), "ttt");
    tokio::time::advance(Duration::from_secs(5)).await;
    out.during(tokio::time::sleep(Duration::from_millis(30))).await.unwrap();
    assert_eq!(letters(&mut rx), "tt", "one that was due, one 20 ms later");
}

#[tokio::test(start_paused = true)]
async fn the_input_is_looked_at_before_each_read_and_with_each_tick() {
    let (mut out, mut rx) = feed_sender(1000);
    let (here, mut there) = std::os::unix::net::UnixStream::pair().unwrap();
    let gauge = Gauge::of(&here);
    out.reading(&gauge, std::future::ready(())).await.unwrap();
    let before_the_read = out.empty_at.expect("nothing was sent");
    // The clock itself is not moved by the test, so real time passes while the input is waited for.
    let clock = out.clock.clone();
    let waiting = async {
        std::thread::sleep(Duration::from_millis(1));
        let waited_from = clock.now();
        tokio::time::sleep(Duration::from_millis(50)).await;
        waited_from
    };
    let waited_from = out.reading(&gauge, waiting).await.unwrap();
    let with_a_tick = out.empty_at.expect("nothing was sent");
    assert!(before_the_read < waited_from && waited_from <= with_a_tick);
    std::io::Write::write_all(&mut there, b"x").unwrap();
    out.reading(&gauge, tokio::time::sleep(Duration::from_millis(50))).await.unwrap();
    assert_eq!(out.empty_at, Some(with_a_tick), "a byte waits");
    out.bytes(b"x").await.unwrap();
    let sent = std::iter::from_fn(|| rx.try_recv().ok()).find_map(|feed| match feed {
        Feed::Bytes(chunk) => Some(chunk),
        _ => None,
    });
    assert_eq!(sent.unwrap().empty_at, Some(with_a_tick));
    out.connected(None).await.unwrap();
    assert_eq!(out.empty_at, None, "of a new link nothing is known");
}
