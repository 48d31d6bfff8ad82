use super::*;

#[test]
fn stamps_are_rfc_3339_with_six_digits_whatever_they_are() {
    // First two: examples of RFC 3339 section 5.8, moved to UTC. The others: `date -u -d @<seconds>`.
    for (us, text) in [
        (482_196_050_520_000, "1985-04-12T23:20:50.520000Z"),
        (851_042_397_000_000, "1996-12-20T00:39:57.000000Z"),
        (0, "1970-01-01T00:00:00.000000Z"),
        (-1, "1969-12-31T23:59:59.999999Z"),
        (951_782_400_000_000, "2000-02-29T00:00:00.000000Z"),
        (1_777_885_951_204_512, "2026-05-04T09:12:31.204512Z"),
        (i64::MAX, "9999-12-30T22:00:00.999999Z"),
        (i64::MIN, "0000-01-01T00:00:00.000000Z"),
    ] {
        assert_eq!(rfc3339(Timestamp::from_micros(us)), text);
    }
}

#[test]
fn an_instant_has_one_text_for_each_use() {
    let at = Timestamp::from_micros(1_777_885_951_204_512);
    assert_eq!(rfc3339_seconds(at), "2026-05-04T09:12:31Z");
    assert_eq!(stamp_of_file(at), "20260504T091231.204512Z");
    assert_eq!(instant(at), "2026-05-04 09:12:31 UTC");
}

#[test]
fn lengths_of_time_have_the_unit_that_people_use() {
    let spans = [0.04, 9.99, 12.0, 99.0, 600.0, 7_200.0, 400_000.0].map(|s| span(Micros::from_secs_f64(s)));
    assert_eq!(spans, ["0.04 s", "9.99 s", "12 s", "99 s", "10 min", "2 h", "5 days"]);
    let now = Timestamp::from_micros(1_777_885_951_204_512);
    let agos =
        [-3.0, 0.0, 12.04, 600.0, 7_200.0, 400_000.0].map(|s| ago(now, now.plus(Micros::from_secs_f64(-s))));
    assert_eq!(agos, ["0.0 s", "0.0 s", "12.0 s", "10 min", "2 h", "5 d"], "nothing was heard in the future");
}
