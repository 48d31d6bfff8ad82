//! Each kind of refusal by the system gets its own words. Permission bits do not bind the superuser, so the
//! mapping is tested from the error codes themselves.

use super::*;
use hereabout_core::LogFault;

#[test]
fn refusals_of_the_system_are_told_apart() {
    let path = Path::new("/srv/larkfield/larkfield.db");
    let failed = |kind: io::ErrorKind| from_io(path, kind.into());
    assert!(matches!(failed(io::ErrorKind::NotFound), LogFault::NoFolder { .. }));
    assert!(matches!(failed(io::ErrorKind::NotADirectory), LogFault::NoFolder { .. }));
    assert!(matches!(failed(io::ErrorKind::PermissionDenied), LogFault::Forbidden { .. }));
    assert!(matches!(failed(io::ErrorKind::ReadOnlyFilesystem), LogFault::Forbidden { .. }));
    assert!(matches!(failed(io::ErrorKind::StorageFull), LogFault::DiskFull { .. }));
    assert!(matches!(failed(io::ErrorKind::TimedOut), LogFault::Io { .. }));
}

#[test]
fn a_read_only_folder_is_told_with_file_folder_and_remedy() {
    let fault = from_io(Path::new("/srv/larkfield/larkfield.db"), io::ErrorKind::ReadOnlyFilesystem.into());
    let text = hereabout_words::log::fault(&fault).line();
    assert!(text.contains("/srv/larkfield/larkfield.db"), "{text}");
    assert!(text.contains("folder /srv/larkfield must be writable"), "{text}");
    assert!(text.contains("choose another [log] path"), "{text}");
}

#[test]
fn a_bare_file_name_lies_in_the_current_folder() {
    assert_eq!(folder_of(Path::new("larkfield.db")), PathBuf::from("."));
}
