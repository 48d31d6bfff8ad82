//! What outputs change and which messages they make, without a hub. Over the hub and its readers in `tests/hub.rs`.

use super::*;
use crate::tests::fixtures::{T, connected, epoch, info, inside, located, table, waiting};

fn state() -> (ServiceState, SiteInfo) {
    (ServiceState::new(waiting(1.0)), info().site)
}

fn everybody(_: Key, _: Option<&str>) -> bool {
    true
}

fn nobody(_: Key, _: Option<&str>) -> bool {
    false
}

#[test]
fn a_text_that_nobody_wants_is_not_made_but_taken_in() {
    let (mut state, site) = state();
    for output in [Output::Ranges(epoch(0)), Output::Zone(inside(5, 0))] {
        assert_eq!(state.publish(&output, None, &site, &nobody), []);
        assert_eq!(state.publish(&output, None, &site, &everybody).len(), 1);
    }
    assert_eq!((state.now.counts.epochs, state.now.zones.len()), (2, 1));
    // What a number that is no tag sends is for nobody.
    let unknown = JudgedEpoch { doubt: Some(Doubt::UnknownTag), ..epoch(0) };
    assert_eq!(state.publish(&Output::Ranges(unknown), None, &site, &everybody), []);
}

#[test]
fn a_zone_of_which_the_site_knows_nothing_is_passed_over() {
    let (mut state, mut site) = state();
    site.zones.clear();
    assert_eq!(state.publish(&Output::Zone(inside(5, 0)), None, &site, &everybody), []);
    assert!(state.now.zones.is_empty());
}

#[test]
fn a_retry_that_fails_like_the_one_before_is_no_news() {
    let (mut state, _) = state();
    assert_eq!(state.set_link(waiting(0.5), "sim"), None);
    assert_eq!(state.now.link.since, waiting(1.0).since, "the waiting began back then");
    assert!(state.set_link(connected(), "sim").is_some() && state.now.ever_connected);
}

#[test]
fn a_clock_that_is_set_moves_stamps_and_texts() {
    let (mut state, site) = state();
    state.publish(&Output::Position(located(7, 0)), None, &site, &nobody);
    let by = Micros::from_millis(3_600_000);
    let clock = ClockStatus { utc_minus_session: by, changed_at: T.plus(by), synchronised: Some(true) };
    assert_eq!(state.set_clock(clock), by);
    assert_eq!(state.set_clock(clock), Micros::ZERO);
    assert_eq!(state.now.clock.changed_at, Some(T.plus(by)));
    state.shift(by, &site);
    let latest = &state.now.tags[&TagId(0)];
    assert_eq!(latest.report.at, T.plus(by));
    assert!(latest.text.contains("10:12:31.204512Z") && !latest.text.contains("T09:12"), "{}", latest.text);
}

#[test]
fn an_anchor_that_a_reader_was_sent_as_overdue_is_sent_again() {
    let (mut state, site) = state();
    let table = Arc::new(table());
    let heard = table.rows.iter().filter(|r| r.state == AnchorState::Heard).count();
    state.publish(&Output::Anchors(table.clone()), None, &site, &nobody);
    let again =
        |state: &mut ServiceState| state.publish(&Output::Anchors(table.clone()), None, &site, &nobody);
    assert_eq!(again(&mut state), [], "nothing but the same");
    let filter = crate::routes::query::subscription_filter(&"/v1/live".parse().unwrap()).unwrap();
    state.opening(&filter, &site, T.plus(Micros::from_millis(60_000)), "sim");
    assert_eq!(again(&mut state).len(), heard, "they were sent as silent");
    assert_eq!(again(&mut state), []);
}
