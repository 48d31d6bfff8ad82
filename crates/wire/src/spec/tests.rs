//! Units are decimal by definition (SI prefixes), so the expected metres are written as literals.

use super::*;

fn spec(layout: Layout, unit: Unit, no_range: &[f64]) -> FrameSpec {
    FrameSpec { layout, unit, no_range: NoRange::new(no_range.iter().copied()) }
}

fn binary(layout: &str) -> Layout {
    Layout::parse_binary(layout).unwrap()
}

#[test]
fn words_become_the_nearest_metres() {
    let layout = binary("c3 range:u16le");
    // A multiplication by 0.01 would give 5.5600000000000005 for the first.
    for (cm, m) in [(556, 5.56), (7, 0.07), (2999, 29.99), (65535, 655.35)] {
        assert_eq!(spec(layout.clone(), Unit::Cm, &[]).range_m(Word::Int(cm)), Some(m));
    }
    assert_eq!(spec(layout.clone(), Unit::Mm, &[]).range_m(Word::Int(5440)), Some(5.44));
    assert_eq!(spec(layout.clone(), Unit::Dm, &[]).range_m(Word::Int(31)), Some(3.1));
    assert_eq!(spec(layout, Unit::M, &[]).range_m(Word::Float(4.25)), Some(4.25));
}

#[test]
fn no_range_words_are_no_range() {
    let spec = spec(binary("c3 range:f32le"), Unit::M, &[0.0, -0.1, 65535.0]);
    for word in [
        Word::Int(0),
        Word::Int(65535),
        Word::Float(0.0),
        Word::Float(f64::from(-0.1_f32)),
        Word::Missing,
        Word::Float(f64::NAN),
        Word::Float(f64::INFINITY),
    ] {
        assert_eq!(spec.range_m(word), None, "{word:?}");
    }
    assert_eq!(spec.range_m(Word::Float(-0.2)), Some(-0.2));
    assert_eq!(spec.range_m(Word::Int(1)), Some(1.0));
}

#[test]
fn units_are_read_by_their_symbols_only() {
    for unit in [Unit::M, Unit::Dm, Unit::Cm, Unit::Mm] {
        assert_eq!(unit.to_string().parse(), Ok(unit));
    }
    assert_eq!("CM".parse::<Unit>(), Err(UnitError("CM".to_owned())));
    assert_eq!("inch".parse::<Unit>(), Err(UnitError("inch".to_owned())));
}

#[test]
fn words_for_ranges_round_as_the_field_needs_it() {
    let cm = spec(binary("c3 range:u16le range:f32le"), Unit::Cm, &[0.0]);
    assert_eq!(cm.word(0, Some(5.4449)), Some(Word::Int(544)));
    assert_eq!(cm.word(0, None), Some(Word::Int(0)));
    assert_eq!(cm.word(0, Some(700.0)), None);
    assert_eq!(cm.word(0, Some(-0.02)), None);
    assert_eq!(cm.word(0, Some(f64::NAN)), None);
    assert_eq!(cm.word(1, Some(5.5)), Some(Word::Float(550.0)));
    assert_eq!(cm.word(2, Some(5.5)), None);

    let text = Layout::parse_text("range*2").unwrap();
    assert_eq!(spec(text.clone(), Unit::M, &[]).word(0, Some(1.23456)), Some(Word::Float(1.235)));
    assert_eq!(spec(text.clone(), Unit::M, &[]).word(1, None), Some(Word::Missing));
    assert_eq!(spec(text.clone(), Unit::Mm, &[-1.0]).word(1, None), Some(Word::Int(-1)));
    assert_eq!(spec(text, Unit::Mm, &[]).word(1, Some(1.2345)), Some(Word::Int(1235)));

    assert_eq!(spec(binary("c3 range:u8"), Unit::Dm, &[]).word(0, None), None);
    let nan = spec(binary("c3 range:f32be"), Unit::M, &[f64::NAN]).word(0, None);
    assert!(matches!(nan, Some(Word::Float(v)) if v.is_nan()));
}
