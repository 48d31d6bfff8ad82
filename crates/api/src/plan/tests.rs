//! The plan with every state of everything: well-formed, within its sheet, honest, and nothing breaks out of it.

use std::collections::BTreeSet;

use hereabout_core::{
    Location, Place, PositionReport, TagPlace, TagState, Zone, ZoneRule, ZoneShape, ZoneState,
};
use hereabout_engine::{AnchorTable, Output, ZoneReport};
use hereabout_words::samples::{every_doubt, every_finding, every_kit_finding};

use super::*;
use crate::{Hub, tests::fixtures::*};

/// What a hub draws at an instant.
fn drawn(hub: &Hub, clock: Timestamp, look: PlanLook) -> String {
    let moment = hub.moment(&|| clock);
    let tags = hub.tags_with_trails(clock);
    Plan::of(moment.current(), &tags).to_svg(look)
}

/// Parses it strictly, and checks what holds for every picture.
fn checked(svg: &str, look: PlanLook) {
    let document = roxmltree::Document::parse(svg).unwrap_or_else(|e| panic!("{e}: {svg}"));
    let root = document.root_element();
    let size: Vec<f64> = root.attribute("viewBox").unwrap().split(' ').map(|v| v.parse().unwrap()).collect();
    assert_eq!(size[..3], [0.0, 0.0, look.width]);
    assert!(!svg.contains("NaN") && !svg.contains("inf\"") && !svg.contains("Infinity"), "{svg}");
    assert_eq!(svg.matches("http").count(), 1, "nothing is fetched: the only address is the name space");
    let known: BTreeSet<&str> = [
        "svg", "title", "style", "defs", "clipPath", "rect", "pattern", "path", "g", "polygon", "circle",
        "ellipse", "text",
    ]
    .into();
    for node in root.descendants().filter(roxmltree::Node::is_element) {
        assert!(known.contains(node.tag_name().name()), "{:?}", node.tag_name());
        assert!(node.attributes().all(|a| !a.name().starts_with("on") && a.name() != "href"));
        let clipped = node.ancestors().any(|a| a.has_attribute("clip-path") || a.has_attribute("transform"));
        if matches!(node.tag_name().name(), "text" | "rect" | "circle") && !clipped {
            for (name, end) in [("x", size[2]), ("cx", size[2]), ("y", size[3]), ("cy", size[3])] {
                let value = node.attribute(name).map_or(0.0, |v| v.parse::<f64>().unwrap());
                assert!((0.0..=end).contains(&value), "{name} = {value} in {node:?}");
            }
        }
    }
}

/// All texts of a picture, one a line.
fn texts(svg: &str) -> String {
    let document = roxmltree::Document::parse(svg).unwrap();
    let texts = document.descendants().filter(|n| n.has_tag_name("text")).filter_map(|n| n.text());
    texts.map(|t| format!("{t}\n")).collect()
}

fn looks() -> [PlanLook; 4] {
    let look = |theme, width| PlanLook { theme, width, notes: true };
    [PlanLook::default(), look(Theme::Light, 900.0), look(Theme::Dark, 328.0), look(Theme::Auto, 280.0)]
}

fn place(east: f64, north: f64, se: f64) -> Place {
    let var = se * se;
    Place {
        position_m: [east, north, 0.9],
        covariance_m2: [[var, 0.5 * var, 0.0], [0.5 * var, 0.8 * var, 0.0], [0.0; 3]],
    }
}

/// A cart that drove for 40 s, with a gap, and is at `T` where it is in `located`.
fn drive(hub: &Hub, tag: u32, state: TagState, way: impl Fn(f64) -> [f64; 2]) {
    for k in 0..=400 {
        let s = 40.0 - k as f64 * 0.1;
        let at = seconds_before(s);
        let lost_on_the_way = (20.0..23.0).contains(&s);
        let [east, north] = way(s);
        let now = if lost_on_the_way {
            TagState::Lost
        } else if k == 400 {
            state
        } else {
            TagState::Located
        };
        let place_now = TagPlace {
            protection_radius_m: Some(0.55),
            checked: true,
            hdop: Some(0.81),
            ..TagPlace::of(place(east, north, 0.12), 0.26)
        };
        let report = PositionReport {
            at,
            received_at: at,
            valid_until: at.plus(Micros::from_millis(500)),
            location: match now {
                TagState::Located => Location::Located(place_now),
                TagState::Coasting => Location::Coasting(place_now),
                TagState::Ambiguous => Location::Ambiguous(
                    [place(east, north, 0.3), place(east, 14.0 - north, 0.3)].into_iter().collect(),
                ),
                TagState::Lost => Location::Lost,
            },
            ..located(k, tag)
        };
        hub.publish(&Output::Position(report));
    }
}

/// A yard with one of everything.
fn crowded() -> Hub {
    let mut info = info();
    let zone = |name: &str, shape| Zone { name: name.into(), shape, rule: ZoneRule::default() };
    let corners = |e: f64, n: f64, w: f64, h: f64| vec![[e, n], [e + w, n], [e + w, n + h], [e, n + h]];
    info.site.zones.push(zone(
        "seed beds",
        ZoneShape::Polygon {
            outline_m: corners(14.0, 7.0, 7.0, 5.0),
            holes_m: vec![corners(16.0, 8.0, 3.0, 2.0)],
        },
    ));
    info.site.zones.push(zone("pump", ZoneShape::Circle { at_m: [5.0, 9.5], radius_m: 1.6 }));
    let hub = Hub::new(info);
    hub.set_link(connected());
    hub.publish(&Output::Anchors(troubled().into()));
    drive(&hub, 0, TagState::Located, |s| [11.0 + 0.1 * s, 2.0 + 0.05 * s + (s / 4.0).sin()]);
    drive(&hub, 3, TagState::Coasting, |s| [20.0 - 0.2 * s, 5.5]);
    drive(&hub, 4, TagState::Ambiguous, |s| [16.0 - 0.1 * s, 12.6]);
    drive(&hub, 5, TagState::Lost, |s| [3.0 + 0.05 * s, 5.0]);
    drive(&hub, 6, TagState::Located, |_| [140.0, -3.0]);
    let mut silent = located(900, 7);
    (silent.at, silent.valid_until) = (seconds_before(12.0), seconds_before(11.5));
    silent.location.tag_place_mut().unwrap().place = place(22.0, 3.0, 0.1);
    hub.publish(&Output::Position(silent));
    for (zone, state) in
        [(0, ZoneState::Inside), (1, ZoneState::Unknown), (2, ZoneState::Outside), (3, ZoneState::Unknown)]
    {
        hub.publish(&Output::Zone(ZoneReport { zone, state, ..inside(zone as u64 + 1, 0) }));
    }
    hub
}

#[test]
fn one_of_everything() {
    let hub = crowded();
    for look in looks() {
        let svg = drawn(&hub, now(), look);
        checked(&svg, look);
        let texts = texts(&svg);
        for told in [
            "Tag 0 located, 95 % within 0.26 m, protection 0.55 m",
            "Tag 3 predicted, no fresh ranges",
            "Tag 4: one of two places, nobody knows which",
            "Tag 5 lost: no position; last seen",
            "Tag 7: NO DATA for 12 s",
            "roller door: inside",
            "seed beds: outside",
            "moved 0.42 m",
            "2026-05-04 09:12:31 UTC; data 0.0 s old",
        ] {
            // Narrow sheets fold lines.
            assert!(texts.replace('\n', " ").contains(told), "{told}: {texts}");
        }
        for mark in ["z-inside", "z-outside", "z-unknown", "t-dot", "t-open", "t-gone", "t-95", "t-protect"] {
            assert!(svg.contains(mark), "{mark}");
        }
    }
    if let Some(folder) = std::env::var_os("PLAN_FOLDER") {
        for (name, look) in ["auto", "light", "dark-328", "280"].iter().zip(looks()) {
            let path = std::path::Path::new(&folder).join(format!("crowded-{name}.svg"));
            std::fs::write(path, drawn(&hub, now(), look)).unwrap();
        }
    }
}

#[test]
fn a_stale_dot_is_never_drawn() {
    let hub = busy_hub();
    let look = PlanLook::default();
    let body = |svg: &str| svg.split("class=\"border\" d=").next().unwrap().to_owned(); // without the legend
    let valid = drawn(&hub, now(), look);
    assert!(body(&valid).contains("class=\"t-dot\"") && !body(&valid).contains("class=\"t-gone\""));
    for late_s in [0.6, 5.0, 59.0, 61.0, 86_400.0] {
        let svg = drawn(&hub, T.plus(Micros::from_secs_f64(late_s)), look);
        checked(&svg, look);
        let body = body(&svg);
        for mark in ["class=\"t-dot\"", "class=\"t-open\"", "class=\"t-95\"", "class=\"t-protect\""] {
            assert!(!body.contains(mark), "{late_s} s late: {mark}");
        }
        assert!(texts(&svg).contains("Tag 0: NO DATA for"), "{late_s}");
        assert_eq!(body.contains("class=\"t-gone\""), late_s < 60.0, "a cross fades after a minute");
    }
    assert!(texts(&drawn(&hub, T.plus(Micros::from_millis(60_000)), look)).contains("NO DATA for 60 s"));
}

#[test]
fn an_inside_that_has_run_out_is_unknown() {
    let hub = busy_hub();
    hub.publish(&Output::Zone(inside(1, 0)));
    let look = PlanLook::default();
    let state = |s: f64| drawn(&hub, T.plus(Micros::from_secs_f64(s)), look);
    assert!(state(0.4).contains("<path class=\"z z-inside\""));
    let late = state(0.6);
    assert!(!late.contains("<path class=\"z z-inside\"") && late.contains("<path class=\"z z-unknown\""));
    assert!(texts(&late).contains("roller door: unknown"), "{}", texts(&late));
}

#[test]
fn anchors_of_an_old_table_are_no_data() {
    let hub = busy_hub();
    let svg = drawn(&hub, T.plus(Micros::from_millis(3_100)), PlanLook::default());
    let texts = texts(&svg);
    assert!(
        texts.contains("Anchor 0 shed corner: no data") && texts.contains("NO DATA for 3.10 s"),
        "{texts}"
    );
    assert!(texts.contains("Anchor 3 roller door: silent since"), "{texts}");
}

#[test]
fn before_the_first_frame_there_is_a_plan() {
    let hub = Hub::new(info());
    for look in looks() {
        let svg = drawn(&hub, now(), look);
        checked(&svg, look);
        let texts = texts(&svg).replace('\n', " ");
        assert!(texts.contains("no data yet") && texts.contains("Link waiting"), "{texts}");
        assert!(texts.contains("Anchor 0 shed corner: never heard in this session"), "{texts}");
        assert!(texts.contains("Whether a tag is inside roller door is not known"), "{texts}");
    }
}

#[test]
fn every_finding_can_be_drawn() {
    for x in [0.4, f64::NAN, f64::INFINITY] {
        for (finding, kit) in every_finding(x).into_iter().zip(every_kit_finding(x).into_iter().cycle()) {
            let hub = busy_hub();
            let mut table: AnchorTable = table();
            table.rows[0].findings.push(finding);
            table.kit.push(kit);
            hub.publish(&Output::Anchors(table.into()));
            let svg = drawn(&hub, now(), PlanLook::default());
            checked(&svg, PlanLook::default());
            assert!(svg.contains("a-bad"));
        }
    }
}

/// A position of a site in doubt is a place with a question: no dot, no ellipse, no circle.
#[test]
fn nothing_is_drawn_as_trusted_while_the_site_is_in_doubt() {
    let body = |svg: &str| svg.split("class=\"border\" d=").next().unwrap().to_owned(); // without the legend
    for doubt in every_doubt(0.42) {
        let hub = busy_hub();
        let mut table: AnchorTable = table();
        table.kit.push(hereabout_engine::KitFinding::SiteDoesNotFit { doubt });
        hub.publish(&Output::Anchors(table.into()));
        let svg = drawn(&hub, now(), PlanLook::default());
        checked(&svg, PlanLook::default());
        for mark in ["class=\"t-dot\"", "class=\"t-95\""] {
            assert_eq!(body(&svg).contains(mark), !doubt.all, "{mark} {doubt:?}");
        }
        assert!(!doubt.all || !body(&svg).contains("class=\"t-protect\""), "{doubt:?}");
        let texts = texts(&svg).replace('\n', " ");
        assert_eq!(texts.contains("Tag 0 in doubt"), doubt.all, "{texts}");
        assert!(texts.contains("ranges and site file don't fit"), "{texts}");
    }
}

#[test]
fn wild_numbers_are_survived() {
    for x in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300, 1e-300] {
        let hub = busy_hub();
        for state in [TagState::Located, TagState::Coasting, TagState::Ambiguous, TagState::Lost] {
            let wild = Place { position_m: [x, 3.0, x], covariance_m2: [[x; 3]; 3] };
            let tag_place = TagPlace { protection_radius_m: Some(x), ..TagPlace::of(wild, x) };
            let location = match state {
                TagState::Located => Location::Located(tag_place),
                TagState::Coasting => Location::Coasting(tag_place),
                TagState::Ambiguous => Location::Ambiguous([wild, place(3.0, x, x)].into_iter().collect()),
                TagState::Lost => Location::Lost,
            };
            let report = PositionReport { location, ..located(5000, 0) };
            hub.publish(&Output::Position(report));
            checked(&drawn(&hub, now(), PlanLook::default()), PlanLook::default());
        }
    }
}

#[test]
fn names_of_any_kind_stay_in_their_place() {
    for name in [
        "<script>alert(1)</script>",
        "\"/><a href='http'>&",
        "]]>\u{0}\u{1b}[2J\u{fffe}\u{ffff}",
        "温室の北西の切妻",
        "زاوية السقيفة",
        "\u{202e}drowkcab",
        &"long ".repeat(200),
        &"W".repeat(500),
        &"\u{301}".repeat(300),
        "",
    ] {
        let mut info = info();
        info.site.name = name.into();
        info.site.anchors.iter_mut().for_each(|a| a.name = name.into());
        info.site.zones.iter_mut().for_each(|z| z.name = name.into());
        let hub = Hub::new(info);
        hub.set_link(waiting(3.0));
        hub.publish(&Output::Anchors(troubled().into()));
        hub.publish(&Output::Position(located(1, 0)));
        hub.publish(&Output::Zone(inside(1, 0)));
        for look in looks() {
            let svg = drawn(&hub, now(), look).replace("href=&#39;http", "");
            checked(&svg, look);
            assert!(!svg.contains("<script") && !svg.contains("<a "), "{svg}");
        }
    }
}

#[test]
fn sites_of_any_shape_fit_the_sheet() {
    for (e, n) in [(0.0, 0.0), (200.0, 0.5), (0.5, 200.0), (0.0, 3_000.0)] {
        let mut info = info();
        info.site.zones.clear();
        info.site.fence.area_m.clear();
        for (i, a) in info.site.anchors.iter_mut().enumerate() {
            a.at_m = [e * i as f64, n * i as f64, 2.0];
        }
        let hub = Hub::new(info);
        for look in looks() {
            checked(&drawn(&hub, now(), look), look);
        }
    }
    let mut none = info();
    none.site.anchors.clear();
    none.site.zones.clear();
    none.site.fence.area_m.clear();
    checked(&drawn(&Hub::new(none), now(), PlanLook::default()), PlanLook::default());
}

#[test]
fn two_hundred_tags_are_drawn_and_twelve_are_told() {
    let hub = busy_hub();
    (0..200).for_each(|tag| hub.publish(&Output::Position(located(u64::from(tag), tag))));
    let svg = drawn(&hub, now(), PlanLook::default());
    checked(&svg, PlanLook::default());
    assert!(texts(&svg).contains("188 more tags and zones"));
}

#[tokio::test]
async fn the_route_gives_a_picture_that_asks_for_nothing() {
    let app = app(&busy_hub());
    let (status, headers, text) = get(&app, "/v1/plan.svg?theme=dark&width=360").await;
    assert_eq!(status, 200);
    assert_eq!(headers["content-type"], "image/svg+xml; charset=utf-8");
    assert_eq!(headers["cache-control"], "no-store");
    assert_eq!(headers["content-security-policy"], "default-src 'none'; style-src 'unsafe-inline'");
    checked(&text, PlanLook { theme: Theme::Dark, width: 360.0, notes: true });
    assert!(!text.contains("@media"), "a theme that is asked for is no question any more");
    let bare = get(&app, "/v1/plan.svg?notes=no").await.2;
    assert!(text.contains("Tag 0 located") && !bare.contains("Tag 0 located"));
    assert!(get(&app, "/v1/plan.svg").await.2.contains("@media (prefers-color-scheme: dark)"));
    for (query, told) in [
        ("theme=blue", "light or dark"),
        ("width=10", "280 to 2000"),
        ("width=NaN", "280 to 2000"),
        ("notes=maybe", "yes or no"),
        ("zoom=2", "it takes theme, width, notes"),
        ("theme=dark&theme=dark", "twice"),
    ] {
        let (status, _, text) = get(&app, &format!("/v1/plan.svg?{query}")).await;
        assert_eq!(status, 422, "{query}");
        assert!(text.contains(told), "{query}: {text}");
    }
}
