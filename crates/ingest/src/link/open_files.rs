//! Whether the system gives out no more open files: then nothing is known of what was to be opened.

use hereabout_core::{IoFault, LinkReason};
use rustix::io::Errno;

/// The reason when `fault` says that no more files can be opened; whatever it was to open.
pub(crate) fn too_many_files(what: &impl ToString, fault: IoFault) -> Option<LinkReason> {
    let whole_system = match Errno::from_raw_os_error(fault.errno?) {
        Errno::MFILE => false,
        Errno::NFILE => true,
        _ => return None,
    };
    Some(LinkReason::TooManyFiles { what: what.to_string(), whole_system })
}

/// The same where a library has kept the error for itself: whether one more file can be opened tells.
pub(crate) fn no_file_left(what: &impl ToString) -> Option<LinkReason> {
    let error = std::fs::File::open("/dev/null").err()?;
    too_many_files(what, IoFault::from(&error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_many_open_files_are_told_apart_by_who_has_them() {
        let fault = |errno: Errno| IoFault::from(&std::io::Error::from(errno));
        // EMFILE and ENFILE: errno(3).
        for (errno, whole_system) in [(Errno::MFILE, false), (Errno::NFILE, true)] {
            let reason = too_many_files(&"10.0.0.5:7000", fault(errno));
            assert_eq!(reason, Some(LinkReason::TooManyFiles { what: "10.0.0.5:7000".into(), whole_system }));
        }
        assert_eq!(too_many_files(&"x", fault(Errno::HOSTUNREACH)), None);
        assert_eq!(no_file_left(&"x"), None, "there is one now");
    }
}
