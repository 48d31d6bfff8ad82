//! Answers in words and facts, and which of them let no offset be written.

use std::path::Path;

use hereabout_core::{Epoch, Timestamp};

use hereabout_words::CAUTION;

use super::*;
use crate::site_file::SiteFile;

fn site() -> Site {
    let text = "[site]\nname = \"yard\"\ndimension = \"2d\"\ntag_height_m = 0.9\n\
        [frame]\nlayout = \"c3 5a range:u16le*4 sum8\"\nunit = \"mm\"\n\
        [[anchor]]\nid = 0\nat_m = [0, 0, 2.6]\n[[anchor]]\nid = 1\nat_m = [24, 0, 2.4]\n\
        [[anchor]]\nid = 2\nat_m = [24, 14, 2.8]\n[[anchor]]\nid = 7\nat_m = [0, 14, 2.2]\n";
    SiteFile::from_text(Path::new("site.toml"), text, None).unwrap().site
}

fn doubt(cause: Option<Cause>, all: bool) -> SiteDoubt {
    SiteDoubt {
        explained_share: 0.31,
        too_short_share: 0.0,
        cause,
        explained_then_share: 0.97,
        alike: 0,
        within_m: 0.36,
        all,
    }
}

#[test]
fn only_a_scale_and_what_is_not_certain_lets_offsets_be_written() {
    let place = Cause::Place { anchor: 3, at_m: [1.0, 14.0, 2.2] };
    for (cause, all, forbids) in [
        (Some(Cause::Unit { factor: 10.0 }), true, true),
        (Some(Cause::Swapped { anchors: [0, 1] }), true, true),
        (Some(Cause::Reversed), true, true),
        (Some(place), false, true),
        (Some(Cause::AnchorHeight { anchor: 0, up_m: 4.0 }), false, true),
        (Some(Cause::TagHeight { up_m: 2.0 }), true, true),
        (Some(Cause::MirroredHeights), true, true),
        (Some(Cause::Scale { factor: 1.06 }), true, false),
        (None, true, true),
        (None, false, false),
    ] {
        let site_fault = SiteFault::new(doubt(cause, all), &site());
        assert_eq!(site_fault.forbids_offsets(), forbids, "{cause:?}");
    }
}

#[test]
fn answers_have_words_and_facts_with_ids() {
    let site = site();
    let place = Cause::Place { anchor: 3, at_m: [1.0, 14.0, 2.2] };
    let answer = FitAnswer::Doubted(doubt(Some(place), false));
    let json = answer_json(&answer, &site);
    assert_eq!((&json["answer"], &json["cause"]["kind"]), (&json!("does_not_fit"), &json!("place")));
    assert_eq!(
        (&json["cause"]["place"]["anchor"], &json["all"]),
        (&json!(7), &json!(false)),
        "the id, not the index"
    );
    let said = answer_said(&answer, &site);
    let (what, todo) = (said.words, said.advice);
    assert_eq!(json["code"], "site_does_not_fit");
    assert_eq!((&json["words"], &json["on_site"]), (&json!(what), &json!(true)));
    assert_eq!(todo, format!("{}. {CAUTION}", json["advice"].as_str().unwrap()), "somebody goes up there");
    let unit = answer_said(&FitAnswer::Doubted(doubt(Some(Cause::Unit { factor: 10.0 }), true)), &site);
    assert_eq!(unit.advice, "set unit = \"cm\" under [frame] in the site file");
    let early = FitAnswer::TooEarly { keyframes: 2, needed: 6 };
    assert_eq!(
        answer_json(&early, &site),
        json!({"answer": "too_early", "seconds_heard": 2, "seconds_needed": 6})
    );
    assert!(answer_said(&early, &site).words.contains("2 of 6 seconds"));
    let fits = FitAnswer::Fits { explained_share: 0.971_26 };
    assert_eq!(answer_json(&fits, &site), json!({"answer": "fits", "explained": 0.9713}));
    assert!(answer_said(&fits, &site).words.contains("97 % explained"));
}

#[test]
fn more_tags_than_are_kept_apart_are_passed_over() {
    let mut test = FitTest::new(&site());
    for tag in 0..100 {
        test.take(&Epoch::new(Timestamp::from_micros(i64::from(tag)), TagId(tag), None, Default::default()));
    }
    assert_eq!(test.epochs(), MAX_TAGS as u64);
    test.settle();
    assert!(test.site_fault().is_none());
}
