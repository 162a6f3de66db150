//! The technician's room: what is made of single answers, by a person at the analyzer.
//!
//! Nothing here asks a device, opens a port or knows a terminal; that is for [`crate::modbus::Visitor`]
//! and the commands. Here is what decides: in which order a line is [swept](sweep) for devices and how
//! long to wait for each, what registers may [mean](meaning), how far a reading lies from a [reference],
//! and what is probably wrong with a line ([`diagnosis::diagnose`], from [`evidence`]).

pub mod diagnosis;
pub mod evidence;
pub mod finding;
pub mod format;
pub mod meaning;
pub mod order;
pub mod reference;
pub mod sweep;
