//! Who has a serial port open: the links under `/proc/PID/fd`, as far as this user may read them.
//!
//! A process of another user keeps its links to itself, and that is the usual case for a service of the
//! operating system. So a modem-probing service that runs and can't be looked into is named as a
//! guess, and reported as one.

use std::fs;
use std::path::Path;

use hereabout_core::Holder;

/// What one process shows.
struct Process {
    pid: u32,
    name: String,
    grip: Grip,
}

/// How a process holds the port. Those that rather explain a port in use come first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Grip {
    /// Open and locked.
    Locked,
    /// Open.
    Open,
    /// Its links can't be read.
    Unknown,
    /// Not open.
    None,
}

/// The process that holds `port`, or a link to it. `proc` is `/proc` but for tests.
///
/// Of several that have it open the one with a lock is named, then a service that probes for modems.
/// Looks through all processes, which takes some milliseconds.
pub(crate) fn find(proc: &Path, port: &Path) -> Option<Holder> {
    let device = fs::canonicalize(port).ok()?;
    let entries = fs::read_dir(proc).ok()?.filter_map(Result::ok);
    let processes = entries.filter_map(|entry| process(&entry.path(), &device));
    let holder = |p: Process| {
        let seen = p.grip < Grip::Unknown;
        let holder = Holder { pid: p.pid, name: p.name, seen };
        let named = seen || (p.grip == Grip::Unknown && holder.probes_modems());
        named.then_some((p.grip, !holder.probes_modems(), p.pid, holder))
    };
    let found = processes.filter_map(holder).min_by_key(|(grip, other, pid, _)| (*grip, *other, *pid))?;
    Some(found.3)
}

fn process(folder: &Path, device: &Path) -> Option<Process> {
    let pid = folder.file_name()?.to_str()?.parse().ok()?;
    // It may have ended meanwhile.
    let name = fs::read_to_string(folder.join("comm")).ok()?;
    let name = name.trim_end_matches('\n').replace(char::is_control, "?");
    Some(Process { pid, name, grip: grip(folder, device) })
}

fn grip(folder: &Path, device: &Path) -> Grip {
    let Ok(links) = fs::read_dir(folder.join("fd")) else { return Grip::Unknown };
    let open = links.filter_map(Result::ok).filter(|l| fs::read_link(l.path()).is_ok_and(|to| to == device));
    // The kernel lists the locks of an open file beside its position.
    let is_locked = |number: &std::ffi::OsStr| {
        fs::read_to_string(folder.join("fdinfo").join(number)).is_ok_and(|info| info.contains("FLOCK"))
    };
    open.map(|link| if is_locked(&link.file_name()) { Grip::Locked } else { Grip::Open })
        .min()
        .unwrap_or(Grip::None)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    /// A folder like `/proc`, and a port in it.
    struct Machine(tempfile::TempDir);

    impl Machine {
        fn new() -> Machine {
            let machine = Machine(tempfile::tempdir().unwrap());
            fs::create_dir(machine.at("proc")).unwrap();
            fs::write(machine.at("ttyUSB0"), "").unwrap();
            symlink(machine.at("ttyUSB0"), machine.at("by-id")).unwrap();
            machine
        }

        fn at(&self, name: &str) -> std::path::PathBuf {
            // The temporary folder may itself lie behind a link.
            self.0.path().canonicalize().unwrap().join(name)
        }

        /// A process with these links; `None`: they can't be read.
        fn process(&self, pid: u32, name: &str, links: Option<&[&str]>, locked: bool) {
            let folder = self.at("proc").join(pid.to_string());
            fs::create_dir_all(folder.join("fdinfo")).unwrap();
            fs::write(folder.join("comm"), format!("{name}\n")).unwrap();
            let Some(links) = links else { return };
            fs::create_dir(folder.join("fd")).unwrap();
            for (k, to) in links.iter().enumerate() {
                symlink(self.at(to), folder.join("fd").join(k.to_string())).unwrap();
                let lock = if locked { "lock:\t1: FLOCK  ADVISORY  WRITE 7 00:18:9 0 EOF\n" } else { "" };
                fs::write(folder.join("fdinfo").join(k.to_string()), format!("pos:\t0\n{lock}")).unwrap();
            }
        }

        fn holder(&self) -> Option<Holder> {
            find(&self.at("proc"), &self.at("by-id"))
        }
    }

    fn named(pid: u32, name: &str, seen: bool) -> Option<Holder> {
        Some(Holder { pid, name: name.into(), seen })
    }

    #[test]
    fn the_process_with_the_device_behind_the_link_is_named() {
        let machine = Machine::new();
        fs::create_dir(machine.at("proc/sys")).unwrap();
        machine.process(1, "init", None, false);
        machine.process(40, "shell", Some(&["ttyUSB1", "null"]), true);
        assert_eq!(machine.holder(), None);
        machine.process(41, "term\u{1b}[2J", Some(&["null", "ttyUSB0"]), false);
        assert_eq!(machine.holder(), named(41, "term?[2J", true));
        // Nothing at the path: nobody holds it.
        assert_eq!(find(&machine.at("proc"), &machine.at("ttyUSB7")), None);
    }

    #[test]
    fn of_several_the_one_with_the_lock_is_named_then_the_modem_service() {
        let machine = Machine::new();
        machine.process(41, "cat", Some(&["ttyUSB0"]), false);
        machine.process(90, "ModemManager", Some(&["ttyUSB0"]), false);
        assert_eq!(machine.holder(), named(90, "ModemManager", true));
        machine.process(95, "gateway", Some(&["null", "ttyUSB0"]), true);
        assert_eq!(machine.holder(), named(95, "gateway", true));
    }

    #[test]
    fn a_modem_service_that_hides_its_links_is_a_guess_and_one_that_shows_them_is_not() {
        let machine = Machine::new();
        machine.process(7, "sshd", None, false);
        machine.process(90, "ModemManager", Some(&["null"]), false);
        assert_eq!(machine.holder(), None);
        machine.process(91, "ModemManager", None, false);
        let guess = machine.holder();
        assert_eq!(guess, named(91, "ModemManager", false));
        assert!(guess.unwrap().probes_modems());
        machine.process(99, "cat", Some(&["ttyUSB0"]), false);
        assert_eq!(machine.holder(), named(99, "cat", true));
    }
}
