//! Sentences about tags that no report is about.

use super::*;

#[test]
fn a_tag_without_a_report_is_told_with_its_reason() {
    let name = || Some("cart".to_owned());
    let since = Timestamp::from_micros(1_777_885_951_000_000);
    let said = |of: Unheard| {
        let said = unheard("potting", &of);
        (said.code, said.words)
    };
    assert_eq!(
        said(Unheard::Any),
        ("never_heard", "Whether a tag is inside potting is not known: none is heard at present.".to_owned())
    );
    assert_eq!(
        said(Unheard::Never { tag: TagId(7), name: name() }).1,
        "Whether tag 7 (cart) is inside potting is not known: it has not been heard since the start."
    );
    let (code, words) = said(Unheard::Silent { tag: TagId(7), name: None, since });
    assert!(code == "no_data" && words.contains("tag 7 is inside potting is not known: it fell silent at "));
    assert_eq!(said(Unheard::NotYet { tag: TagId(7), name: name() }).0, "undecided");
}

#[test]
fn what_is_not_quite_certain_is_not_rounded_to_certainty() {
    assert_eq!(percent(0.999_9), "more than 99.9 %");
    assert_eq!(percent(0.000_1), "less than 0.1 %");
    assert_eq!((percent(1.0), percent(0.0)), ("100.0 %".to_owned(), "0.0 %".to_owned()));
    assert_eq!(percent(0.5), "50.0 %");
}
