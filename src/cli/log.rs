//! The daemon's log: on standard error, as much as `SISKIN_LOG` asks for (`info` when it does not).
//!
//! The log is for whoever keeps the daemon running. What happened to the gas is in the journal.

use tracing_subscriber::EnvFilter;

/// Begins to log. Under systemd, which stamps every line itself, without times.
pub fn start() {
    let wanted = EnvFilter::builder()
        .with_default_directive(tracing::level_filters::LevelFilter::INFO.into())
        .with_env_var("SISKIN_LOG")
        .from_env_lossy();
    let log = tracing_subscriber::fmt()
        .with_env_filter(wanted)
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .with_target(false);
    // A log that has begun already goes on as it is.
    let _ = match std::env::var_os("JOURNAL_STREAM") {
        Some(_) => log.without_time().try_init(),
        None => log.try_init(),
    };
}
