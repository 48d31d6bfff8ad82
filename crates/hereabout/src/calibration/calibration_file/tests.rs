//! Writing is all or nothing at every step, old files are kept and come back, and what was written is
//! what is read.

use super::*;
use crate::site_file::SiteFile;

fn at(s: i64) -> Timestamp {
    Timestamp::from_micros(1_777_885_200_000_000 + s * 1_000_000)
}

fn entry(id: u16, offset_m: f64) -> Entry {
    Entry {
        id: AnchorId(id),
        correction: Correction { offset_m, scale: 1.0, offset_se_m: Some(0.02) },
        date: Some("2026-05-04T09:00:00Z".into()),
        method: Some("1 m stand, \"bench\"".into()),
    }
}

#[test]
fn what_is_written_is_what_is_read() {
    let mut file = CalibrationFile::default();
    file.put(vec![entry(7, -0.1234), entry(0, 0.12)]);
    file.put(vec![entry(7, 0.3)]);
    file.places = vec![UsedPlace { name: "bed \\ 3".into(), at_m: [1.0, 2.5, 0.9] }];
    let document = Document { file: "c.toml".into(), text: file.to_toml() };
    assert_eq!(CalibrationFile::parse(&document).unwrap(), file);
    assert_eq!(file.entries.iter().map(|e| e.id.0).collect::<Vec<_>>(), [0, 7]);
}

#[test]
fn dates_of_toml_and_files_written_by_hand_are_read() {
    let text = "note = \"by hand\"\n[[anchor]]\nid = 1\noffset_m = 0.1\ndate = 2026-05-04\n";
    let file = CalibrationFile::parse(&Document { file: "c.toml".into(), text: text.into() }).unwrap();
    let e = file.entry(AnchorId(1)).unwrap();
    assert_eq!((e.date.as_deref(), e.correction.offset_se_m), (Some("2026-05-04"), None));
    // 2026-05-04T00:00:00Z is nine hours before the tests' own zero.
    assert_eq!(e.found_at(), Some(at(-9 * 3600)));
    assert_eq!(entry(1, 0.0).found_at(), Some(at(0)));
    assert_eq!(Entry { date: Some("last May".into()), ..entry(1, 0.0) }.found_at(), None);
}

#[test]
fn the_site_reads_what_was_written() {
    let folder = tempfile::tempdir().unwrap();
    let site = folder.path().join("site.toml");
    let text = "[site]\nname = \"shed\"\ndimension = \"2d\"\ntag_height_m = 1.0\n[[anchor]]\nid = 7\nat_m = [0, 0, 2]\n";
    fs::write(&site, text.replace("[0, 0, 2]", "[0.0, 0.0, 2.0]")).unwrap();
    let mut file = CalibrationFile::default();
    file.put(vec![entry(7, -0.1234)]);
    replace(&crate::files::paths::calibration_beside(&site), &file.to_toml(), at(0)).unwrap();
    let loaded = SiteFile::load(&site).unwrap();
    assert_eq!(loaded.site.anchors()[0].correction, entry(7, -0.1234).correction);
}

#[test]
fn a_stop_at_any_step_leaves_the_old_file_or_the_new_one() {
    for first_ever in [false, true] {
        let mut steps = 0;
        for stop_at in 0.. {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("calibration.toml");
            if !first_ever {
                fs::write(&path, "old").unwrap();
            }
            let mut calls = 0;
            let outcome = replace_with(&path, "new text", at(5), &mut |_| {
                calls += 1;
                if calls > stop_at { Err(io::Error::other("killed")) } else { Ok(()) }
            });
            let found = fs::read_to_string(&path).ok();
            let old = (!first_ever).then_some("old");
            assert!(found.as_deref() == old || found.as_deref() == Some("new text"), "{stop_at}: {found:?}");
            if outcome.is_ok() {
                assert_eq!(found.as_deref(), Some("new text"));
                steps = stop_at;
                break;
            }
            if first_ever {
                // Wherever it was stopped, going back ends with none.
                let back = restore(&path, at(7));
                assert!(back.is_err() || back.unwrap() == Restored::None, "{stop_at}");
                assert!(!path.exists() && previous_files(&path).is_empty(), "{stop_at}");
            }
            // The next run is not in the way of what was left behind.
            replace(&path, "newer", at(6)).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), "newer");
            let strays = fs::read_dir(folder.path())
                .unwrap()
                .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().starts_with('.'));
            assert_eq!(strays.count(), 0, "stopped at {stop_at}");
        }
        assert_eq!(steps, if first_ever { 9 } else { 8 }, "every write point was stopped at");
    }
}

#[test]
fn old_files_are_kept_bounded_and_come_back_one_after_the_other() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("calibration.toml");
    let text = |n: i64| format!("[[anchor]]\nid = 0\noffset_m = 0.{n}\n");
    for n in 0..30 {
        replace(&path, &text(100 + n), at(n)).unwrap();
    }
    assert_eq!(previous_files(&path).len(), MAX_PREVIOUS_FILES);
    assert!(
        previous_files(&path)[0].ends_with("calibration-20260504T090029.000000Z.toml"),
        "{:?}",
        previous_files(&path)[0]
    );
    for n in [28, 27] {
        restore(&path, at(100 - n)).unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), text(100 + n));
    }
    assert_eq!(previous_files(&path).len(), MAX_PREVIOUS_FILES - 2);
    assert_eq!(named(&path, "calibration-undone-").len(), 2, "what was undone is not lost");
    // A damaged one is refused and the present one stays.
    fs::write(&previous_files(&path)[0], "rubbish = [").unwrap();
    assert!(restore(&path, at(200)).is_err());
    assert_eq!(fs::read_to_string(&path).unwrap(), text(127));
}

#[test]
fn the_first_calibration_can_be_undone_and_each_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("calibration.toml");
    let text = |n: i64| format!("[[anchor]]\nid = 0\noffset_m = 0.{n}\n");
    replace(&path, &text(1), at(1)).unwrap();
    replace(&path, &text(2), at(2)).unwrap();
    assert!(matches!(restore(&path, at(3)), Ok(Restored::File(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), text(1));
    // What is in force may be damaged: going back works all the same, and nothing is lost.
    fs::write(&path, "rubbish = [").unwrap();
    assert_eq!(restore(&path, at(4)).unwrap(), Restored::None);
    assert!(!path.exists(), "as it was before the first one");
    let undone: Vec<String> =
        named(&path, "calibration-undone-").iter().map(|p| fs::read_to_string(p).unwrap()).collect();
    assert_eq!(undone, ["rubbish = [".to_owned(), text(2)]);
    assert!(restore(&path, at(5)).unwrap_err().message.contains("no previous calibration"));
    // And again from the start.
    replace(&path, &text(3), at(6)).unwrap();
    assert_eq!(restore(&path, at(7)).unwrap(), Restored::None);
}

#[test]
fn nothing_to_restore_and_nowhere_to_write_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("calibration.toml");
    assert!(restore(&path, at(0)).unwrap_err().message.contains("no previous calibration"));
    let nowhere = Path::new("/proc/hereabout-test/calibration.toml");
    let failure = replace(nowhere, "x", at(0)).unwrap_err();
    assert_eq!(failure.code, exit::CANT_CREATE);
    assert!(failure.message.contains("untouched"), "{failure}");
}

/// Somebody else: the overflow id, "nobody" by convention (from memory of `/proc/sys/kernel/overflowuid`).
const NOBODY: u32 = 65_534;

#[test]
fn whoever_could_read_the_old_file_can_read_the_new_one_and_nobody_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("calibration.toml");
    let is_superuser = fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0);
    let group = if is_superuser { NOBODY } else { fs::metadata(folder.path()).unwrap().gid() };
    std::os::unix::fs::chown(folder.path(), None, Some(group)).unwrap();
    for (n, text) in ["# one\n", "# two\n"].into_iter().enumerate() {
        replace(&path, text, Timestamp::from_micros(n as i64)).unwrap();
        let meta = fs::metadata(&path).unwrap();
        assert_eq!(meta.mode() & 0o7777 & !0o640, 0, "mode {:04o}", meta.mode());
        assert_eq!(meta.gid(), group);
        // From now on the folder's group is another; the file's stays.
        std::os::unix::fs::chown(folder.path(), None, Some(if is_superuser { 0 } else { group })).unwrap();
    }
    if !is_superuser {
        println!("skipped: only the superuser can give files to another group");
        return;
    }
    // What strangers can write is not given to the group that they chose.
    fs::remove_file(&path).unwrap();
    std::os::unix::fs::chown(folder.path(), None, Some(NOBODY)).unwrap();
    fs::set_permissions(folder.path(), std::os::unix::fs::PermissionsExt::from_mode(0o1777)).unwrap();
    replace(&path, "# three\n", Timestamp::from_micros(9)).unwrap();
    assert_ne!(fs::metadata(&path).unwrap().gid(), NOBODY);
}

#[test]
fn links_in_place_of_the_file_or_of_a_kept_one_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (path, victim) = (folder.path().join("calibration.toml"), folder.path().join("order-book.txt"));
    fs::write(&victim, "# 400 trays of lavender\n").unwrap();
    std::os::unix::fs::symlink(&victim, &path).unwrap();
    let told = replace(&path, "# new\n", Timestamp::from_micros(1)).unwrap_err().message;
    assert!(told.contains("symbolic link"), "{told}");
    assert!(CalibrationFile::read(&path).is_err());
    fs::remove_file(&path).unwrap();

    // A kept file whose name is taken by somebody is kept all the same.
    replace(&path, "# one\n", Timestamp::from_micros(1)).unwrap();
    let stamp = stamp_of_file(Timestamp::from_micros(2));
    let taken = folder.path().join(format!("calibration-{stamp}.toml"));
    std::os::unix::fs::symlink(&victim, &taken).unwrap();
    replace(&path, "# two\n", Timestamp::from_micros(2)).unwrap();
    let is_one = |p: &PathBuf| fs::read_to_string(p).unwrap() == "# one\n";
    assert!(previous_files(&path).iter().any(is_one), "{:?}", previous_files(&path));
    for plain in previous_files(&path).into_iter().filter(|p| !p.is_symlink()) {
        fs::remove_file(plain).unwrap();
    }
    let told = restore(&path, Timestamp::from_micros(3)).unwrap_err().message;
    assert!(told.contains("symbolic link"), "{told}");
    assert_eq!(fs::read_to_string(&victim).unwrap(), "# 400 trays of lavender\n");
    assert_eq!(fs::read_to_string(&path).unwrap(), "# two\n");
}

#[test]
fn a_strange_kept_file_keeps_nobody_from_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("calibration.toml");
    for (s, offset_m) in [(1, 0.1), (2, 0.2)] {
        let mut file = CalibrationFile::default();
        file.put(vec![entry(7, offset_m)]);
        replace(&path, &file.to_toml(), at(s)).unwrap();
    }
    let planted = folder.path().join("calibration-99990101T000000Z.toml");
    std::os::unix::fs::symlink("/etc/hostname", planted).unwrap();
    restore(&path, at(3)).unwrap();
    assert_eq!(CalibrationFile::read(&path).unwrap().unwrap().entries[0].correction.offset_m, 0.1);
    // When nothing else is left, it is what is reported.
    restore(&path, at(4)).unwrap();
    assert!(restore(&path, at(5)).unwrap_err().message.contains("99990101"));
}
