//! A signal: one value of one device, and how well it is known.
//!
//! This folder turns register words into a number or a flag ([`decode`]), scales it ([`scale`]),
//! and judges it ([`assess`]): the outcome is a [`Sample`] with a [`Quality`] and its reasons.
//! It knows no file, no clock and no runtime. Where a signal lies on the wire is a [`Place`];
//! what may be asked of its neighbours before it counts as a measurement is a [`Guard`].

mod assess;
mod decode;
mod place;
mod quality;
mod reading;
mod sample;
mod scale;
mod spec;

pub use assess::assess;
pub use decode::{Answer, decode};
pub use place::{Order, Place, Table, ValueType};
pub use quality::{Condition, Quality, Reason, Reasons};
pub use reading::{Raw, ReadFault, Reading};
pub use sample::{BadValue, Sample, Value};
pub use scale::{CurrentLoop, LoopBand, Scale};
pub(crate) use spec::code_as_number;
pub use spec::{DeviceIndex, Guard, GuardTest, LineIndex, Range, SignalIndex, SignalSpec, States, device_id};
