//! Ctrl-C for commands that have something to put in order before they end; and a terminal that is lost, as
//! when a connection from elsewhere breaks.

use std::sync::mpsc::{Receiver, channel};

use tokio::signal::unix::{SignalKind, signal};

use crate::cli::CliError;

/// Gives one message at SIGINT, SIGTERM or SIGHUP, heard from now on.
pub fn stop_signals() -> Result<Receiver<()>, CliError> {
    let failed = |error| CliError::Unreachable(format!("cannot listen for Ctrl-C: {error}"));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(failed)?;
    let entered = runtime.enter();
    let mut interrupt = signal(SignalKind::interrupt()).map_err(failed)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(failed)?;
    let mut hangup = signal(SignalKind::hangup()).map_err(failed)?;
    drop(entered);
    let (tell, told) = channel();
    std::thread::spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hangup.recv() => {}
            }
        });
        // Nobody listens any more when the command has ended by itself.
        let _ = tell.send(());
    });
    Ok(told)
}
