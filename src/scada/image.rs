//! Everything known, as registers and bits: one immutable value, replaced as a whole. What one request
//! reads comes out of one image, so that it belongs together.
//!
//! It is made of the same [`Status`] that JSON tells, so that no two faces can disagree.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::watch;

use crate::daemon::Handle;
use crate::moment::Mono;
use crate::monitor::Snapshot;
use crate::scada::layout::{self, ALARM_BITS_EACH, Field, Form, List, SITE_REGISTERS};
use crate::scada::{Numbers, codes};
use crate::signal::{BadValue, Quality, Reason, Reasons};
use crate::view::{Alarm, AlarmState, Elapsed, LineState, Signal, Status, Value};

/// An image of the same snapshot is made anew after this long, as what it tells grows older.
const SAME_SNAPSHOT_MAX: Duration = Duration::from_millis(500);

/// Everything known, as registers and bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Image {
    stretches: Vec<Stretch>,
    bits: Vec<bool>,
}

/// Registers without a gap.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Stretch {
    start: u16,
    registers: Vec<u16>,
}

impl Image {
    /// What `status` tells. `heartbeat` counts; `healthy` says whether the daemon keeps its promises.
    fn of(status: &Status, heartbeat: u16, healthy: bool, numbers: &Numbers, bad_value: BadValue) -> Image {
        let mut site = Stretch::new(0, SITE_REGISTERS);
        tell_site(&mut site, status, numbers);
        site.put(0, layout::SITE_HEARTBEAT, heartbeat.into());
        site.put(
            0,
            layout::SITE_HEALTH,
            if status.stale {
                3
            } else if healthy {
                1
            } else {
                2
            },
        );
        site.put(0, layout::SITE_BAD_VALUE, codes::bad_value(bad_value).into());

        let mut lines = Stretch::of_list(List::Lines, numbers);
        for line in &status.lines {
            let state = line.state.filter(|_| !status.stale);
            lines.put_item(List::Lines, numbers, &line.id, |put| put(layout::LINE_STATE, line_code(state)));
        }
        let mut devices = Stretch::of_list(List::Devices, numbers);
        for device in &status.devices {
            let code = codes::device_state(device.state.0).into();
            devices.put_item(List::Devices, numbers, &device.id, |put| put(layout::DEVICE_STATE, code));
        }
        let mut signals = Stretch::of_list(List::Signals, numbers);
        for number in 0..numbers.next(List::Signals) {
            tell_nothing(&mut signals, List::Signals.registers() * number);
        }
        for signal in &status.signals {
            signals.put_item(List::Signals, numbers, &signal.id, |put| tell_signal(signal, bad_value, put));
        }
        let mut alarms = Stretch::of_list(List::Alarms, numbers);
        let mut bits = vec![false; usize::from(numbers.next(List::Alarms)) * usize::from(ALARM_BITS_EACH)];
        for alarm in &status.alarms {
            let packed = alarm_bits(alarm);
            alarms.put_item(List::Alarms, numbers, &alarm.id, |put| {
                put(layout::ALARM_STATE, codes::alarm_state(alarm.state.0).into());
                put(layout::ALARM_BITS, packed.into());
            });
            let number = numbers.of(List::Alarms, &alarm.id).map(usize::from);
            let each = usize::from(ALARM_BITS_EACH);
            let place = number.and_then(|number| bits.get_mut(number * each..(number + 1) * each));
            for (bit, place) in place.into_iter().flatten().enumerate() {
                *place = packed >> bit & 1 == 1;
            }
        }
        Image { stretches: vec![site, lines, devices, signals, alarms], bits }
    }

    /// The registers from `address` on; `None` when one of them is not there.
    pub(super) fn registers(&self, address: u16, quantity: u16) -> Option<&[u16]> {
        let stretch = self.stretches.iter().rev().find(|stretch| stretch.start <= address)?;
        part(&stretch.registers, address - stretch.start, quantity)
    }

    /// The bits from `address` on; `None` when one of them is not there.
    pub(super) fn bits(&self, address: u16, quantity: u16) -> Option<&[bool]> {
        part(&self.bits, address, quantity)
    }
}

#[cfg(test)]
impl Image {
    /// An image of these registers alone.
    pub(super) fn of_registers(start: u16, registers: Vec<u16>) -> Image {
        Image { stretches: vec![Stretch { start, registers }], bits: Vec::new() }
    }

    /// An image of these bits alone, from address 0 on.
    pub(super) fn of_bits(bits: Vec<bool>) -> Image {
        Image { stretches: Vec::new(), bits }
    }
}

fn part<T>(all: &[T], from: u16, quantity: u16) -> Option<&[T]> {
    let from = usize::from(from);
    all.get(from..from + usize::from(quantity))
}

impl Stretch {
    fn new(start: u16, registers: u16) -> Stretch {
        Stretch { start, registers: vec![0; registers.into()] }
    }

    /// As many registers as numbers of `list` have been given, all 0.
    fn of_list(list: List, numbers: &Numbers) -> Stretch {
        Stretch::new(list.start(), numbers.next(list) * list.registers())
    }

    /// Lets `tell` fill the registers of the item `id` of `list`.
    fn put_item(
        &mut self,
        list: List,
        numbers: &Numbers,
        id: &str,
        tell: impl FnOnce(&mut dyn FnMut(Field, u32)),
    ) {
        if let Some(number) = numbers.of(list, id) {
            tell(&mut |field, bits| self.put(number * list.registers(), field, bits));
        }
    }

    /// Writes `bits` where `field` stands in what begins at the register `begin` of this stretch.
    fn put(&mut self, begin: u16, field: Field, bits: u32) {
        let [high_1, high_2, low_1, low_2] = bits.to_be_bytes();
        let words = [u16::from_be_bytes([high_1, high_2]), u16::from_be_bytes([low_1, low_2])];
        let words = match field.form {
            Form::U16 => &words[1..],
            Form::U32 | Form::F32 => &words[..],
        };
        let at = usize::from(begin + field.offset);
        if let Some(place) = self.registers.get_mut(at..at + words.len()) {
            place.copy_from_slice(words);
        }
    }
}

fn tell_site(site: &mut Stretch, status: &Status, numbers: &Numbers) {
    let count = |count: usize| u16::try_from(count).unwrap_or(u16::MAX).into();
    let Status { gas, summary, .. } = status;
    let seconds = u32::try_from(status.time.0.as_second()).unwrap_or(0);
    let [_, _, _, _, low @ ..] = status.seq.to_be_bytes();
    for (field, bits) in [
        (layout::SITE_LAYOUT, layout::LAYOUT.into()),
        (layout::SITE_REVISION, numbers.revision().into()),
        (layout::SITE_AGE_S, whole_seconds(Some(status.age_s)).into()),
        (layout::SITE_SEQUENCE, u32::from_be_bytes(low)),
        (layout::SITE_TIME, seconds),
        (layout::SITE_GAS, codes::verdict(gas.verdict).into()),
        (layout::SITE_LIMITS_OUTSIDE, count(gas.outside.len())),
        (layout::SITE_LIMITS_NOT_KNOWN, count(gas.not_known.len())),
        (layout::SITE_ALARMS_ACTIVE, count(summary.alarms_active)),
        (layout::SITE_ALARMS_UNACKNOWLEDGED, count(summary.alarms_unacknowledged)),
        (layout::SITE_ALARMS_INDETERMINATE, count(summary.alarms_indeterminate)),
        (layout::SITE_ALARMS_WITHHELD, count(summary.alarms_withheld)),
        (layout::SITE_SIGNALS_GOOD, count(summary.signals_good)),
        (layout::SITE_SIGNALS_UNCERTAIN, count(summary.signals_uncertain)),
        (layout::SITE_SIGNALS_BAD, count(summary.signals_bad)),
    ] {
        site.put(0, field, bits);
    }
}

fn line_code(state: Option<LineState>) -> u32 {
    codes::line_state(state).into()
}

/// What a number says that no signal has any more: not a number, quality 0, never read.
fn tell_nothing(signals: &mut Stretch, begin: u16) {
    signals.put(begin, layout::SIGNAL_VALUE, f32::NAN.to_bits());
    signals.put(begin, layout::SIGNAL_CONDITION, 255);
    signals.put(begin, layout::SIGNAL_AGE_S, u16::MAX.into());
}

fn tell_signal(signal: &Signal, bad_value: BadValue, put: &mut dyn FnMut(Field, u32)) {
    let mut quality = signal.quality.0;
    let mut reasons: Reasons = signal.reasons.iter().map(|reason| reason.0).collect();
    let value = match signal.value.map(as_f32) {
        Some(value) if value.is_finite() => value,
        beyond => {
            if beyond.is_some() {
                // A number that a binary32 cannot hold is not told as a good one.
                quality = Quality::Bad;
                reasons.insert(Reason::InvalidNumber);
            }
            stand_in(bad_value, signal)
        }
    };
    let condition = codes::condition(signal.condition.map(|condition| condition.0), quality);
    put(layout::SIGNAL_VALUE, value.to_bits());
    put(layout::SIGNAL_QUALITY, codes::quality(quality).into());
    put(layout::SIGNAL_CONDITION, condition.into());
    put(layout::SIGNAL_AGE_S, whole_seconds(signal.age_s).into());
    put(layout::SIGNAL_REASONS, reasons.bits());
}

fn stand_in(bad_value: BadValue, signal: &Signal) -> f32 {
    match bad_value {
        BadValue::Nan => f32::NAN,
        BadValue::LastGood => signal
            .last_good
            .map(|last_good| as_f32(last_good.value))
            .filter(|value| value.is_finite())
            .unwrap_or(f32::NAN),
        BadValue::Fixed(number) => nearest_f32(number),
    }
}

fn as_f32(value: Value) -> f32 {
    match value {
        Value::Number(number) => nearest_f32(number),
        Value::Flag(flag) => f32::from(u8::from(flag)),
    }
}

#[expect(clippy::as_conversions, reason = "rounding is what is asked for")]
const fn nearest_f32(number: f64) -> f32 {
    number as f32
}

/// Seconds, at most 65535; 65535 too when there is nothing to count from.
fn whole_seconds(elapsed: Option<Elapsed>) -> u16 {
    elapsed.and_then(|elapsed| u16::try_from(elapsed.0.as_secs()).ok()).unwrap_or(u16::MAX)
}

/// The packed bits of an alarm, in the order of [`layout::ALARM_BIT_NAMES`].
fn alarm_bits(alarm: &Alarm) -> u16 {
    use crate::alarm::Withheld;
    let bits = [
        alarm.active == Some(true),
        alarm.state.is_unacknowledged(),
        alarm.latched,
        alarm.state.0 == AlarmState::Withheld(Withheld::Shelved),
        alarm.state.0 == AlarmState::Withheld(Withheld::Suppressed),
        alarm.state.0 == AlarmState::Withheld(Withheld::OutOfService),
        alarm.active.is_none(),
    ];
    bits.iter().rev().fold(0, |packed, bit| packed << 1 | u16::from(*bit))
}

/// Where the server gets its images: made when somebody asks, and at most once for each snapshot and
/// [`SAME_SNAPSHOT_MAX`], however many ask.
pub(super) struct Images {
    handle: Handle,
    numbers: watch::Receiver<Numbers>,
    bad_value: BadValue,
    last: Mutex<Option<Made>>,
}

struct Made {
    snapshot: Arc<Snapshot>,
    at: Mono,
    image: Arc<Image>,
}

impl Images {
    pub(super) fn new(handle: Handle, numbers: watch::Receiver<Numbers>, bad_value: BadValue) -> Images {
        Images { handle, numbers, bad_value, last: Mutex::new(None) }
    }

    /// Everything known now.
    pub(super) fn now(&self) -> Arc<Image> {
        let (snapshot, now) = (self.handle.snapshot(), self.handle.now());
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(made) = &*last
            && Arc::ptr_eq(&made.snapshot, &snapshot)
            && now.mono.since(made.at) < SAME_SNAPSHOT_MAX
        {
            return Arc::clone(&made.image);
        }
        let status = Status::of(&snapshot, now);
        let healthy = self.handle.health().reasons(now.mono).is_empty();
        let image = Image::of(&status, heartbeat(&snapshot), healthy, &self.numbers.borrow(), self.bad_value);
        let image = Arc::new(image);
        *last = Some(Made { snapshot, at: now.mono, image: Arc::clone(&image) });
        image
    }
}

/// Counts the seconds of the daemon at which something was last known, so that it stands still when
/// the monitor does.
fn heartbeat(snapshot: &Snapshot) -> u16 {
    let seconds = snapshot.at.mono.since_start().as_secs();
    let [.., high, low] = seconds.to_be_bytes();
    u16::from_be_bytes([high, low])
}
