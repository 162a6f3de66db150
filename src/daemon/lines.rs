//! The threads of the lines: each can be stopped and started anew while the others go on.

use std::path::PathBuf;
use std::thread::JoinHandle;

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::daemon::StartError;
use crate::daemon::loans::{LOANS_WAITING_MAX, Lenders};
use crate::modbus::{self, LineOutput, LinePlan};
use crate::moment::Clock;
use crate::signal::LineIndex;

/// The lines at work.
pub(super) struct Lines {
    /// The data directory, where what was learned of devices lies.
    pub(super) data: PathBuf,
    clock: Clock,
    /// To the monitor, which ends when nobody holds this any more.
    outputs: mpsc::Sender<LineOutput>,
    /// By whom the lines are asked for.
    lenders: Lenders,
    at_work: Vec<AtWork>,
}

struct AtWork {
    line: LineIndex,
    stop: CancellationToken,
    thread: JoinHandle<()>,
}

impl Lines {
    pub(super) fn new(
        data: PathBuf,
        clock: Clock,
        outputs: mpsc::Sender<LineOutput>,
        lenders: Lenders,
    ) -> Lines {
        Lines { data, clock, outputs, lenders, at_work: Vec::new() }
    }

    /// Sets a line to work.
    pub(super) fn start(&mut self, plan: LinePlan) -> Result<(), StartError> {
        let (line, what) = (plan.line, format!("line {}", plan.spec.id));
        let stop = CancellationToken::new();
        let (lender, loans) = mpsc::channel(LOANS_WAITING_MAX);
        let (clock, outputs) = (self.clock.clone(), self.outputs.clone());
        let thread = modbus::spawn_lending(plan, clock, outputs, loans, stop.clone());
        let thread = thread.map_err(|cause| StartError::Thread { what, cause })?;
        self.lenders.set(line, lender);
        self.at_work.push(AtWork { line, stop, thread });
        Ok(())
    }

    /// Stops these lines, and returns once they say nothing any more: within a second.
    pub(super) async fn stop(&mut self, lines: &[LineIndex]) {
        let stopped: Vec<AtWork> = self.at_work.extract_if(.., |it| lines.contains(&it.line)).collect();
        stopped.iter().for_each(|it| it.stop.cancel());
        let ended = move || stopped.into_iter().for_each(|it| drop(it.thread.join()));
        let _ = tokio::task::spawn_blocking(ended).await;
    }

    /// Stops all of them for good; their threads are to be joined.
    pub(super) fn end(self) -> Vec<JoinHandle<()>> {
        let Lines { at_work, outputs, .. } = self;
        drop(outputs);
        at_work.iter().for_each(|it| it.stop.cancel());
        at_work.into_iter().map(|it| it.thread).collect()
    }
}
