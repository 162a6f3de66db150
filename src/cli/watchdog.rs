//! The service supervisor's watchdog, fed only while the monitor and every line make progress.
//!
//! The protocol is `sd_watchdog_enabled(3)`: `WATCHDOG_USEC` says within how many microseconds the
//! supervisor wants to hear of the daemon, `WATCHDOG_PID`, if it is there, whom that is meant for. When it
//! hears nothing in that time it starts the daemon anew. A record that cannot be written starves nobody:
//! polling and alarming go on, and `/health` tells.

use std::env;
use std::ffi::OsString;
use std::time::Duration;

use tokio::task::JoinHandle;

use crate::cli::service_notice::{Notice, tell};
use crate::daemon::Handle;

/// Feeds the watchdog, if there is one, until the task is aborted.
pub fn feed(handle: Handle) -> JoinHandle<()> {
    tokio::spawn(async move {
        let Some(within) = wanted(env::var_os("WATCHDOG_USEC"), env::var_os("WATCHDOG_PID")) else { return };
        let mut fed = true;
        loop {
            let (now, health) = (handle.now().mono, handle.health());
            if health.progresses(now) {
                tell(Notice::Alive);
            } else if fed {
                tracing::error!("the watchdog is not fed any more: {}", health.reasons(now).join("; "));
            }
            fed = health.progresses(now);
            tokio::time::sleep(within / 2).await;
        }
    })
}

/// Within what time the supervisor wants to hear of this process; `None` when it does not.
fn wanted(usec: Option<OsString>, pid: Option<OsString>) -> Option<Duration> {
    let meant = pid.is_none_or(|pid| pid.to_str() == Some(std::process::id().to_string().as_str()));
    let usec: u64 = usec?.to_str()?.parse().ok()?;
    (meant && usec > 0).then(|| Duration::from_micros(usec))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_watchdog_that_is_meant_for_another_process_or_for_none_is_not_fed() {
        let own = std::process::id().to_string();
        for (usec, pid, expected) in [
            (None, None, None),
            (Some("30000000"), None, Some(Duration::from_secs(30))),
            (Some("30000000"), Some(own.as_str()), Some(Duration::from_secs(30))),
            (Some("30000000"), Some("1"), None),
            (Some("0"), None, None),
            (Some("soon"), None, None),
        ] {
            let told = wanted(usec.map(OsString::from), pid.map(OsString::from));
            assert_eq!(told, expected, "{usec:?} {pid:?}");
        }
    }
}
