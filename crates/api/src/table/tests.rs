//! The table with everything that can be found, and with names that people should not have chosen.

use hereabout_core::{TagId, is_plain};
use hereabout_engine::{CannotTell, KitFinding, PlaceAnswer};
use hereabout_words::samples::{every_finding, every_kit_finding, every_place};
use insta::assert_snapshot;

use super::*;
use crate::{
    state::Snapshot,
    state::site_info::SiteInfo,
    tests::fixtures::{T, busy_hub, health, info, now, table, troubled},
};

fn page(site: &SiteInfo, change: impl FnOnce(&mut Snapshot)) -> String {
    let mut snapshot = busy_hub().snapshot();
    change(&mut snapshot);
    let text = anchors_text(&Current { now: &snapshot, site, clock: now() }, "sim://yard.toml");
    for l in text.lines() {
        assert!(l.width() <= WIDTH, "{} columns: {l}", l.width());
        assert!(!l.ends_with(' '), "{l:?}");
        assert!(l.chars().all(is_plain), "{l:?}");
    }
    text
}

#[test]
fn a_bad_day_at_the_nursery() {
    assert_snapshot!("a_bad_day", page(&info().site, |s| s.anchors = Some(troubled().into())));
}

#[test]
fn a_tag_that_is_off_sends_nobody_up_a_ladder() {
    let text = page(&info().site, |s| {
        let mut table = table();
        for row in &mut table.rows {
            *row = health(row.anchor.0, AnchorState::Silent, Some(4.0), 0.0);
            row.place = PlaceAnswer::CannotTell(CannotTell::NoPosition);
        }
        table.kit.push(KitFinding::TagOff { tag: TagId(0) });
        s.anchors = Some(table.into());
    });
    assert!(text.contains("switch the tag on") && !text.contains(CAUTION), "{text}");
    assert!(text.find("switch the tag on") < text.find("   id  name"), "the kit comes first");
    assert_eq!(text.matches("not told yet").count(), 1, "what holds for all is said once: {text}");
    assert_snapshot!("tag_off", text);
}

#[test]
fn everything_that_can_be_found_stays_within_80_columns() {
    for x in [0.42, 1e9, f64::NAN, f64::NEG_INFINITY] {
        for finding in every_finding(x) {
            for place in every_place(x) {
                let text = page(&info().site, |s| {
                    let mut table = table();
                    table.kit.extend(every_kit_finding(x).into_iter().take(4));
                    for row in &mut table.rows {
                        row.findings = [finding, finding].into_iter().collect();
                        row.place = place;
                        row.mean_residual_m = Some(x);
                        row.rate_hz = x;
                    }
                    s.anchors = Some(table.into());
                });
                assert!(!text.contains("…\n") || x != 0.42, "something was cut: {text}");
            }
        }
    }
}

#[test]
fn names_in_any_script_keep_the_columns() {
    let mut site = info().site;
    for (anchor, name) in site.anchors.iter_mut().zip([
        "温室の北西の切妻、ずっと後ろ",
        "زاوية السقيفة",
        "o\u{301}\u{301}\u{301}\u{301}".repeat(40).as_str(),
        "\u{202e}terces\u{202c} \x1b[2J",
        "👷‍♀️ ladder 👷‍♀️",
    ]) {
        name.clone_into(&mut anchor.name);
    }
    let text = page(&site, |_| {});
    let columns: Vec<usize> = text
        .lines()
        .filter_map(|l| {
            let end =
                ["heard", "silent", "never heard"].iter().filter_map(|s| l.find(&format!(" {s} "))).min()?;
            l.get(..5)?.trim().parse::<u16>().is_ok().then(|| l[..end].width())
        })
        .collect();
    assert_eq!(columns, [25; 5], "{text}");
}

#[test]
fn what_cannot_be_told_of_places_is_said_once_for_the_kit() {
    let still = PlaceAnswer::CannotTell(CannotTell::TagStandsStill);
    let narrow = PlaceAnswer::CannotTell(CannotTell::TravelTooNarrow);
    let fine = |limit_m| PlaceAnswer::Unchanged { limit_m };
    let of = |list: &[PlaceAnswer]| {
        PlaceSummary::of(list.iter().enumerate().map(|(i, p)| (hereabout_core::AnchorId(i as u16), *p)))
    };
    assert_eq!(of(&[]), PlaceSummary::default());
    assert_eq!(of(&[PlaceAnswer::Contradicted]), PlaceSummary::default());
    assert_eq!(of(&[fine(0.3), fine(0.5), PlaceAnswer::Contradicted]).unchanged_m, Some(0.5));
    let words = |list: &[PlaceAnswer]| of(list).undecided.unwrap().words;
    assert!(words(&[still, still]).ends_with("says: the tag stands still"), "{}", words(&[still, still]));
    let mixed = words(&[narrow, fine(0.3), still, still]);
    assert!(
        mixed.ends_with("still (anchors 2 and 3); the tag sees it from one side only (anchor 0)"),
        "{mixed}"
    );
    let text = page(&info().site, |s| {
        if let Some(table) = &mut s.anchors {
            std::sync::Arc::make_mut(table).rows[0].place = still;
        }
    });
    assert_eq!(text.matches("not told yet").count(), 1, "{text}");
    assert!(text.contains("a move of 0.30 m or more would have shown"), "{text}");
}

#[test]
fn a_table_of_the_past_says_so() {
    let site = info().site;
    let at = |s: f64| {
        let snapshot = busy_hub().snapshot();
        let clock = T.plus(hereabout_core::Micros::from_secs_f64(s));
        anchors_text(&Current { now: &snapshot, site: &site, clock }, "sim://yard.toml")
    };
    assert!(!at(0.5).contains("NO DATA"), "{}", at(0.5));
    let old = at(60.0);
    assert!(
        old.contains("NO DATA for 60 s: no range of any anchor came since. This table is of then."),
        "{old}"
    );
    let never = page(&site, |s| s.anchors = None);
    assert!(never.contains("NO DATA yet: no range of any anchor"), "{never}");
}

#[test]
fn texts_are_cut_to_columns_and_not_to_characters() {
    assert_eq!(fit("potting bench", 18), "potting bench");
    assert_eq!(fit("温室温室", 8), "温室温室");
    assert_eq!(fit("温室温室", 7), "温室温…");
    assert_eq!(fit("温室温室", 6), "温室…");
    assert_eq!(fit("a\u{7}b", 3), "a?b");
    assert!(fit(&"\u{301}".repeat(10_000), 10).chars().count() <= 41);
    assert_eq!(ago(now(), T), "0.0 s");
}
