//! The kit's bytes, read back by the decoder that reads real ones.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use hereabout_core::Frame;
use hereabout_sim::{
    Absence, Damage, Fault, FrameText, Kit, Nlos, Problem, Scenario, ScenarioError, SimAnchor, SimFrame,
    SimTag,
};
use hereabout_wire::Decoder;
use proptest::prelude::*;

const BINARY: &str = "c3 5a tag:u8 seq:u8 millis:u32le range:u16le*8 crc-16/modbus 0a";

fn frame_text() -> FrameText {
    FrameText { layout: Some(BINARY.into()), unit: "cm".into(), no_range: vec![0.0], ..FrameText::default() }
}

fn scenario() -> Scenario {
    let corners = [[0.0, 0.0], [20.0, 0.0], [20.0, 12.0], [0.0, 12.0]];
    let anchor = |i: u16| SimAnchor {
        id: i,
        at_m: [corners[usize::from(i)][0], corners[usize::from(i)][1], 2.5],
        ..SimAnchor::default()
    };
    Scenario {
        frame: Some(frame_text()),
        anchors: (0..4).map(anchor).collect(),
        tags: vec![SimTag {
            height_m: Some(0.9),
            path_m: vec![vec![3.0, 3.0], vec![17.0, 9.0]],
            ..SimTag::default()
        }],
        nlos: Nlos { share: 0.1, ..Nlos::default() },
        ..Scenario::default()
    }
}

fn sent(scenario: &Scenario, n: usize) -> Vec<SimFrame> {
    Kit::new(scenario).unwrap().take(n).collect()
}

/// All frames that a decoder finds in the bytes, and how many it refused.
fn heard(scenario: &Scenario, frames: &[SimFrame]) -> (Vec<Frame>, u64) {
    let mut decoder = Decoder::new(Kit::new(scenario).unwrap().spec().layout.clone());
    let mut found = Vec::new();
    for frame in frames {
        let mut rest = &frame.bytes[..];
        while !rest.is_empty() {
            rest = &rest[decoder.push(frame.epoch.at, rest)..];
            found.extend(std::iter::from_fn(|| decoder.next_frame()));
        }
    }
    (found, decoder.counts().bad_checksum + decoder.counts().bad_frames)
}

/// Every frame that was sent is heard, with the epoch's ranges rounded to the unit.
fn assert_heard(scenario: &Scenario, n: usize, unit_m: f64) {
    let kit = Kit::new(scenario).unwrap();
    let frames = sent(scenario, n);
    let (found, _) = heard(scenario, &frames);
    assert_eq!(found.len(), n);
    for (i, (frame, sent)) in found.iter().zip(&frames).enumerate() {
        assert_eq!(frame.received_at, sent.epoch.at);
        assert_eq!(frame.seq.unwrap(), i as u32 % 256);
        for (slot, word) in frame.words.iter().enumerate() {
            let range = sent.epoch.ranges.iter().find(|r| usize::from(r.anchor.0) == slot);
            match (range.map(|r| r.raw_m), kit.spec().range_m(*word)) {
                (Some(Ok(raw_m)), Some(read_m)) => assert!((raw_m - read_m).abs() <= 0.51 * unit_m),
                (Some(Err(_)) | None, None) => {}
                other => panic!("frame {i}, slot {slot}: {other:?}"),
            }
        }
    }
}

#[test]
fn binary_frames_carry_the_ranges_counters_and_gaps() {
    let mut scenario = scenario();
    scenario.faults = vec![Fault::Dropouts { anchor: None, share: 0.2, from_s: 0.0, to_s: None }];
    assert_heard(&scenario, 600, 0.01);
    let frames = sent(&scenario, 20);
    let (found, _) = heard(&scenario, &frames);
    assert_eq!(found[15].tag, Some(0));
    assert_eq!(found[15].millis, Some(1500));
}

#[test]
fn text_and_json_lines_carry_them_too() {
    let mut scenario = scenario();
    scenario.faults = vec![Fault::Dropouts { anchor: None, share: 0.2, from_s: 0.0, to_s: None }];
    let text = "'R,' seq ',' range ',' range ',' range ',' range";
    let unit = |unit: &str| FrameText { unit: unit.into(), ..FrameText::default() };
    scenario.frame = Some(FrameText { layout_text: Some(text.into()), ..unit("mm") });
    // The counter of a line does not turn at 256, so only that many are looked at.
    assert_heard(&scenario, 256, 0.001);
    let json = "seq=/n range=/d/0 range=/d/1 range=/d/2 range=/d/3";
    scenario.frame = Some(FrameText { layout_json: Some(json.into()), ..unit("m") });
    assert_heard(&scenario, 256, 0.001);
}

#[test]
fn anchors_sit_in_the_fields_of_their_slots() {
    let mut scenario = scenario();
    for (anchor, slot) in scenario.anchors.iter_mut().zip([7, 0, 3, 2]) {
        anchor.id += 100;
        anchor.slot = Some(slot);
    }
    let frames = sent(&scenario, 1);
    let (found, _) = heard(&scenario, &frames);
    let kit = Kit::new(&scenario).unwrap();
    let read: Vec<Option<f64>> = found[0].words.iter().map(|w| kit.spec().range_m(*w)).collect();
    let raw = |i: usize| frames[0].epoch.ranges[i].raw_m.unwrap();
    for (slot, anchor) in [(7, 0), (0, 1), (3, 2), (2, 3)] {
        assert!((read[slot].unwrap() - raw(anchor)).abs() < 0.006);
    }
    assert_eq!([read[1], read[4], read[5], read[6]], [None; 4]);
}

#[test]
fn an_anchor_that_is_off_is_seen_in_the_bytes() {
    let mut scenario = scenario();
    scenario.faults = vec![Fault::AnchorOff { anchor: 2, from_s: 10.0, to_s: 15.0, start_up_s: 2.5 }];
    let (found, _) = heard(&scenario, &sent(&scenario, 300));
    let spec = Kit::new(&scenario).unwrap();
    for (i, frame) in found.iter().enumerate() {
        let off = (100..175).contains(&i);
        assert_eq!(spec.spec().range_m(frame.words[2]).is_none(), off, "frame {i}");
        assert!(spec.spec().range_m(frame.words[1]).is_some());
    }
}

#[test]
fn cut_and_flipped_frames_are_refused_and_the_others_heard() {
    let mut scenario = scenario();
    scenario.faults = vec![
        Fault::CutFrames { share: 0.1, from_s: 0.0, to_s: None },
        Fault::FlippedBits { share: 0.1, from_s: 0.0, to_s: None },
    ];
    let n = 2000;
    let frames = sent(&scenario, n);
    let cut = frames.iter().filter(|f| f.damage.iter().any(|d| matches!(d, Damage::Cut { .. }))).count();
    let flipped =
        frames.iter().filter(|f| f.damage.iter().any(|d| matches!(d, Damage::FlippedBit { .. }))).count();
    // 200 ± 13 each; four standard deviations.
    assert!((147..=253).contains(&cut) && (147..=253).contains(&flipped), "{cut} cut, {flipped} flipped");
    let good: Vec<_> = frames.iter().filter(|f| f.damage.is_empty()).collect();
    let (found, refused) = heard(&scenario, &frames);
    // Every whole frame is heard and nothing else: CRC-16 finds every single wrong bit, and a cut
    // frame can't be completed by the bytes of the next.
    assert_eq!(found.len(), good.len());
    for (found, good) in found.iter().zip(&good) {
        assert_eq!(found.received_at, good.epoch.at);
    }
    assert!(refused > 0);
    for frame in &frames {
        let whole = if frame.damage.iter().any(|d| matches!(d, Damage::Cut { .. })) { 0..27 } else { 27..28 };
        assert!(whole.contains(&frame.bytes.len()), "{} bytes", frame.bytes.len());
    }
    // The faults touch the bytes alone.
    let plain = sent(&Scenario { faults: Vec::new(), ..scenario.clone() }, n);
    assert!(plain.iter().zip(&frames).all(|(a, b)| a.epoch == b.epoch));
    assert!(plain.iter().zip(&frames).all(|(a, b)| (a.bytes == b.bytes) == b.damage.is_empty()));
}

#[test]
fn a_second_board_and_a_jump_are_seen_in_the_bytes() {
    let mut scenario = scenario();
    scenario.nlos.share = 0.0;
    scenario.tags[0].path_m = vec![vec![3.0, 3.0]];
    scenario.faults = vec![
        Fault::DuplicateId { anchor: 1, at_m: [3.0, 10.0, 0.9], share: 0.5, from_s: 0.0, to_s: None },
        Fault::TagJump { tag: 0, by_m: [4.0, 0.0, 0.0], from_s: 10.0, to_s: None },
    ];
    let kit = Kit::new(&scenario).unwrap();
    let (found, _) = heard(&scenario, &sent(&scenario, 200));
    let range = |frame: &Frame, slot: usize| kit.spec().range_m(frame.words[slot]).unwrap();
    // Before the jump: 7 m to the second board; √(17² + 3² + 1.6²) = 17.336 m to the first.
    let second = found[..100].iter().filter(|f| (range(f, 1) - 7.0).abs() < 0.5).count();
    let first = found[..100].iter().filter(|f| (range(f, 1) - 17.336).abs() < 0.5).count();
    assert!(second + first == 100 && second > 25 && first > 25, "{second} and {first}");
    // √(3² + 3² + 1.6²) = 4.534 m to anchor 0, then √(7² + 3² + 1.6²) = 7.782 m.
    assert!(found[..100].iter().all(|f| (range(f, 0) - 4.534).abs() < 0.5));
    assert!(found[100..].iter().all(|f| (range(f, 0) - 7.782).abs() < 0.5));
}

#[test]
fn a_range_is_never_said_by_a_word_for_no_range_nor_by_one_too_small_for_it() {
    let mut scenario = scenario();
    scenario.tags[0].path_m = vec![vec![0.0, 0.0, 2.5]];
    scenario.anchors[0].offset_m = -1.0;
    scenario.frame.as_mut().unwrap().no_range = vec![1.0, 0.0, 2.0];
    let frames = sent(&scenario, 50);
    let kit = Kit::new(&scenario).unwrap();
    let (found, _) = heard(&scenario, &frames);
    assert!(found.iter().all(|f| kit.spec().range_m(f.words[0]) == Some(0.03)));

    // One byte of decimetres ends at 25.5 m: anchor 2 is 23.3 m away, but its late ranges are longer.
    let layout = Some("c3 range:u8*4 sum8".into());
    scenario.frame = Some(FrameText { layout, unit: "dm".into(), ..FrameText::default() });
    scenario.max_range_m = 25.0;
    scenario.nlos = Nlos { share: 0.5, stretch_s: 0.0, minimum_m: 2.5, mean_m: 0.1 };
    let frames = sent(&scenario, 200);
    let (found, _) = heard(&scenario, &frames);
    let kit = Kit::new(&scenario).unwrap();
    let mut too_long = 0;
    for (frame, sent) in found.iter().zip(&frames) {
        let range = sent.epoch.ranges[2];
        assert_eq!(kit.spec().range_m(frame.words[2]).is_none(), range.raw_m == Err(Absence::OutOfReach));
        too_long += usize::from(range.raw_m.is_err());
    }
    assert!((60..140).contains(&too_long), "{too_long}");
}

#[test]
fn frames_that_cannot_say_it_are_refused_with_the_key() {
    let refused = |change: &dyn Fn(&mut Scenario)| {
        let mut scenario = scenario();
        change(&mut scenario);
        let problem = Kit::new(&scenario).map(|_| ()).unwrap_err();
        (problem.key, problem.problem)
    };
    let layout =
        |layout: &'static str| move |s: &mut Scenario| s.frame.as_mut().unwrap().layout = Some(layout.into());
    assert_eq!(refused(&|s| s.frame = None).1, Problem::NoFrame);
    assert_eq!(
        refused(&|s| s.frame.as_mut().unwrap().layout_text = Some("range".into())).1,
        Problem::LayoutCount
    );
    let wrong = refused(&layout("c3 rnge:u16le*8 sum8"));
    assert!(wrong.0 == "frame.layout" && matches!(wrong.1, Problem::Layout(_)));
    assert_eq!(refused(&|s| s.frame.as_mut().unwrap().unit = "inch".into()).0, "frame.unit");
    let few = refused(&layout("c3 range:u16le*3 sum8"));
    assert_eq!(few, ("anchor[3].id".into(), Problem::NoField { id: 3, fields: 3 }));
    let small = refused(&layout("c3 range:u8*8 sum8"));
    assert_eq!(small, ("max_range_m".into(), Problem::FieldTooSmall { most_m: 2.55 }));
    let word = refused(&|s| s.frame.as_mut().unwrap().no_range = vec![70_000.0]);
    assert_eq!(word, ("frame.no_range".into(), Problem::NoRangeWord { word: 70_000.0 }));
    assert_eq!(refused(&|s| s.tags[0].id = 300), ("tag[0].id".into(), Problem::NoTagField { id: 300 }));
    let slot = refused(&|s| s.anchors[1].slot = Some(0));
    assert_eq!(slot.0, "anchor[1].slot");
}

fn text_error(text: &str) -> (usize, String, String) {
    match Scenario::parse(text, "yard.toml").unwrap_err() {
        ScenarioError::Text { file, line, key, problem, .. } => {
            assert_eq!(file, "yard.toml");
            (line, key, problem)
        }
        ScenarioError::Layout { file, line, key, error, .. } => {
            assert_eq!(file, "yard.toml");
            (line, key, format!("{error:?}"))
        }
        other @ ScenarioError::Unreadable { .. } => panic!("{other}"),
    }
}

#[test]
fn a_layout_that_is_refused_keeps_what_is_wrong_with_it() {
    let text = "duration_s = 60\n[frame]\nlayout = \"c3 range:u9\"\nunit = \"cm\"\n[[anchor]]\nid = 0\nat_m = [0, 0, 1]\n\
                [[tag]]\nid = 0\nheight_m = 1\npath_m = [[3.0, 2.0]]\n";
    match Scenario::parse(text, "yard.toml").unwrap_err() {
        ScenarioError::Layout { line: 3, key, error, .. } => {
            assert_eq!((key.as_str(), error.token()), ("frame.layout", "range:u9"));
        }
        other => panic!("{other}"),
    }
}

const TEXT: &str = r#"seed = 5
start = "2026-05-04T09:00:00Z"
duration_s = 60
[frame]
layout = "c3 5a seq:u8 range:u16le*8 sum8 0a"
unit = "cm"
no_range = [0, 65535]
[late]
share = 0.1
[[anchor]]
id = 0
at_m = [0, 0, 2.6]
[[anchor]]
id = 1
at_m = [24, 0.0, 2.6]
sigma_m = 0.1
[[tag]]
height_m = 0.9
path_m = [[3, 2], [5, 2, 1.5]]
pause_s = 2
[[fault]]
kind = "anchor_off"
anchor = 1
from_s = 3
to_s = 5
"#;

#[test]
fn a_file_says_the_same_as_a_struct() {
    let read = Scenario::parse(TEXT, "yard.toml").unwrap();
    let built = Scenario {
        seed: 5,
        duration_s: Some(60.0),
        frame: Some(FrameText {
            layout: Some("c3 5a seq:u8 range:u16le*8 sum8 0a".into()),
            unit: "cm".into(),
            no_range: vec![0.0, 65_535.0],
            ..FrameText::default()
        }),
        nlos: Nlos { share: 0.1, ..Nlos::default() },
        anchors: vec![
            SimAnchor { at_m: [0.0, 0.0, 2.6], ..SimAnchor::default() },
            SimAnchor { id: 1, at_m: [24.0, 0.0, 2.6], sigma_m: 0.1, ..SimAnchor::default() },
        ],
        tags: vec![SimTag {
            height_m: Some(0.9),
            path_m: vec![vec![3.0, 2.0], vec![5.0, 2.0, 1.5]],
            pause_s: vec![2.0],
            ..SimTag::default()
        }],
        faults: vec![Fault::AnchorOff { anchor: 1, from_s: 3.0, to_s: 5.0, start_up_s: 2.5 }],
        ..Scenario::default()
    };
    assert_eq!(read, built);
    assert_eq!(read.start.to_string(), "1777885200.000000");
    let unix = TEXT.replace("\"2026-05-04T09:00:00Z\"", "1777885200");
    assert_eq!(Scenario::parse(&unix, "").unwrap(), built);
    // Without a start it is the same fixed one.
    let without = TEXT.replace("start = \"2026-05-04T09:00:00Z\"\n", "");
    assert_eq!(Scenario::parse(&without, "").unwrap(), built);
}

#[test]
fn errors_of_a_file_say_line_and_key() {
    let (line, key, problem) = text_error(&TEXT.replace("sigma_m", "sigma"));
    assert_eq!((line, key.as_str()), (16, "anchor[1].sigma"));
    assert!(problem.contains("sigma_m"), "{problem}");
    let (line, key, _) = text_error(&TEXT.replace("share = 0.1", "share = \"much\""));
    assert_eq!((line, key.as_str()), (9, "late.share"));
    let (line, key, _) = text_error(&TEXT.replace("share = 0.1", "share = 1.5"));
    assert_eq!((line, key.as_str()), (9, "late.share"));
    let (line, key, problem) = text_error(&TEXT.replace("anchor = 1\n", "anchor = 4\n"));
    assert_eq!((line, key.as_str()), (23, "fault[0].anchor"));
    assert_eq!(problem, "there is no anchor 4");
    let (line, key, _) = text_error(&TEXT.replace("range:u16le*8", "range:u17le*8"));
    assert_eq!((line, key.as_str()), (5, "frame.layout"));
    let (line, key, problem) = text_error(&TEXT.replace("2026-05-04T09", "yesterday"));
    assert_eq!((line, key.as_str()), (2, "start"));
    assert!(problem.contains("2026-05-04T09:00:00Z"), "{problem}");
    let (line, key, _) = text_error(&TEXT.replace("kind = \"anchor_off\"", "kind = \"anchor_of\""));
    assert_eq!((line, key.as_str()), (22, "fault[0].kind"));
    let (line, key, _) = text_error(&TEXT.replace("[late]", "[late"));
    assert_eq!((line, key.as_str()), (8, ""));
    let shown = Scenario::parse("sed = 1", "yard.toml").unwrap_err().to_string();
    assert!(shown.starts_with("yard.toml, line 1, column 1: sed: unknown field `sed`"), "{shown}");
    let missing = Scenario::read(std::path::Path::new("no/such/file.toml")).unwrap_err();
    assert!(missing.to_string().contains("no/such/file.toml"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any text is a scenario or an error, never a panic; lines and columns stay inside the text.
    #[test]
    fn any_text_is_answered(cut in 0usize..TEXT.len(), put in "[\\[\\]=\"a-z0-9. \\n-]{0,12}") {
        prop_assume!(TEXT.is_char_boundary(cut));
        let text = format!("{}{put}{}", &TEXT[..cut], &TEXT[cut..]);
        if let Err(ScenarioError::Text { line, .. }) = Scenario::parse(&text, "x") {
            prop_assert!(line <= text.lines().count() + 1);
        }
    }
}
