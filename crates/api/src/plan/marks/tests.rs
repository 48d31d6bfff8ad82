use super::*;

/// Relative luminance and contrast as WCAG 2.2 defines them (<https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio>).
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |colour: &str| {
        let channel = |i: usize| {
            let v = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn text_can_be_read_on_both_papers() {
    // Black on white is 21 to 1, by definition; the grey #767676 on white is known to be just above 4.5.
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    assert!((contrast("#767676", "#ffffff") - 4.54).abs() < 0.01);
    for c in [LIGHT, DARK] {
        for text in [c.ink, c.soft, c.warn, c.tag, c.zone] {
            assert!(contrast(text, c.paper) >= 4.5, "{text} on {}: {}", c.paper, contrast(text, c.paper));
        }
        // Marks and text on a zone that is lit.
        for mark in [c.ink, c.warn, c.tag, c.zone] {
            assert!(contrast(mark, c.inside) >= 3.0, "{mark} on {}: {}", c.inside, contrast(mark, c.inside));
        }
    }
}

#[test]
fn states_differ_in_shape_and_not_only_in_colour() {
    let looks = [
        AnchorLook::Heard,
        AnchorLook::ToCheck,
        AnchorLook::Excluded,
        AnchorLook::Silent,
        AnchorLook::NeverHeard,
        AnchorLook::NoData,
    ];
    let mut drawn: Vec<String> = looks
        .map(|look| {
            let mut out = String::new();
            anchor(10.0, 10.0, look, &mut out);
            out
        })
        .to_vec();
    drawn.sort();
    drawn.dedup();
    assert_eq!(drawn.len(), looks.len());
    let rules = style(Theme::Light);
    for differs in
        [".z-inside{fill:#f3dc94;stroke-width:3.5}", ".z-outside{stroke-width:1.3}", "stroke-dasharray:7 4"]
    {
        assert!(rules.contains(differs), "{differs}: {rules}");
    }
}
