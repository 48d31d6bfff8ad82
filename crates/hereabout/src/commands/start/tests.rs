//! Tests of `start`.

use super::*;

#[test]
fn an_anchor_is_read_with_and_without_a_name() {
    let named = parse_anchor("3, 12.5, -0.5, 2.6, gate, by the road").unwrap();
    assert_eq!((named.id, named.at_m), (3, [12.5, -0.5, 2.6]));
    assert_eq!(named.name.as_deref(), Some("gate, by the road"));
    assert_eq!(parse_anchor("0,0,0,2").unwrap().name, None);
    for bad in ["", "0,0,0", "x,0,0,2", "0,0,0,nan", "0,0,0,inf", "70000,0,0,2", "0,,0,2", "-1,0,0,2"] {
        assert!(parse_anchor(bad).is_err(), "{bad}");
    }
}

#[test]
fn whatever_the_names_are_the_file_is_read_back_as_it_was_meant() {
    for name in ["yard", "O'Hara's \"north\" yard", "a\\b", "#1 = [x]", "Gärtnerei №7"] {
        let anchor = NewAnchor { id: 4, at_m: [1.0, -2.5, 3.0], name: Some(name.to_owned()) };
        let frame = FrameText {
            key: "layout_text",
            layout: r"'R\'\\\t' range*2 by '\''".to_owned(),
            unit: "cm".to_owned(),
            no_range: vec!["0".to_owned(), "nan".to_owned()],
        };
        let source = SourceText { port: "/dev/ttyUSB0".to_owned(), baud: 9600, dtr: Some(false) };
        let new_site = NewSite {
            name: name.to_owned(),
            tag_height_m: Some(0.9),
            source: Some(source.clone()),
            frame: Some(frame),
            anchors: vec![anchor],
        };
        let site = SiteFile::from_text(Path::new("site.toml"), &new_site.toml(), None).unwrap();
        assert_eq!(site.site.name(), name);
        assert_eq!(
            (site.site.anchors()[0].name.as_str(), site.site.anchors()[0].at_m),
            (name, [1.0, -2.5, 3.0])
        );
        assert!(site.frame.is_some());
        assert_eq!(site.source, Some(source));
    }
}
