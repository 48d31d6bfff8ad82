//! Tests of `wall_clock`.

use super::*;

#[test]
fn no_service_is_no_answer() {
    let folder = tempfile::tempdir().unwrap();
    let service = folder.path().join("timesync");
    assert_eq!(by_mark(&service), None);
    std::fs::create_dir(&service).unwrap();
    assert_eq!(by_mark(&service), Some(false));
    std::fs::write(service.join(MARK), "").unwrap();
    assert_eq!(by_mark(&service), Some(true));
}

#[test]
fn only_yes_and_no_are_answers() {
    assert_eq!(parse("yes\n"), Some(true));
    assert_eq!(parse("no\n"), Some(false));
    assert_eq!(parse("Failed to connect to bus"), None);
    assert_eq!(parse(""), None);
}
