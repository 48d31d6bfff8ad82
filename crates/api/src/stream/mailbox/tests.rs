use hereabout_core::TagId;

use super::*;

const TAG: Key = Key::Position(TagId(0));
const OTHER: Key = Key::Position(TagId(1));

fn message(key: Key, text: &str) -> Message {
    Message::new(key, text)
}

/// Takes all that is due: texts, and the sum of what was reported as missed.
fn drain(mailbox: &mut Mailbox, now: Instant) -> (Vec<String>, u64) {
    let (mut texts, mut missed) = (Vec::new(), 0);
    while let NextMessage::Message(m, n) = mailbox.next_message(now) {
        texts.push(m.text.to_string());
        missed += n;
    }
    (texts, missed)
}

#[test]
fn a_reader_who_keeps_up_gets_everything_in_order() {
    let now = Instant::now();
    let mut mailbox = Mailbox::new(vec![message(Key::Link, "link")], 4, None);
    for text in ["a", "b", "c"] {
        assert_eq!(mailbox.push(message(TAG, text), now), 0);
    }
    assert_eq!(drain(&mut mailbox, now), (["link", "a", "b", "c"].map(String::from).to_vec(), 0));
}

#[test]
fn a_lagging_reader_gets_the_newest_of_each_and_the_count_of_the_rest() {
    let now = Instant::now();
    let mut mailbox = Mailbox::new(Vec::new(), 3, None);
    for text in ["a", "b", "c", "d", "e"] {
        mailbox.push(message(TAG, text), now);
    }
    mailbox.push(message(OTHER, "x"), now);
    mailbox.push(message(TAG, "f"), now);
    // Seven came, two are left, so five were missed, and they are reported with the first that is taken.
    assert_eq!(mailbox.next_message(now), NextMessage::Message(message(OTHER, "x"), 5));
    assert_eq!(mailbox.next_message(now), NextMessage::Message(message(TAG, "f"), 0));
    assert_eq!(mailbox.next_message(now), NextMessage::Nothing);
    // Having caught up, it is treated like anyone again.
    for text in ["g", "h", "i"] {
        mailbox.push(message(TAG, text), now);
    }
    assert_eq!(drain(&mut mailbox, now), (["g", "h", "i"].map(String::from).to_vec(), 0));
}

#[test]
fn every_message_is_either_delivered_or_counted() {
    let now = Instant::now();
    let mut mailbox = Mailbox::new(Vec::new(), 5, None);
    let (mut delivered, mut missed) = (0, 0);
    for i in 0..1000u32 {
        mailbox.push(message(Key::Position(TagId(i % 7)), "p"), now);
        if i % 3 == 0
            && let NextMessage::Message(_, n) = mailbox.next_message(now)
        {
            delivered += 1;
            missed += n;
        }
    }
    let (rest, n) = drain(&mut mailbox, now);
    assert_eq!(delivered + rest.len() as u64 + missed + n, 1000);
    assert!(missed > 0, "the reader was too slow, something must have been left out");
}

#[test]
fn what_waits_is_bounded_whatever_the_keys() {
    let now = Instant::now();
    let mut mailbox = Mailbox::new(Vec::new(), 5, None);
    for i in 0..3 * MAX_WAITING as u32 {
        mailbox.push(message(Key::Range(TagId(i)), "r"), now);
    }
    assert_eq!(drain(&mut mailbox, now).0.len(), MAX_WAITING);
    let mut thinned = Mailbox::new(Vec::new(), 5, Some(Duration::from_secs(1)));
    for i in 0..3 * MAX_WAITING as u32 {
        let then = now + Duration::from_secs(2) * i;
        thinned.push(message(Key::Range(TagId(i)), "r"), then);
        thinned.next_message(then);
    }
    assert!(thinned.due.len() <= MAX_WAITING);
}

#[test]
fn a_spacing_holds_the_newest_until_its_time() {
    let start = Instant::now();
    let at = |ms| start + Duration::from_millis(ms);
    let mut mailbox = Mailbox::new(Vec::new(), 64, Some(Duration::from_millis(500)));
    mailbox.push(message(TAG, "0"), at(0));
    assert_eq!(mailbox.next_message(at(0)), NextMessage::Message(message(TAG, "0"), 0));
    for ms in [100, 200, 300, 400] {
        mailbox.push(message(TAG, &ms.to_string()), at(ms));
        assert_eq!(mailbox.next_message(at(ms)), NextMessage::NotBefore(at(500)));
    }
    // Another tag has its own pace; a link message none.
    mailbox.push(message(OTHER, "x"), at(420));
    mailbox.push(message(Key::Link, "link"), at(420));
    assert_eq!(drain(&mut mailbox, at(420)).0, ["x", "link"]);
    assert_eq!(mailbox.next_message(at(510)), NextMessage::Message(message(TAG, "400"), 0));
    // Ten ms late, yet the next one is due at 1000, not at 1010.
    mailbox.push(message(TAG, "600"), at(600));
    assert_eq!(mailbox.next_message(at(600)), NextMessage::NotBefore(at(1000)));
    // Held beyond its time and then replaced: that is the reader's slowness, so it counts.
    mailbox.push(message(TAG, "1100"), at(1100));
    assert_eq!(mailbox.next_message(at(1100)), NextMessage::Message(message(TAG, "1100"), 1));
}
