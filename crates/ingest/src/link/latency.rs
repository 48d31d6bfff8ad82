//! The latency timer of USB serial adapters: for how long the adapter keeps bytes back in the hope of
//! more, before it hands them to this machine. It makes every frame that much older than its stamp, and
//! that can't be seen from the bytes.
//!
//! Rule, when it matters: above 2 ms and above a tenth of the time between two frames; while that time is
//! not known, above 16 ms, which is what adapters come with as a rule (common practice, no source).

use std::fs;
use std::path::Path;

use hereabout_core::Micros;

/// Up to here it never matters, milliseconds.
const NEVER_MS: u32 = 2;
/// Up to here it is not reported while the pace of the frames is unknown, milliseconds.
const USUAL_MS: u32 = 16;

/// The latency timer of the adapter behind `port` in milliseconds; `None` when the port is not there or
/// is no adapter with such a timer. `sys` is `/sys` but for tests.
pub fn latency_timer_ms(sys: &Path, port: &Path) -> Option<u32> {
    // A name under by-id is a link to the device of the day, and the timer goes by the device.
    let device = fs::canonicalize(port).ok()?;
    let adapter = sys.join("bus/usb-serial/devices").join(device.file_name()?);
    fs::read_to_string(adapter.join("latency_timer")).ok()?.trim().parse().ok()
}

/// Whether a timer of `latency_ms` makes frames older by a part that counts. `interval` is the time
/// between two frames, when that is known.
pub fn latency_matters(latency_ms: u32, interval: Option<Micros>) -> bool {
    match interval {
        Some(interval) => latency_ms > NEVER_MS && i64::from(latency_ms) * 10_000 > interval.micros().max(0),
        None => latency_ms > USUAL_MS,
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn the_timer_is_that_of_the_device_behind_the_link() {
        let machine = tempfile::tempdir().unwrap();
        let at = |name: &str| machine.path().join(name);
        fs::write(at("ttyUSB3"), "").unwrap();
        symlink(at("ttyUSB3"), at("by-id")).unwrap();
        assert_eq!(latency_timer_ms(&at("sys"), &at("by-id")), None, "no adapter");
        let adapter = at("sys/bus/usb-serial/devices/ttyUSB3");
        fs::create_dir_all(&adapter).unwrap();
        assert_eq!(latency_timer_ms(&at("sys"), &at("by-id")), None, "an adapter without a timer");
        fs::write(adapter.join("latency_timer"), "16\n").unwrap();
        assert_eq!(latency_timer_ms(&at("sys"), &at("by-id")), Some(16));
        assert_eq!(latency_timer_ms(&at("sys"), &at("ttyUSB3")), Some(16));
        assert_eq!(latency_timer_ms(&at("sys"), &at("ttyUSB4")), None, "no such port");
        fs::write(adapter.join("latency_timer"), "soon\n").unwrap();
        assert_eq!(latency_timer_ms(&at("sys"), &at("by-id")), None, "no number");
    }

    #[test]
    fn it_matters_above_a_tenth_of_the_interval_and_never_at_two_milliseconds() {
        let ms = |ms| Some(Micros::from_millis(ms));
        assert!(latency_matters(16, ms(100)) && latency_matters(11, ms(100)));
        assert!(!latency_matters(10, ms(100)) && !latency_matters(16, ms(160)));
        assert!(latency_matters(3, ms(25)) && !latency_matters(2, ms(5)) && !latency_matters(1, ms(1)));
        assert!(!latency_matters(16, None) && latency_matters(17, None));
    }
}
