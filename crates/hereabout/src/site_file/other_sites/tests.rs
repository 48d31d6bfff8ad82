//! What is looked into, what is passed over, and how another site is seen from this one.

use super::*;
use crate::site_file::{SiteFile, site_and_unit};

const LAYOUT: &str = "c3 5a seq:u8 range:u16le*4 sum8";

fn text(name: &str, unit: &str, heights: f64, slots: [usize; 4]) -> String {
    let mut text = format!(
        "[site]\nname = \"{name}\"\ndimension = \"2d\"\ntag_height_m = 0.9\n[source]\nport = \"/dev/null\"\n\
         [frame]\nlayout = \"{LAYOUT}\"\nunit = \"{unit}\"\n"
    );
    for (i, at) in [[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]].iter().enumerate() {
        let [e, n] = at;
        text += &format!("[[anchor]]\nid = {i}\nslot = {}\nat_m = [{e:?}, {n:?}, {heights:?}]\n", slots[i]);
    }
    text
}

fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.toml");
    std::fs::write(&path, text("yard", "cm", 2.5, [0, 1, 2, 3])).unwrap();
    (folder, path)
}

fn others(path: &Path) -> Vec<OtherSite> {
    SiteFile::load(path).unwrap().site.others().to_vec()
}

#[test]
fn another_site_of_the_folder_is_seen_by_the_fields_of_the_frame() {
    let (folder, path) = folder();
    assert_eq!((look(&path, site_and_unit), others(&path)), (None, Vec::new()), "it is alone");
    std::fs::write(folder.path().join("north.toml"), text("north yard", "mm", 3.1, [3, 2, 1, 0])).unwrap();
    let found = others(&path);
    assert_eq!(found.len(), 1);
    assert_eq!(
        (found[0].file.as_str(), found[0].name.as_str(), found[0].tag_height_m),
        ("north.toml", "north yard", Some(0.9))
    );
    assert_eq!(found[0].at_m[0], Some([0.0, 14.0, 3.1]), "its field 0 is its anchor 3");
    assert_eq!(found[0].at_m[3], Some([0.0, 0.0, 3.1]));
    assert!((found[0].unit_ratio - 0.1).abs() < 1e-12, "cm here, mm there: {}", found[0].unit_ratio);
}

#[test]
fn a_copy_is_no_other_site_and_one_without_fields_goes_by_ids() {
    let (folder, path) = folder();
    std::fs::write(folder.path().join("copy.toml"), text("a copy", "cm", 2.5, [0, 1, 2, 3])).unwrap();
    assert_eq!(others(&path), []);
    let table = text("tables", "cm", 2.5, [3, 2, 1, 0]);
    let (head, rest) =
        (table.split("[source]").next().unwrap(), table.split("unit = \"cm\"\n").nth(1).unwrap());
    let no_slots =
        rest.lines().filter(|l| !l.starts_with("slot")).map(|l| format!("{l}\n")).collect::<String>();
    std::fs::write(
        folder.path().join("tables.toml"),
        format!("{head}{}", no_slots.replace("id = 3", "id = 9")),
    )
    .unwrap();
    let found = others(&path);
    assert_eq!((found[0].at_m[0], found[0].at_m[3]), (Some([0.0, 0.0, 2.5]), None));
    assert_eq!(found[0].unit_ratio, 1.0);
}

#[test]
fn what_is_no_plain_small_site_file_is_passed_over() {
    let (folder, path) = folder();
    let put = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    put("broken.toml", "[site\n");
    put("scenario.toml", "seed = 1\n");
    put("latin.toml", "");
    std::fs::write(folder.path().join("bytes.toml"), [0xff, 0xfe, 0x00]).unwrap();
    put("large.toml", &(text("large", "cm", 3.0, [0, 1, 2, 3]) + &"# x\n".repeat(20_000)));
    put("calibration.old.toml", &text("kept", "cm", 3.0, [0, 1, 2, 3]));
    put("site.txt", &text("text", "cm", 3.0, [0, 1, 2, 3]));
    put("\u{202e}lmot.toml", &text("turned", "cm", 3.0, [0, 1, 2, 3]));
    std::fs::create_dir(folder.path().join("folder.toml")).unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    std::fs::write(elsewhere.path().join("x"), text("linked", "cm", 3.0, [0, 1, 2, 3])).unwrap();
    std::os::unix::fs::symlink(elsewhere.path().join("x"), folder.path().join("link.toml")).unwrap();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        folder.path().join("pipe.toml"),
        rustix::fs::FileType::Fifo,
        0o600.into(),
        0,
    )
    .unwrap();
    assert_eq!(look(&path, site_and_unit), None);
    put("good.toml", &text("good", "cm", 3.0, [0, 1, 2, 3]));
    assert_eq!(others(&path).iter().map(|o| o.name.as_str()).collect::<Vec<_>>(), ["good"]);
}

#[test]
fn the_first_sixteen_by_name_are_looked_into() {
    let (folder, path) = folder();
    for i in 0..20 {
        let name = format!("site-{i:02}.toml");
        std::fs::write(
            folder.path().join(name),
            text(&format!("site {i}"), "cm", 3.0 + f64::from(i), [0, 1, 2, 3]),
        )
        .unwrap();
    }
    let found = others(&path);
    assert_eq!(
        (found.len(), found[0].file.as_str(), found[15].file.as_str()),
        (16, "site-00.toml", "site-15.toml")
    );
}

/// What the log has gives the same sites to the last bit, and rubbish in it gives none.
#[test]
fn a_log_gives_back_what_was_known() {
    let (folder, path) = folder();
    let odd = text("north", "cm", 0.1 + 0.2, [0, 1, 2, 3]).replace("14.0", "14.000000000000002");
    std::fs::write(folder.path().join("north.toml"), odd).unwrap();
    let live = SiteFile::load(&path).unwrap();
    let replayed = SiteFile::from_text(&path, &live.text, None).unwrap();
    assert_eq!(replayed.site.others(), []);
    let replayed = replayed.with_other_sites(live.other_sites.clone());
    assert!(!live.site.others().is_empty());
    assert_eq!(replayed.site, live.site);
    for rubbish in ["", "null", "{}", "[1]", "[{\"file\":\"x\"}]"] {
        assert_eq!(resolve(rubbish, &live.site), [], "{rubbish}");
    }
}

/// Backups of one file explain as much as each other, so that none would lead; and a unit is found by itself.
#[test]
fn copies_count_once_and_another_unit_alone_is_no_other_site() {
    let (folder, path) = folder();
    let put = |name: &str, text: String| std::fs::write(folder.path().join(name), text).unwrap();
    put("north.toml", text("north", "cm", 3.0, [0, 1, 2, 3]));
    put("north-2026.toml", text("north, kept", "cm", 3.0, [0, 1, 2, 3]));
    let own = std::fs::read_to_string(&path).unwrap();
    put("own-mm.toml", own.replace("unit = \"cm\"", "unit = \"mm\""));
    assert_eq!(others(&path).iter().map(|o| o.file.as_str()).collect::<Vec<_>>(), ["north-2026.toml"]);
}
