//! The lines: one thread each, which asks the devices and says what it is certain of.
//!
//! [`LinePlan`] is what a line needs of the site; [`spawn`] sets it to work. Everything that
//! reaches the daemon comes as [`LineOutput`]: readings, each a value or the reason why there is
//! none, about once a second a report on the line itself, and what was learned of its devices.
//! Without a daemon, a [`Visitor`] puts single questions. The standards are *MODBUS Application
//! Protocol Specification V1.1b3* and *MODBUS over Serial Line V1.02*; `docs/lines.md` tells the
//! whole.
//!
//! There is no function here that writes to a device, and none may be added.

mod adapter;
mod ask;
#[doc(hidden)]
pub mod bare;
mod channel;
mod device;
mod frame;
mod guard;
mod learned;
mod line;
mod load;
mod loan;
mod mbap;
mod mute;
mod owed;
mod pause;
pub mod plan;
mod port;
pub mod quantiles;
#[expect(unsafe_code, reason = "the only way to the kernel's RS-485 mode is a bare ioctl")]
mod rs485;
mod rtu;
pub mod schedule;
mod serial;
pub mod silence;
pub mod stats;
mod tap;
mod tcp;
#[cfg(test)]
mod tests;
pub mod timing;
mod turn;
mod visitor;
mod wire;

use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc::{self, Receiver, Sender};
use tokio_util::sync::CancellationToken;

pub use frame::{ANSWER_OVERHEAD_BYTES, crc_is_right};
pub use learned::Learned;
pub use load::{BlockLoad, DeviceLoad, LineLoad, load};
pub use loan::{Lent, LoanAsked};
pub use port::OpenError;
pub use tap::HEARD_BYTES_MAX;
pub use visitor::{Answered, Heard, Reply, VisitError, Visitor};

use crate::config::{DeviceSpec, LineSpec, Site};
use crate::moment::Clock;
use crate::monitor::LineReport;
use crate::signal::{DeviceIndex, LineIndex, Place, Reading, SignalIndex};

/// What a line needs to know of the site.
#[derive(Debug, Clone, PartialEq)]
pub struct LinePlan {
    /// Which line it is.
    pub line: LineIndex,
    /// How it is reached, and how patient it is.
    pub spec: LineSpec,
    /// The devices on it, in file order.
    pub devices: Vec<DevicePlan>,
}

/// One device on the line.
#[derive(Debug, Clone, PartialEq)]
pub struct DevicePlan {
    /// Which device it is.
    pub device: DeviceIndex,
    /// Its unit id and what it can bear.
    pub spec: DeviceSpec,
    /// What is wanted of it, in file order.
    pub signals: Vec<SignalPlan>,
    /// What was learned of it before.
    pub learned: Learned,
}

/// One value wanted of a device.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalPlan {
    /// Which signal it is.
    pub signal: SignalIndex,
    /// Where it lies in the device.
    pub place: Place,
    /// How often it is wanted.
    pub poll_every: Duration,
}

impl LinePlan {
    /// The plans of all lines of a site, in file order. Nothing has been learned of its devices.
    pub fn of(site: &Site) -> Vec<LinePlan> {
        let line_plan = |(index, spec): (usize, &LineSpec)| LinePlan {
            line: LineIndex(index),
            spec: spec.clone(),
            devices: devices_on(site, LineIndex(index)),
        };
        site.lines.iter().enumerate().map(line_plan).collect()
    }
}

fn devices_on(site: &Site, line: LineIndex) -> Vec<DevicePlan> {
    let on_it = site.devices.iter().enumerate().filter(|(_, device)| device.line == line);
    let device_plan = |(index, spec): (usize, &DeviceSpec)| DevicePlan {
        device: DeviceIndex(index),
        spec: spec.clone(),
        signals: spec.signals.iter().filter_map(|signal| signal_plan(site, *signal)).collect(),
        learned: Learned::default(),
    };
    on_it.map(device_plan).collect()
}

fn signal_plan(site: &Site, signal: SignalIndex) -> Option<SignalPlan> {
    let spec = site.signals.get(signal.0)?;
    Some(SignalPlan { signal, place: spec.place, poll_every: spec.poll_every })
}

/// What a line has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum LineOutput {
    /// The outcome of one question, for every signal it was asked for.
    Readings(Vec<Reading>),
    /// How the line and its devices fare.
    Report(Box<LineReport>),
    /// What has been learned of a device, when that has changed: to be put into its plan at the next
    /// start.
    Learned {
        /// Which device.
        device: DeviceIndex,
        /// All that has been learned of it.
        learned: Learned,
    },
}

/// Sets a line to work that is lent to nobody: see [`spawn_lending`].
///
/// # Errors
/// As there.
pub fn spawn(
    plan: LinePlan,
    clock: Clock,
    out: Sender<LineOutput>,
    stop: CancellationToken,
) -> std::io::Result<JoinHandle<()>> {
    spawn_lending(plan, clock, out, mpsc::channel(1).1, stop)
}

/// Sets a line to work on a thread of its own, named after it, with its own runtime: no other line
/// waits for this one's silences.
///
/// The thread ends within a second of `stop`, or once nobody receives `out` any more. Whoever asks for the
/// line through `loans` gets it.
///
/// # Errors
/// The operating system refuses the thread or the runtime. A port that cannot be opened is not an
/// error: the line says so in its reports and tries again.
pub fn spawn_lending(
    plan: LinePlan,
    clock: Clock,
    out: Sender<LineOutput>,
    loans: Receiver<LoanAsked>,
    stop: CancellationToken,
) -> std::io::Result<JoinHandle<()>> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let name = format!("line {}", plan.spec.id);
    std::thread::Builder::new().name(name).spawn(move || {
        runtime.block_on(line::run(plan, clock, out, loans, stop));
        runtime.shutdown_background();
    })
}
