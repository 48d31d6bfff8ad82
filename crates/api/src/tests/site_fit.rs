//! What the service says of a site that does not fit: words and facts side by side, readiness, the gauge.

use std::fmt::Write as _;

use hereabout_core::Micros;
use hereabout_engine::{KitFinding, Output};
use hereabout_solve::fit::SiteDoubt;
use hereabout_words::samples::{causes_of_another_site, every_doubt};
use hereabout_words::{Fact, site_fit};
use insta::assert_snapshot;

use super::fixtures::{busy_hub, info, now, table};
use crate::v1::SiteDoubtBody;

#[test]
fn every_cause_says_what_would_fit_and_the_line_to_change() {
    let site = info().site;
    let mut all = String::new();
    for doubt in every_doubt(0.42) {
        let said = site_fit::found(&doubt, (&site).into());
        let facts = serde_json::to_string(&SiteDoubtBody::new(&doubt, (&site).into())).unwrap();
        let _ = writeln!(
            all,
            "{}\n  {}{}\n  {facts}",
            said.words,
            said.advice,
            if said.on_site { "" } else { " *" }
        );
    }
    assert_snapshot!("causes", all);
}

/// The name that programs read is the code that the words are filed under.
#[test]
fn a_cause_has_one_name_in_words_and_facts() {
    let site = info().site;
    for doubt in every_doubt(0.42) {
        let said = site_fit::found(&doubt, (&site).into());
        let facts = serde_json::to_value(SiteDoubtBody::new(&doubt, (&site).into())).unwrap();
        let cause = facts["cause"]["kind"].as_str().map(|kind| ("cause", Fact::Text(kind.to_owned())));
        assert_eq!(said.facts, Vec::from_iter(cause), "{doubt:?}");
    }
}

/// A cause that speaks of what this site has not is none.
#[test]
fn what_the_site_does_not_have_is_not_in_the_facts() {
    let site = info().site;
    for cause in causes_of_another_site() {
        let doubt = SiteDoubt { cause: Some(cause), ..every_doubt(0.42)[0] };
        let facts = SiteDoubtBody::new(&doubt, (&site).into());
        assert_eq!((facts.cause, facts.explained_then), (None, None));
    }
}

/// While the site as a whole is in doubt the daemon is not ready, says why once, and its gauge says so.
#[test]
fn readiness_status_and_gauge_follow_the_doubt() {
    for (doubt, ready) in every_doubt(0.42).into_iter().map(|d| (d, !d.all)) {
        let hub = busy_hub();
        let mut table = table();
        table.kit.push(KitFinding::SiteDoesNotFit { doubt });
        hub.publish(&Output::Anchors(table.into()));
        let moment = hub.moment(&now);
        let grace = Micros::from_millis(5_000);
        let reason = crate::current::readiness::not_ready(&moment.current(), "sim://yard.toml", grace);
        assert_eq!(reason.is_none(), ready, "{doubt:?}");
        let said = site_fit::found(&doubt, (&*moment.site).into());
        if let Some(reason) = reason {
            assert!(reason.contains(&said.words) && reason.contains(&said.advice), "{reason}");
        }
        let gauge = crate::metrics::metrics_text(hub.info().clone(), moment, 1);
        assert!(
            gauge.contains("hereabout_site_fits 0.0") || gauge.contains("hereabout_site_fits 0\n"),
            "{gauge}"
        );
    }
    let hub = busy_hub();
    let gauge = crate::metrics::metrics_text(hub.info().clone(), hub.moment(&now), 1);
    assert!(gauge.contains("hereabout_site_fits 1"), "{gauge}");
}
