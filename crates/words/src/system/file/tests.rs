//! What is told of files that are not touched.

use std::path::PathBuf;

use hereabout_core::{FileKind, IoFault};

use super::*;

#[test]
fn each_fault_names_the_file_and_what_to_do() {
    let path = PathBuf::from("/logs/larkfield.db.lock");
    let of = FileOwner { uid: 1001, name: Some("larkfield".to_owned()) };
    let all = [
        FileFault::Link { path: path.clone() },
        FileFault::ForeignLink { path: path.clone(), owner: of.clone() },
        FileFault::NotPlain { path: path.clone(), kind: FileKind::Pipe },
        FileFault::Foreign { path: path.clone(), owner: of },
        FileFault::SecondName { path: path.clone() },
        FileFault::Open { path: path.clone() },
        FileFault::ComesAndGoes { path: path.clone() },
    ];
    let rows: Vec<Said> = all.iter().map(fault).collect();
    for said in &rows {
        assert!(said.words.contains("/logs/larkfield.db.lock"), "{}", said.words);
        assert!(!said.advice.is_empty() && !said.advice.ends_with('.'), "{}", said.advice);
    }
    let codes: Vec<&str> = rows.iter().map(|said| said.code).collect();
    assert_eq!(
        codes.join(" "),
        "link link_of_others not_plain file_of_others second_name open_to_others comes_and_goes"
    );
}

#[test]
fn what_the_system_refuses_has_our_words() {
    let refused =
        FileFault::Io { path: PathBuf::from("/logs"), fault: IoFault::from(std::io::ErrorKind::StorageFull) };
    assert_eq!(fault(&refused).line(), "/logs: the disk is full");
}

#[test]
fn an_owner_without_a_name_is_a_number() {
    assert_eq!(owner(&FileOwner { uid: 1001, name: Some("larkfield".to_owned()) }), "user larkfield (1001)");
    assert_eq!(owner(&FileOwner { uid: 1001, name: None }), "user 1001");
}
