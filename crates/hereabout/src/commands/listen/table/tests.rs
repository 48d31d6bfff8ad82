//! Tests of `table`.

use hereabout_commission::hearing::Hearing;
use hereabout_core::{AnchorId, Epoch, Micros, RangeReading, TagId, Timestamp};

use super::*;

/// Twelve seconds of three range fields, the last of which stops half-way.
fn table(tags: u32) -> HearingTable {
    let start = Timestamp::from_micros(1_700_000_000_000_000);
    let mut hearing = Hearing::new((0..3).map(AnchorId));
    for i in 0..=120_i64 {
        let reading = |id: u16| RangeReading {
            anchor: AnchorId(id),
            raw_range_m: (id < 2 || i < 60).then(|| 3.0 + f64::from(id) + i as f64 * 0.05),
        };
        let at = start.plus(Micros::from_millis(i * 100));
        let readings = (0..3).map(reading).collect();
        hearing.hear(&Epoch::new(at, TagId(i as u32 % tags), None, readings));
    }
    hearing.table(start.plus(Micros::from_millis(12_000)))
}

fn lines(tags: u32, columns: usize) -> Vec<Line> {
    lines_with(tags, columns, None)
}

fn lines_with(tags: u32, columns: usize, site_fault: Option<&str>) -> Vec<Line> {
    let table = table(tags);
    let names = Names::of_fields(3);
    let view = View {
        site_fault,
        title: "no site",
        port: "/dev/kit",
        link: Some(&LinkStatus::Connected { latency_ms: None }),
        names: &names,
        frames: 121,
        bytes: 2541,
        seconds: 12.0,
        several_tags: tags > 1,
        table: &table,
    };
    view.lines(columns)
}

#[test]
fn no_line_is_longer_than_the_terminal_is_wide() {
    for columns in [20, 40, 79, 80, 109, 110, 120, 400] {
        for tags in [1, 2] {
            for line in lines(tags, columns) {
                assert!(line.text.chars().count() < columns.max(21), "{columns}: {}", line.text);
            }
        }
    }
}

#[test]
fn a_site_that_does_not_fit_stands_first_of_what_is_odd() {
    let told = "ranges and site file don't fit: 31 % explained. With unit = \"cm\" 97 % fit within 0.36 m";
    for columns in [40, 80, 120] {
        let lines = lines_with(1, columns, Some(told));
        assert!(lines.iter().all(|l| l.text.chars().count() < columns), "{columns}");
        let odd: Vec<&Line> = lines.iter().filter(|l| l.text.starts_with("! ")).collect();
        assert!(odd[0].look == Look::Warning && odd[0].text.contains("ranges and site file"), "{odd:?}");
        let words: String = lines.iter().map(|l| l.text.trim().to_owned() + " ").collect();
        assert!(words.contains("unit = \"cm\""), "{words}");
    }
}

#[test]
fn the_picture_of_the_minute_begins_under_its_heading_at_every_width() {
    for columns in [80, 100, 120] {
        let lines = lines(1, columns);
        let place = lines[3].text.chars().position(|c| c == 'l').unwrap();
        assert_eq!(lines[3].text.chars().skip(place).collect::<String>(), "last minute");
        let picture: String = lines[4].text.chars().skip(place).collect();
        assert_eq!(picture.chars().count(), minute_chars(columns), "{picture}");
        assert_eq!(picture.trim_start().chars().last(), Some('█'), "it walks away: {picture}");
    }
}

#[test]
fn an_anchor_that_vanished_is_marked_in_its_row_and_in_words() {
    let lines = lines(1, 80);
    assert_eq!(lines[6].look, Look::Warning);
    assert!(lines[6].text.contains(" - "), "{}", lines[6].text);
    let words: String = lines[8..].iter().map(|l| l.text.trim().to_owned() + " ").collect();
    assert!(words.contains("range field 2 vanished 6 s ago"), "{words}");
    assert!(words.contains("back in 2-3 s after power is usual"), "{words}");
    assert!(self::lines(1, 120)[3].text.contains("farthest"));
    assert!(self::lines(2, 80)[4].text.trim_start().starts_with("0/0"), "tags are told apart");
}
