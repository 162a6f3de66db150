//! The life of one line: open the port, ask what is due, say what came back, until told to stop.

use std::time::Duration;

use tokio::sync::mpsc::Sender;
use tokio_util::sync::CancellationToken;

use crate::modbus::{LineOutput, LinePlan};
use crate::moment::Clock;
use crate::monitor::{Counters, DeviceReport, DeviceState, LineReport, LineState};

/// How often a line reports on itself when nothing changes.
const REPORT_EVERY: Duration = Duration::from_secs(1);

/// Runs the line until `stop`, or until nobody listens any more.
pub(super) async fn run(plan: LinePlan, _clock: Clock, out: Sender<LineOutput>, stop: CancellationToken) {
    loop {
        if out.send(LineOutput::Report(report(&plan))).await.is_err() {
            return;
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(REPORT_EVERY) => {}
        }
    }
}

fn report(plan: &LinePlan) -> LineReport {
    let devices = plan.devices.iter().map(|device| DeviceReport {
        device: device.device,
        state: DeviceState::Unknown,
        last_response: None,
        response_median: None,
        refused: Vec::new(),
        counters: Counters::default(),
    });
    LineReport {
        line: plan.line,
        state: LineState::Down("not opened yet".to_owned()),
        load: 0.0,
        demand: 0.0,
        noisy: false,
        counters: Counters::default(),
        devices: devices.collect(),
    }
}
