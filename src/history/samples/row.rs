//! One row: the samples of one signal in one minute, packed and unpacked.
//!
//! Values are kept as offsets from the least key of the row, all in the same number of bits; times as
//! deviations from an even pace, likewise; why samples are not good as runs of equal reasons. What is
//! packed is unpacked to the same samples, to the millisecond and the last bit. How rows lie in SQLite
//! is not known here; `docs/history.md` tells the same to people.

use std::iter;

use crate::history::samples::bits::{WHOLE_BITS, bits_each, bits_for, number_at, pack};
use crate::history::samples::coding::{Coding, as_number};
use crate::history::samples::held::MINUTE_MS;
use crate::signal::{Quality, Reason, Reasons, Value};

/// One sample, as it is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) at_ms: i64,
    pub(super) value: Option<Value>,
    pub(super) reasons: Reasons,
}

/// A row, packed.
#[derive(Debug, PartialEq)]
pub(super) struct Packed {
    pub(super) coding: Coding,
    /// The keys of the least and the greatest measured value.
    pub(super) extremes: Option<(i64, i64)>,
    /// The key from which offsets count.
    pub(super) base: i64,
    /// First time, pace, and deviations from it.
    pub(super) times: Vec<u8>,
    /// Where which reasons begin to hold. Empty: all samples are good.
    pub(super) runs: Vec<u8>,
    /// One for each sample, 0 where there is no value.
    pub(super) offsets: Vec<u8>,
}

/// A row as it lies in the file, to be unpacked.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row<'a> {
    pub(super) minute: i64,
    pub(super) samples: usize,
    pub(super) coding: Coding,
    pub(super) base: i64,
    pub(super) times: &'a [u8],
    pub(super) runs: &'a [u8],
    pub(super) offsets: &'a [u8],
}

/// What lies in the file is no row.
#[derive(Debug, thiserror::Error)]
#[error("a row of samples does not fit together")]
pub(super) struct Garbled;

/// More samples than this are in no row: the queue holds no more.
const SAMPLES_MAX: usize = 1 << 20;

/// First time and pace stand before the deviations from it.
const PACE_BYTES: usize = 4;
/// The widest deviations from the pace.
const DEVIATION_BITS_MAX: u32 = 8;
/// Fewer samples have their times written out.
const PACED_MIN: usize = 5;
/// In a run: these samples have no value.
const NO_VALUE: u32 = 1 << 31;
const RUN_BYTES: usize = 8;

impl Point {
    /// The value, when it is a measurement of the gas that flowed then, as a number.
    pub(super) fn measured(&self) -> Option<f64> {
        self.value.filter(|_| !self.reasons.contains(Reason::Settling)).map(as_number)
    }

    /// Why that is to be used with care; `None` for a good one, and where there is none.
    pub(super) fn uncertain(&self) -> Option<Reasons> {
        (self.value.is_some() && leave_uncertain(self.reasons)).then_some(self.reasons)
    }

    /// The minute it lies in.
    pub(super) fn minute(&self) -> i64 {
        self.at_ms.div_euclid(MINUTE_MS)
    }
}

impl Packed {
    /// Packs the samples of one minute, which are in the order of time.
    pub(super) fn of(points: &[Point], coding: Coding) -> Packed {
        let coding = coding.exact_for(points.iter().filter_map(|point| point.value));
        let key = |point: &Point| point.value.and_then(|value| coding.key(value));
        let base = points.iter().filter_map(key).min().unwrap_or(0);
        let mut extremes: Option<((f64, i64), (f64, i64))> = None;
        for point in points {
            if let (Some(value), Some(key)) = (point.measured(), key(point)) {
                let (least, greatest) = extremes.unwrap_or(((value, key), (value, key)));
                let least = if value < least.0 { (value, key) } else { least };
                let greatest = if value > greatest.0 { (value, key) } else { greatest };
                extremes = Some((least, greatest));
            }
        }
        Packed {
            coding,
            extremes: extremes.map(|((_, least), (_, greatest))| (least, greatest)),
            base,
            times: pack_times(points),
            runs: pack_runs(points),
            offsets: pack_offsets(points.iter().map(key), base),
        }
    }
}

impl Row<'_> {
    /// Appends the row's samples.
    pub(super) fn unpack_to(&self, points: &mut Vec<Point>) -> Result<(), Garbled> {
        let times = self.times()?;
        let offsets = self.offsets()?;
        points.reserve(self.samples);
        let first = points.len();
        for (flags, until) in self.runs() {
            let (reasons, has_value) = (Reasons::from_bits(flags), flags & NO_VALUE == 0);
            for sample in points.len() - first..until {
                let value = match has_value {
                    true => Some(self.coding.value(offsets.key(sample)).ok_or(Garbled)?),
                    false => None,
                };
                points.push(Point { at_ms: times.at_ms(sample), value, reasons });
            }
        }
        Ok(())
    }

    /// Which flags the samples have, and up to which one. The first are good, where no run begins with them.
    fn runs(&self) -> impl Iterator<Item = (u32, usize)> {
        let runs = || self.runs.chunks_exact(RUN_BYTES).map(run);
        let flags = iter::once(0).chain(runs().map(|(_, flags)| flags));
        flags.zip(runs().map(|(next, _)| next.min(self.samples)).chain([self.samples]))
    }

    /// Whether all samples are good.
    pub(super) fn is_good(&self) -> bool {
        self.runs.is_empty()
    }

    pub(super) fn times(&self) -> Result<Times<'_>, Garbled> {
        let start_ms = self.minute.checked_mul(MINUTE_MS).ok_or(Garbled)?;
        let paced = self.samples >= PACED_MIN && self.times.len() <= PACE_BYTES + self.samples;
        match self.times {
            [a, b, c, d, deviations @ ..] if paced => {
                let first_ms = start_ms + i64::from(u16::from_be_bytes([*a, *b]));
                let pace_ms = i64::from(u16::from_be_bytes([*c, *d]));
                let bits = bits_each(deviations, self.samples).ok_or(Garbled)?;
                Ok(Times::Paced { first_ms: first_ms - on_time(bits), pace_ms, bits, deviations })
            }
            written if self.samples > 0 && written.len() == 2 * self.samples => {
                Ok(Times::Written { start_ms, written })
            }
            _ => Err(Garbled),
        }
    }

    pub(super) fn offsets(&self) -> Result<Offsets<'_>, Garbled> {
        let bits = bits_each(self.offsets, self.samples).filter(|_| self.samples <= SAMPLES_MAX);
        let bits = bits.ok_or(Garbled)?;
        // In eight bytes there is room for the key itself.
        let base = if bits == WHOLE_BITS { 0 } else { self.base };
        Ok(Offsets { base, bits, bytes: self.offsets })
    }
}

/// When the samples of a row were read.
pub(super) enum Times<'a> {
    Paced { first_ms: i64, pace_ms: i64, bits: usize, deviations: &'a [u8] },
    Written { start_ms: i64, written: &'a [u8] },
}

impl Times<'_> {
    pub(super) fn at_ms(&self, sample: usize) -> i64 {
        match self {
            Times::Paced { first_ms, pace_ms, bits, deviations } => {
                first_ms + pace_ms * count(sample) + number_at(deviations, *bits, sample)
            }
            Times::Written { start_ms, written } => start_ms + big_endian(&written[2 * sample..][..2]),
        }
    }
}

/// By how much the keys of a row are above its base.
pub(super) struct Offsets<'a> {
    base: i64,
    bits: usize,
    bytes: &'a [u8],
}

impl Offsets<'_> {
    fn key(&self, sample: usize) -> i64 {
        self.base.wrapping_add(self.above_base(sample))
    }

    pub(super) fn above_base(&self, sample: usize) -> i64 {
        number_at(self.bytes, self.bits, sample)
    }

    /// The most that one of them can be; `None` where they are the keys themselves.
    pub(super) fn greatest(&self) -> Option<i64> {
        (self.bits < WHOLE_BITS).then(|| (1 << self.bits) - 1)
    }
}

fn pack_times(points: &[Point]) -> Vec<u8> {
    let in_minute = |point: &Point| point.at_ms.rem_euclid(MINUTE_MS);
    let written = || points.iter().flat_map(|point| low_bytes::<2>(in_minute(point))).collect();
    let ([first, .., last], true) = (points, points.len() >= PACED_MIN) else { return written() };
    let (first_ms, gaps) = (in_minute(first), count(points.len() - 1));
    let pace_ms = (in_minute(last) - first_ms + gaps / 2) / gaps;
    let deviation = |(sample, point): (usize, &Point)| in_minute(point) - first_ms - pace_ms * count(sample);
    let deviations = || points.iter().enumerate().map(deviation);
    let fit = |bits: &usize| deviations().all(|ms| (0..1 << bits).contains(&(ms + on_time(*bits))));
    let widths = (0..=DEVIATION_BITS_MAX).map(|bits| bits_for((1 << bits) - 1, points.len()));
    let Some(bits) = widths.into_iter().find(fit) else { return written() };
    let deviations = pack(deviations().map(|ms| ms + on_time(bits)), bits);
    [&low_bytes::<2>(first_ms)[..], &low_bytes::<2>(pace_ms), &deviations].concat()
}

/// A deviation of 0 from the pace: in the middle of what the bits hold.
fn on_time(bits: usize) -> i64 {
    (1 << bits) / 2
}

fn pack_runs(points: &[Point]) -> Vec<u8> {
    let flags = |point: &Point| point.reasons.bits() | if point.value.is_none() { NO_VALUE } else { 0 };
    let mut runs = Vec::new();
    let mut held = 0;
    for (sample, point) in points.iter().enumerate() {
        if flags(point) != held {
            held = flags(point);
            runs.extend(low_bytes::<4>(count(sample)));
            runs.extend(held.to_be_bytes());
        }
    }
    runs
}

/// Whether any of the samples of a row with these runs is [`Point::uncertain`].
pub(super) fn has_uncertain(runs: &[u8]) -> bool {
    let mut flags = runs.chunks_exact(RUN_BYTES).map(|bytes| run(bytes).1);
    flags.any(|flags| flags & NO_VALUE == 0 && leave_uncertain(Reasons::from_bits(flags)))
}

/// Whether a value with these reasons is a measurement, and an uncertain one.
fn leave_uncertain(reasons: Reasons) -> bool {
    !reasons.contains(Reason::Settling) && reasons.quality() == Quality::Uncertain
}

fn run(bytes: &[u8]) -> (usize, u32) {
    let (first, flags) = bytes.split_at(RUN_BYTES / 2);
    let first = usize::try_from(big_endian(first)).unwrap_or(usize::MAX);
    (first, u32::try_from(big_endian(flags)).unwrap_or(0))
}

fn pack_offsets(keys: impl Iterator<Item = Option<i64>> + Clone, base: i64) -> Vec<u8> {
    let greatest = keys.clone().flatten().map(|key| key.wrapping_sub(base).cast_unsigned()).max();
    let bits = bits_for(greatest.unwrap_or(0), keys.clone().count());
    let base = if bits == WHOLE_BITS { 0 } else { base };
    pack(keys.map(|key| key.map_or(0, |key| key.wrapping_sub(base))), bits)
}

fn low_bytes<const BYTES: usize>(number: i64) -> [u8; BYTES] {
    let bytes = number.to_be_bytes();
    std::array::from_fn(|byte| bytes[bytes.len() - BYTES + byte])
}

/// At most eight bytes, most significant first.
fn big_endian(bytes: &[u8]) -> i64 {
    bytes.iter().fold(0, |number, byte| number << 8 | i64::from(*byte))
}

fn count(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_in_no_order_neither_repeat_a_sample_nor_lose_one() {
        let run =
            |first: u32, reason| [first.to_be_bytes(), Reasons::one(reason).bits().to_be_bytes()].concat();
        let runs = [run(3, Reason::Frozen), run(1, Reason::AboveRange), run(9, Reason::LineNoise)].concat();
        let times: Vec<u8> = (0..4_u16).flat_map(u16::to_be_bytes).collect();
        let row = Row {
            minute: 0,
            samples: 4,
            coding: Coding::Flag,
            base: 0,
            times: &times,
            runs: &runs,
            offsets: &[],
        };
        let mut points = Vec::new();
        assert!(row.unpack_to(&mut points).is_ok());
        let told: Vec<_> = points.iter().map(|point| (point.at_ms, point.reasons)).collect();
        let good = |at_ms| (at_ms, Reasons::NONE);
        assert_eq!(told, [good(0), good(1), good(2), (3, Reasons::one(Reason::AboveRange))]);
    }
}
