use super::*;

#[test]
fn only_the_key_itself_is_the_key() {
    let key = Key::new("q83vEjRWeJCrze8SNFZ4kKvN7xI0VniQq83vEjRWeJA");
    assert!(key.is("q83vEjRWeJCrze8SNFZ4kKvN7xI0VniQq83vEjRWeJA"));
    for wrong in [
        "",
        "q",
        "q83vEjRWeJCrze8SNFZ4kKvN7xI0VniQq83vEjRWeJB",
        "Q83vEjRWeJCrze8SNFZ4kKvN7xI0VniQq83vEjRWeJA",
    ] {
        assert!(!key.is(wrong), "{wrong}");
    }
    assert_eq!(format!("{key:?}"), "Key(…)", "never written anywhere");
}

#[test]
fn a_token_is_what_follows_the_scheme_in_any_letters() {
    for (header, token) in [
        (None, None),
        (Some("Basic eDp5"), None),
        (Some("Bearerx"), None),
        (Some("Bearer"), Some("")),
        (Some("Bearer abc"), Some("abc")),
        (Some("bEARER  abc "), Some("abc")),
    ] {
        assert_eq!(bearer(header), token, "{header:?}");
    }
}

#[test]
fn a_few_at_once_then_one_in_so_long() {
    let start = Instant::now();
    let at = |s: f64| start + Duration::from_secs_f64(s);
    let mut pace = Pace::new(start);
    for _ in 0..MAX_BURST {
        assert_eq!(pace.take(at(0.0)), Ok(()));
    }
    assert_eq!(pace.take(at(0.0)), Err(CHANGE_EVERY));
    assert_eq!(pace.take(at(4.0)), Err(Duration::from_secs(6)), "asking again costs nothing");
    assert_eq!(pace.take(at(10.0)), Ok(()));
    assert_eq!(pace.take(at(10.0)), Err(CHANGE_EVERY));
    // After a long rest there are as many as at the start, and no more.
    let rested = (0..10).filter(|_| pace.take(at(1_000.0)).is_ok()).count();
    assert_eq!(rested, MAX_BURST as usize);
    // A loop gets one in ten seconds, however fast it is.
    let mut pace = Pace::new(start);
    let made = (0..100_000).filter(|i| pace.take(at(f64::from(*i) * 0.01)).is_ok()).count();
    assert_eq!(made, MAX_BURST as usize + 99);
}
