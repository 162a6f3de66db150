//! Simulated analyzers that answer real frames on real pseudo-terminals and sockets.
//!
//! The devices' side of Modbus, written from the standards and apart from the polling side: no code
//! is shared with [`crate::modbus`], so each is a witness against the other. The core is pure; the
//! time comes in, chance comes from a seed, and every fault can be had again:
//!
//! ```text
//! bytes ─▶ wire (rtu, tcp) ─▶ line: devices, fault plan ─▶ memory ─▶ answer ─▶ wire ─▶ bytes, each at its time
//!                                        ▲ process: what each signal is worth now
//! ```
//!
//! [`Bus`] puts a [`Line`] on a pseudo-terminal or a TCP port. [`Stage`] does so for a whole site, and
//! plays a [`Scenario`] on it; [`Twin`] is the site file that leads there. All of it plays devices for proving and
//! showing; it measures nothing, and nothing may be concluded from it about the air in a room.

mod bus;
mod encode;
mod fault;
mod frame;
mod home;
mod line;
mod memory;
mod process;
mod pty;
mod random;
#[cfg(test)]
mod rig;
mod rtu;
mod scenario;
mod stage;
mod tcp;
mod twin;
mod uart;

pub use bus::{Bus, BusError, BusFraming, BusPort, Wire};
pub use fault::{Fault, Rule};
pub use frame::Pace;
pub use line::{Answer, Counts, Device, Line, Point};
pub use memory::Memory;
pub use process::{Motion, Process};
pub use random::Random;
pub use rtu::{Asker, RtuWire};
pub use scenario::{Move, Problem as ScenarioProblem, Scenario, ScenarioError, Step};
pub use stage::{Stage, StageOptions};
pub use tcp::TcpWire;
pub use twin::Twin;
