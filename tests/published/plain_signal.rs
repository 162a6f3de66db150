//! A signal with nothing asked of it, for checks that add the one thing they are about.

use siskin::moment::{Moment, Mono};
use siskin::signal::{DeviceIndex, Place, Raw, Sample, SignalSpec, Table, ValueType, assess};

/// A binary32 in two input registers, in ppmv, once a second.
pub fn plain_signal() -> SignalSpec {
    let place = Place::new(Table::Input, 0, ValueType::F32);
    let unit = Some("ppmv".to_owned());
    SignalSpec { unit, ..SignalSpec::new("h2s-1.concentration", DeviceIndex(0), place) }
}

/// What becomes of a raw number.
pub fn sample(spec: &SignalSpec, raw: f64) -> Sample {
    let (value, reasons) = assess(spec, Raw::Number(raw));
    Sample::new(value, reasons, Moment { mono: Mono::ZERO, wall: jiff::Timestamp::UNIX_EPOCH })
}
