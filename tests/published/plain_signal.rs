//! A signal with nothing asked of it, for checks that add the one thing they are about.

use siskin::moment::{Moment, Mono};
use siskin::signal::{DeviceIndex, Order, Place, Raw, Sample, SignalSpec, States, Table, ValueType, assess};
use std::time::Duration;

/// A binary32 in two input registers, in ppmv, once a second.
pub fn plain_signal() -> SignalSpec {
    SignalSpec {
        id: "h2s-1.concentration".to_owned(),
        name: None,
        tag: None,
        device: DeviceIndex(0),
        place: Place {
            table: Table::Input,
            address: 0,
            bit: None,
            value_type: ValueType::F32,
            word_order: Order::HighFirst,
            byte_order: Order::HighFirst,
        },
        current: None,
        scale: None,
        states: States::default(),
        unit: Some("ppmv".to_owned()),
        range: None,
        valid_when: Vec::new(),
        settle: Duration::ZERO,
        poll_every: Duration::from_secs(1),
        stale_after: Duration::from_secs(5),
    }
}

/// What becomes of a raw number.
pub fn sample(spec: &SignalSpec, raw: f64) -> Sample {
    let (value, reasons) = assess(spec, Raw::Number(raw));
    Sample::new(value, reasons, Moment { mono: Mono::ZERO, wall: jiff::Timestamp::UNIX_EPOCH })
}
