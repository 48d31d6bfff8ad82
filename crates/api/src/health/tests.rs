use hereabout_core::TagId;
use hereabout_engine::{AnchorFinding, AnchorFindingKind, KitFinding};

use super::*;
use crate::tests::fixtures::{health, info};
use hereabout_words::samples::every_finding;

fn around(kit: &[KitFinding], link_is_up: bool) -> Around<'_> {
    Around { anchors: &[], kit, by_bytes: &[], link_is_up, overdue: false }
}

fn diagnosis(h: &AnchorHealth, kit: &[KitFinding]) -> Diagnosis {
    Diagnosis::of(h.anchor, Some(h), around(kit, true))
}

#[test]
fn every_finding_has_a_rank_of_its_own_kind_and_beats_a_remark() {
    let heard = health(0, AnchorState::Heard, Some(0.1), 9.9);
    let mut ranks: Vec<(u8, &str)> = Vec::new();
    for finding in every_finding(0.4).into_iter().filter(|f| *f != AnchorFinding::Silent) {
        let mut h = heard.clone();
        h.findings.push(finding);
        h.rejected_share = Some(0.9);
        let d = diagnosis(&h, &[]);
        assert_eq!(
            (d.findings.len(), d.said().count()),
            (1, 1),
            "a remark beside a finding says nothing new"
        );
        ranks.push((d.rank(), anchor::code(&finding)));
    }
    ranks.sort_unstable();
    ranks.dedup();
    let kinds: Vec<&str> = ranks.iter().map(|r| r.1).collect();
    assert_eq!(ranks.len(), AnchorFindingKind::COUNT - 1, "{kinds:?}");
    let bad = AnchorHealth { rejected_share: Some(0.9), ..heard.clone() };
    assert!(diagnosis(&bad, &[]).rank() > ranks[AnchorFindingKind::COUNT - 2].0);
    assert!(diagnosis(&heard, &[]).rank() > diagnosis(&bad, &[]).rank());
}

#[test]
fn silence_is_said_even_where_the_engine_only_shows_the_state() {
    let mut h = health(3, AnchorState::Silent, Some(12.0), 0.0);
    h.findings.push(AnchorFinding::Weak { share: 0.1, expected: 0.9 });
    let kinds = |d: Diagnosis| d.findings.iter().map(|(f, _)| anchor::code(f)).collect::<Vec<_>>();
    assert_eq!(kinds(diagnosis(&h, &[])), ["silent", "weak"], "in its rank, and once");
    h.findings = [AnchorFinding::Silent].into_iter().collect();
    assert_eq!(kinds(diagnosis(&h, &[])), ["silent"]);
    assert!(diagnosis(&h, &[]).findings[0].1.words.starts_with("silent since 2026-05-04 09:"));
    h.findings = [AnchorFinding::Flapping { times: 4, over: hereabout_core::Micros::from_millis(600_000) }]
        .into_iter()
        .collect();
    assert_eq!(kinds(diagnosis(&h, &[])), ["flapping"], "it comes and goes");
    assert_eq!(kinds(Diagnosis::of(AnchorId(1), None, around(&[], true))), ["never_heard"]);
}

#[test]
fn nobody_is_sent_to_an_anchor_when_the_kit_is_at_fault() {
    let h = health(3, AnchorState::Silent, Some(12.0), 0.0);
    let alone = diagnosis(&h, &[]);
    assert!(alone.advice().unwrap().contains("check its power"));
    let cut = [KitFinding::FramesCut { share: 0.2 }];
    assert_eq!(diagnosis(&h, &cut), alone, "cut frames do not silence one anchor");
    for kit in [
        KitFinding::TagOff { tag: TagId(0) },
        KitFinding::AnchorsGone,
        KitFinding::NobodyAnswers,
        KitFinding::CableOut,
    ] {
        let kit = [kit];
        let by_bytes = Diagnosis::of(h.anchor, Some(&h), Around { by_bytes: &kit, ..around(&[], true) });
        let advised = diagnosis(&h, &kit);
        assert_eq!(by_bytes, advised, "whoever found it");
        assert!(advised.advice().unwrap().contains("kit as a whole"));
        assert!(!advised.findings[0].1.on_site);
    }
    let unplugged = Diagnosis::of(h.anchor, Some(&h), around(&[], false));
    assert!(unplugged.advice().unwrap().contains("link first"));
    let unsaid = Diagnosis::of(h.anchor, Some(&h), Around { overdue: true, ..around(&[], true) });
    assert!(unsaid.advice().unwrap().contains("/v1/status first") && !unsaid.findings[0].1.on_site);
}

#[test]
fn a_suspect_that_takes_part_is_told() {
    for finding in every_finding(0.4) {
        let mut h = health(0, AnchorState::Heard, Some(0.1), 9.9);
        h.findings.push(finding);
        let told = match finding {
            AnchorFinding::OneOf { .. } => Some(anchor::NOT_TOLD_WHICH),
            f if anchor::is_suspicion(&f) => Some(anchor::STILL_IN_USE),
            _ => None,
        };
        assert_eq!(diagnosis(&h, &[]).treated, told, "{finding:?}");
        h.excluded = true;
        assert_eq!(diagnosis(&h, &[]).treated, Some(anchor::NOT_USED));
    }
}

#[test]
fn figures_alone_accuse_nobody() {
    let anchors = info().site.anchors;
    let fine = health(0, AnchorState::Heard, Some(0.1), 9.9);
    assert_eq!(diagnosis(&fine, &[]).advice(), None);
    for bad in [
        AnchorHealth { rejected_share: Some(0.4), ..fine.clone() },
        AnchorHealth { mean_residual_m: Some(-0.4), ..fine.clone() },
        AnchorHealth { share: Some(0.2), ..fine.clone() },
    ] {
        let d = Diagnosis::of(AnchorId(0), Some(&bad), Around { anchors: &anchors, ..around(&[], true) });
        assert!(d.findings.is_empty(), "no finding for programs");
        let said = d.said().next().unwrap();
        assert!(said.words.contains("at present"), "{said:?}");
        assert_eq!(d.treated, None);
    }
}
