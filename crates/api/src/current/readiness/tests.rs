//! When the daemon is not ready although its link is.

use hereabout_core::{Doubt, JudgedEpoch, TagId, Timestamp, Verdict};
use hereabout_engine::Output;

use super::*;
use crate::{
    Hub, LinkView,
    tests::fixtures::{T, connected, epoch, info, located, lost, table},
};

const GRACE: Micros = Micros::from_millis(5_000);

fn at(s: f64) -> Timestamp {
    T.plus(Micros::from_secs_f64(s))
}

fn judged(s: f64, tag: u32, doubt: Option<Doubt>) -> Output {
    let mut epoch = JudgedEpoch { at: at(s), measured_at: at(s), doubt, tag: TagId(tag), ..epoch(tag) };
    if let Some(doubt) = doubt {
        epoch.ranges.iter_mut().for_each(|r| r.verdict = Verdict::Doubted(doubt));
    }
    Output::Ranges(epoch)
}

fn reason(hub: &Hub, s: f64) -> Option<String> {
    let moment = hub.moment(&|| at(s));
    not_ready(&moment.current(), "/dev/ttyUSB0", GRACE)
}

fn open() -> Hub {
    let hub = Hub::new(info());
    hub.set_link(connected());
    hub.publish(&judged(0.0, 0, None));
    hub.publish(&Output::Position(located(1, 0)));
    hub.publish(&Output::Anchors(table().into()));
    hub
}

#[test]
fn a_connected_link_without_frames_is_not_ready_after_the_grace() {
    let hub = open();
    assert_eq!(reason(&hub, 5.0), None);
    let words = reason(&hub, 15.0).expect("no frame for 15 s");
    assert!(words.contains("No good frame was heard from /dev/ttyUSB0 for 15 s"), "{words}");
    // What the engine says by itself is no frame.
    hub.publish(&Output::Position(hereabout_core::PositionReport {
        at: at(14.0),
        received_at: at(14.0),
        valid_until: at(14.5),
        ..lost(2, 0)
    }));
    assert!(reason(&hub, 15.0).is_some());
    hub.publish(&judged(15.0, 0, None));
    assert_eq!(reason(&hub, 16.0), None);
}

#[test]
fn a_link_that_came_back_has_the_grace_anew() {
    let hub = open();
    let waiting = LinkView {
        state: Connectivity::Waiting,
        reason: Some("the port is gone".to_owned()),
        since: at(1.0),
    };
    hub.set_link(waiting);
    assert!(reason(&hub, 40.0).expect("it waits").contains("waiting for 39 s: the port is gone"));
    hub.set_link(LinkView { state: Connectivity::Connected, reason: None, since: at(60.0) });
    assert_eq!(reason(&hub, 64.0), None);
    assert!(reason(&hub, 66.0).expect("nothing came").contains("No good frame was heard"));
}

#[test]
fn a_tag_that_is_lost_while_frames_come_changes_nothing() {
    let hub = open();
    for k in 1..200_u32 {
        hub.publish(&judged(f64::from(k) * 0.1, 0, None));
        hub.publish(&Output::Position(lost(k.into(), 0)));
        assert_eq!(reason(&hub, f64::from(k) * 0.1), None);
    }
}

#[test]
fn frames_that_none_can_be_taken_for_the_present_are_told_with_the_doubt() {
    for (doubt, said) in [
        (Doubt::Old, "measured too long ago"),
        (Doubt::Repeated, "that came before"),
        (Doubt::Frozen, "bit for bit"),
        (Doubt::Unsettled, "not known yet"),
    ] {
        let hub = open();
        for k in 1..=100 {
            hub.publish(&judged(f64::from(k) * 0.1, 0, Some(doubt)));
        }
        assert_eq!(reason(&hub, 5.1), None, "since 0.1 s: the grace is not over");
        let words = reason(&hub, 10.0).expect("doubted for 9.9 s");
        assert!(words.contains("could be taken for the present for 10 s") && words.contains(said), "{words}");
        // Another tag's good frame is enough, and the next doubt begins anew.
        hub.publish(&judged(10.1, 1, None));
        assert_eq!(reason(&hub, 10.2), None);
        hub.publish(&judged(10.2, 0, Some(doubt)));
        hub.publish(&judged(15.0, 0, Some(doubt)));
        assert_eq!(reason(&hub, 15.2), None);
        assert!(reason(&hub, 15.3).is_some());
    }
}

#[test]
fn an_engine_whose_time_stands_still_does_not_answer() {
    let hub = open();
    assert_eq!(reason(&hub, 4.0), None, "nobody tells its time, so nobody misses it");
    hub.alive(at(4.0));
    assert_eq!(reason(&hub, 4.5), None);
    hub.publish(&judged(6.0, 0, None));
    let words = reason(&hub, 6.1).expect("2.1 s behind");
    assert!(words.contains("The engine does not answer: its time is 2.1 s behind"), "{words}");
    hub.alive(at(6.0));
    assert_eq!(reason(&hub, 6.1), None);
}

#[test]
fn all_of_it_moves_with_the_clock() {
    let hub = open();
    hub.alive(at(0.0));
    hub.publish(&judged(0.5, 0, Some(Doubt::Frozen)));
    for by in [3_600.0, -7_200.0] {
        hub.set_clock(crate::ClockStatus {
            utc_minus_session: Micros::from_secs_f64(by),
            changed_at: at(by),
            synchronised: Some(true),
        });
        assert_eq!(reason(&hub, 1.0 + by), None);
        assert!(reason(&hub, 2.1 + by).expect("behind").contains("2.1 s behind"));
        hub.alive(at(5.6));
        assert!(reason(&hub, 5.6 + by).expect("doubted since").contains("for 5 s"));
        hub.alive(at(0.0));
    }
}
