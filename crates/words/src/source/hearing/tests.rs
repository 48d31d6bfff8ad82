//! Every warning on one line as it was always written, with its code and what it is about.

use hereabout_commission::hearing::TwoValues;
use hereabout_core::{Micros, TagId};

use super::*;

fn every_warning() -> Vec<HearingWarning> {
    let (tag, anchor, ago) = (TagId(3), AnchorId(1), Micros::from_millis(6_000));
    let values = TwoValues { near_m: 3.0, far_m: 7.5 };
    vec![
        HearingWarning::TagStopped { tag, ago },
        HearingWarning::NeverHeard { tag, anchors: [anchor, AnchorId(2)].into_iter().collect() },
        HearingWarning::JustVanished { tag, anchor, ago },
        HearingWarning::Silent { tag, anchor, ago },
        HearingWarning::TwoValues { tag, anchor, values },
        HearingWarning::Damaged { pieces: 9, share: 0.09 },
        HearingWarning::FramesLost { tag, frames: 4 },
        HearingWarning::Uneven { tag, usual: Micros::from_millis(100), longest: Micros::from_millis(300) },
        HearingWarning::NoFrames { bytes: 512 },
    ]
}

#[test]
fn words_and_advice_stand_on_one_line() {
    let names = Names::of_fields(4);
    let lines: Vec<String> = every_warning().iter().map(|w| line(w, &names, true)).collect();
    assert_eq!(
        lines,
        [
            "tag 3: no frame for 6 s: check the kit's power and cable, and the tag's battery",
            "tag 3: never heard: range fields 1, 2: switched off, out of reach, or not there",
            "tag 3: range field 1 vanished 6 s ago: check its power; back in 2-3 s after power is usual (common practice)",
            "tag 3: range field 1 has been silent for 6 s: check its power, and what stands between it and the tag",
            "tag 3: range field 1 jumps between 3.0 m and 7.5 m: probably two boards are set to one id; switch one of them \
             off to see, then change its id",
            "9 pieces of the last 10 s were no whole frame (9 %): frames are cut or damaged; check cable, ground and baud \
             rate, and look with --raw",
            "tag 3: 4 frames of the last 10 s are missing by their counter: bytes get lost on the way, or the module \
             leaves them out",
            "tag 3: frames arrive unevenly: every 100 ms as a rule, 300 ms at worst; an adapter that collects bytes, a busy \
             radio or a busy machine",
            "512 bytes came, and none of them is a frame of this layout: look with --raw, or let `hereabout learn` \
             propose a layout",
        ]
    );
    assert_eq!(
        line(&every_warning()[0], &names, false).find("tag"),
        lines[0][7..].find("tag"),
        "one tag is not named"
    );
}

#[test]
fn a_row_has_its_code_and_what_it_is_about() {
    let names = Names::of_fields(4);
    let rows: Vec<Said> = every_warning().iter().map(|w| found(w, &names)).collect();
    let codes: Vec<&str> = rows.iter().map(|r| r.code).collect();
    assert_eq!(
        codes.join(" "),
        "tag_stopped never_heard just_vanished silent two_values damaged frames_lost uneven no_frames"
    );
    assert_eq!(rows[4].facts, [("tag", Fact::Whole(3)), ("anchor", Fact::Whole(1))]);
    assert_eq!((rows[0].facts.len(), rows[8].facts.len()), (1, 0));
    let on_site: Vec<&str> = rows.iter().filter(|r| r.on_site).map(|r| r.code).collect();
    assert_eq!(
        on_site.join(" "),
        "tag_stopped just_vanished silent two_values damaged",
        "the caution belongs to these"
    );
}
