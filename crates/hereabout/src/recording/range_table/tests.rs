//! Tests of `range_table`.

use super::*;

fn table(text: &str) -> Result<RangeTable, TableError> {
    RangeTable::new("t.csv".into(), Box::new(std::io::Cursor::new(text.to_owned().into_bytes())))
}

fn all(text: &str) -> (Vec<Epoch>, Vec<BadRow>) {
    let mut t = table(text).expect("header");
    let mut epochs = Vec::new();
    while let Some(e) = t.next_epoch().expect("readable") {
        epochs.push(e);
    }
    (epochs, std::iter::from_fn(|| t.take_bad_row()).collect())
}

fn shown(e: &Epoch) -> String {
    let r: Vec<String> = e.readings.iter().map(|r| format!("{}:{:?}", r.anchor, r.raw_range_m)).collect();
    format!("{} {} {}", e.at, e.tag, r.join(" "))
}

#[test]
fn wide_rows_are_epochs_and_empty_is_no_range() {
    let (epochs, bad) = all("time_s,anchor_0_m,anchor_105_m,tag\n0.5,1.25,,3\n0.6,,2.5,\n");
    assert_eq!(bad, []);
    let shown: Vec<String> = epochs.iter().map(shown).collect();
    assert_eq!(shown, ["0.500000 3 0:Some(1.25) 105:None", "0.600000 0 0:None 105:Some(2.5)"]);
}

#[test]
fn long_rows_with_one_stamp_form_an_epoch() {
    let (epochs, _) = all("time_s,anchor,range_m\n1,3,2.5\n1,5,3.5\n1.1,3,2.6\n1.1,3,2.7\n");
    let shown: Vec<String> = epochs.iter().map(shown).collect();
    let two = "1.000000 0 3:Some(2.5) 5:Some(3.5)";
    assert_eq!(shown, [two, "1.100000 0 3:Some(2.6)", "1.100000 0 3:Some(2.7)"]);
}

#[test]
fn rubbish_rows_are_told_with_their_line_and_the_rest_goes_on() {
    let (epochs, bad) = all("time_s,anchor_0_m\n1,2\nx,2\n2,two\n3,inf\n4,5\n");
    assert_eq!(epochs.len(), 2);
    let lines: Vec<(u64, &str)> = bad.iter().map(|b| (b.line, b.what.as_str())).collect();
    let not_a_range = ["\"two\" is not a range in metres", "\"inf\" is not a range in metres"];
    assert_eq!(lines, [(3, "\"x\" is not a time in seconds"), (4, not_a_range[0]), (5, not_a_range[1])]);
}

#[test]
fn a_wrong_header_is_an_error_that_names_the_right_ones() {
    for text in ["", "t,anchor_0_m\n", "time_s,anchor_0\n", "time_s\n", "time_s,anchor,range_m,x\n"] {
        let Err(e) = table(text) else { panic!("{text:?} was taken") };
        assert!(e.to_string().contains("time_s,anchor,range_m[,tag]"), "{e}");
    }
    assert!(table("time_s,anchor_1_m,anchor_1_m\n").is_err());
}
