//! What the adapter behind a serial port costs, and what to do about it.
//!
//! Looks only at what the kernel tells of it. An adapter that cannot be looked at gets no hint.

use std::fs;
use std::path::Path;

/// Where the kernel tells of its terminals.
pub(super) const TERMINALS: &str = "/sys/class/tty";

/// The latency timer that costs least, in ms.
const LATENCY_TIMER_MS_MIN: u32 = 1;

/// Many USB adapters keep back what they have received until a buffer is full or a timer has run out,
/// 16 ms from the factory. Every answer ends with such a wait. `terminals` is [`TERMINALS`].
pub(super) fn latency_hint(path: &Path, terminals: &Path) -> Option<String> {
    let device = fs::canonicalize(path).ok()?;
    let file = terminals.join(device.file_name()?).join("device/latency_timer");
    let timer_ms: u32 = fs::read_to_string(&file).ok()?.trim().parse().ok()?;
    (timer_ms > LATENCY_TIMER_MS_MIN).then(|| {
        format!(
            "the USB adapter keeps back the end of every answer for up to {timer_ms} ms; \
             `echo {LATENCY_TIMER_MS_MIN} > {}` as root makes that {LATENCY_TIMER_MS_MIN} ms until it is \
             plugged in again, a udev rule for good",
            file.display()
        )
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::os::unix::fs::symlink;

    use super::*;

    /// A port with a stable name, and what the kernel tells of its latency timer.
    fn hint(timer: Option<&str>) -> Option<String> {
        let root = tempfile::tempdir().unwrap();
        let at = |path: &str| root.path().join(path);
        for folder in ["dev/serial/by-id", "sys/ttyUSB0/device"] {
            fs::create_dir_all(at(folder)).unwrap();
        }
        fs::write(at("dev/ttyUSB0"), "").unwrap();
        symlink("../../ttyUSB0", at("dev/serial/by-id/usb-adapter-if00-port0")).unwrap();
        if let Some(timer) = timer {
            fs::write(at("sys/ttyUSB0/device/latency_timer"), timer).unwrap();
        }
        latency_hint(&at("dev/serial/by-id/usb-adapter-if00-port0"), &at("sys"))
    }

    #[test]
    fn a_slow_latency_timer_is_told_with_its_cost_and_its_cure() {
        let told = hint(Some("16\n")).unwrap();
        assert!(told.contains("up to 16 ms; `echo 1 > ") && told.contains("/ttyUSB0/device/latency_timer`"));
    }

    #[test]
    fn nothing_is_told_of_a_fast_timer_or_none() {
        for timer in [Some("1\n"), Some("soon\n"), None] {
            assert_eq!(hint(timer), None, "{timer:?}");
        }
        assert_eq!(latency_hint(Path::new("/dev/no-such-port"), Path::new(TERMINALS)), None);
    }
}
