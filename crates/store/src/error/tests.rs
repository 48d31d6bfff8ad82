//! Each kind of refusal by the system gets its own words. Permission bits do not bind the superuser, so the
//! mapping is tested from the error codes themselves.

use super::*;

#[test]
fn refusals_of_the_system_are_told_apart() {
    let path = Path::new("/srv/larkfield/larkfield.db");
    let failed = |kind: io::ErrorKind| from_io(path, kind.into());
    assert!(matches!(failed(io::ErrorKind::NotFound), StoreError::NoFolder { .. }));
    assert!(matches!(failed(io::ErrorKind::NotADirectory), StoreError::NoFolder { .. }));
    assert!(matches!(failed(io::ErrorKind::PermissionDenied), StoreError::Forbidden { .. }));
    assert!(matches!(failed(io::ErrorKind::ReadOnlyFilesystem), StoreError::Forbidden { .. }));
    assert!(matches!(failed(io::ErrorKind::StorageFull), StoreError::DiskFull { .. }));
    assert!(matches!(failed(io::ErrorKind::TimedOut), StoreError::Io { .. }));
}

#[test]
fn a_read_only_folder_is_told_with_file_folder_and_remedy() {
    let text = from_io(Path::new("/srv/larkfield/larkfield.db"), io::ErrorKind::ReadOnlyFilesystem.into())
        .to_string();
    assert!(text.contains("/srv/larkfield/larkfield.db"), "{text}");
    assert!(text.contains("folder /srv/larkfield must be writable"), "{text}");
    assert!(text.contains("choose another [log] path"), "{text}");
}

#[test]
fn a_bare_file_name_lies_in_the_current_folder() {
    assert_eq!(folder_of(Path::new("larkfield.db")), PathBuf::from("."));
}
