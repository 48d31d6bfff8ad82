//! Names of files that belong to each other, and whether two names mean one file.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// The calibration file that belongs to a site file.
pub fn calibration_beside(site: &Path) -> PathBuf {
    site.parent().unwrap_or(Path::new("")).join("calibration.toml")
}

/// Whether two names lead to one file.
pub fn is_same_file(a: &Path, b: &Path) -> bool {
    let (Ok(a), Ok(b)) = (fs::metadata(a), fs::metadata(b)) else { return false };
    (a.dev(), a.ino()) == (b.dev(), b.ino())
}
