//! `average_high` and `average_low`: the time-weighted average has passed a setpoint.
//!
//! Each value counts for as long as it was the present one: until the next answer, or until it was
//! no longer a measurement. Time without a measurement counts for nothing, and lowers the coverage;
//! below the least coverage the average is not known. A rolling average is judged at every sample;
//! clock hours and gas days are judged once, when they are over, and stand until the next is over.
//! They begin and end by the wall clock; a step of it takes no period away that was measured, and no
//! outcome that stands.
//! Average = sum(C·T) / sum(T): 29 CFR 1910.1000(d)(1).

use std::collections::VecDeque;
use std::time::Duration;

use crate::alarm::condition::{Condition, Known, Verdict};
use crate::alarm::spec::{Averaging, Limit, Over};
use crate::moment::{Moment, Mono, Wall};
use crate::period::{Bounds, Period};
use crate::signal::{Sample, Value};

/// A rolling average remembers this many stretches of its time. Within the oldest one, which is
/// partly past, the value counts as even.
const STRETCHES: u32 = 720;

/// A difference between the two clocks beyond this is a step of the wall clock, not its slewing.
const STEP_S_MIN: f64 = 0.5;

/// This much of a period that a step of the wall clock has left out does not count against its coverage.
const LEFT_OUT_S_MAX: f64 = 60.0;

/// The wall clock may step back into the period before by this share of the present one, which goes on
/// then; further back a period begins anew.
const STEP_BACK_SHARE: f64 = 0.25;

/// The average is beyond the setpoint.
#[derive(Debug, Clone)]
pub(super) struct Average {
    limit: Limit,
    side: Side,
    coverage_min: f64,
    memory: Memory,
    /// The present value, if it is a measurement.
    held: Option<f64>,
    /// Up to when everything is in the memory.
    taken_in: Option<Moment>,
}

#[derive(Debug, Clone, Copy)]
enum Side {
    Above,
    Below,
}

/// `between` is the sum of all stretches but the first and the last: those two change with each sample,
/// the others only with a stretch that comes or goes. It is summed anew then, so that no rounding adds up.
#[derive(Debug, Clone)]
enum Memory {
    Rolling { window: Duration, stretches: VecDeque<Stretch>, between: Sum },
    Calendar(Calendar),
}

/// The present period, and what the last one came to.
#[derive(Debug, Clone)]
struct Calendar {
    period: Period,
    current: Option<Bounds>,
    so_far: Sum,
    /// The seconds by which the wall clock has gone ahead of the other one in the present period.
    ahead_s: f64,
    last: Option<f64>,
}

/// Values over a stretch of time.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: Mono,
    to: Mono,
    sum: Sum,
}

/// Values times seconds, and the seconds in which there were values.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    value_seconds: f64,
    seconds: f64,
}

impl Sum {
    fn add(&mut self, value: Option<f64>, seconds: f64) {
        if let Some(value) = value {
            self.value_seconds += value * seconds;
            self.seconds += seconds;
        }
    }

    fn average(&self, of_seconds: f64, coverage_min: f64) -> Option<f64> {
        let covered = self.seconds > 0.0 && self.seconds >= coverage_min * of_seconds - COVERAGE_ROUNDING_S;
        covered.then(|| self.value_seconds / self.seconds)
    }
}

/// What a sum of many short times may lose to rounding.
const COVERAGE_ROUNDING_S: f64 = 1e-6;

impl Average {
    pub(super) fn above(limit: Limit, averaging: Averaging) -> Self {
        Average::new(limit, Side::Above, averaging)
    }

    pub(super) fn below(limit: Limit, averaging: Averaging) -> Self {
        Average::new(limit, Side::Below, averaging)
    }

    fn new(limit: Limit, side: Side, averaging: Averaging) -> Self {
        let memory = match averaging.over {
            Over::Rolling(window) => {
                Memory::Rolling { window, stretches: VecDeque::new(), between: Sum::default() }
            }
            Over::Calendar(period) => Memory::Calendar(Calendar {
                period,
                current: None,
                so_far: Sum::default(),
                ahead_s: 0.0,
                last: None,
            }),
        };
        let coverage_min = averaging.coverage_min;
        Average { limit, side, coverage_min, memory, held: None, taken_in: None }
    }

    /// Takes the held value into the memory up to `now`.
    fn take_in(&mut self, now: Moment) {
        let from = self.taken_in.replace(now).unwrap_or(now);
        match &mut self.memory {
            Memory::Rolling { window, stretches, between } => {
                let mut changed = extend(stretches, from.mono, now.mono, self.held, *window / STRETCHES);
                let far_end = now.mono - *window;
                while stretches.front().is_some_and(|stretch| stretch.to <= far_end) {
                    changed |= stretches.pop_front().is_some();
                }
                if changed {
                    *between = sum_between(stretches);
                }
            }
            Memory::Calendar(calendar) => calendar.take_in(self.held, from, now, self.coverage_min),
        }
    }

    fn average(&self, now: Mono) -> Option<f64> {
        match &self.memory {
            Memory::Calendar(calendar) => calendar.last,
            Memory::Rolling { window, stretches, between } => {
                let first = stretches.front()?;
                let share = first.share_after(now - *window);
                let last = if stretches.len() > 1 { stretches.back()?.sum } else { Sum::default() };
                let all = Sum {
                    value_seconds: first.sum.value_seconds * share
                        + between.value_seconds
                        + last.value_seconds,
                    seconds: first.sum.seconds * share + between.seconds + last.seconds,
                };
                all.average(window.as_secs_f64(), self.coverage_min)
            }
        }
    }
}

impl Calendar {
    /// Takes in what was held between two moments.
    fn take_in(&mut self, held: Option<f64>, from: Moment, now: Moment, coverage_min: f64) {
        // Where `from` lies by what the wall clock says now.
        let began = now.at(from.mono).wall;
        let ahead_s = began.duration_since(from.wall).as_secs_f64();
        let bounds = *self.current.get_or_insert_with(|| self.period.containing(began));
        self.ahead_s += ahead_s;
        if now.wall < bounds.end {
            self.go_on(bounds, held, now.mono.since(from.mono).as_secs_f64(), now.wall);
            return;
        }
        let next = self.period.containing(now.wall);
        let stepped = ahead_s.abs() >= STEP_S_MIN;
        let passed_s = bounds.end.duration_since(began).as_secs_f64();
        self.so_far.add(held.filter(|_| passed_s > 0.0), passed_s);
        let length_s = bounds.seconds() - self.ahead_s.clamp(0.0, LEFT_OUT_S_MAX);
        let outcome = self.so_far.average(length_s, coverage_min);
        // What was left out by a step is nobody's loss of measurement: without enough of the period, what
        // the one before came to stands.
        self.last =
            if stepped { outcome.or(self.last) } else { outcome.filter(|_| next.start == bounds.end) };
        // The step may have left out the beginning of the next one, too.
        let left_out_s = began.duration_since(next.start).as_secs_f64().max(0.0);
        (self.so_far, self.ahead_s) = (Sum::default(), left_out_s);
        let since_start_s = now.wall.duration_since(next.start.max(began)).as_secs_f64();
        self.so_far.add(held.filter(|_| stepped || next.start == bounds.end), since_start_s);
        self.current = Some(next);
    }

    /// The present period goes on, also where the wall clock was put back to shortly before it: the one
    /// before is judged already. Further back the calendar begins anew; what stands goes on standing.
    fn go_on(&mut self, bounds: Bounds, held: Option<f64>, seconds: f64, wall: Wall) {
        let back_s = bounds.start.duration_since(wall).as_secs_f64();
        if back_s > bounds.seconds() * STEP_BACK_SHARE {
            (self.so_far, self.ahead_s) = (Sum::default(), 0.0);
            self.current = Some(self.period.containing(wall));
        }
        self.so_far.add(held, seconds);
    }
}

impl Stretch {
    /// The share of it that lies after `far_end`, 0 to 1.
    fn share_after(&self, far_end: Mono) -> f64 {
        let whole = self.to.since(self.from).as_secs_f64();
        if whole == 0.0 { 1.0 } else { self.to.since(far_end.max(self.from)).as_secs_f64() / whole }
    }
}

fn sum_between(stretches: &VecDeque<Stretch>) -> Sum {
    let mut sum = Sum::default();
    for stretch in stretches.iter().skip(1).take(stretches.len().saturating_sub(2)) {
        sum.value_seconds += stretch.sum.value_seconds;
        sum.seconds += stretch.sum.seconds;
    }
    sum
}

/// Adds a value held from `from` to `to`; short times go into one stretch of at most `stretch_max`.
/// Whether there is one stretch more.
fn extend(
    stretches: &mut VecDeque<Stretch>,
    from: Mono,
    to: Mono,
    held: Option<f64>,
    stretch_max: Duration,
) -> bool {
    let seconds = to.since(from).as_secs_f64();
    match stretches.back_mut() {
        Some(last) if last.to == from && to.since(last.from) <= stretch_max => {
            last.to = to;
            last.sum.add(held, seconds);
            false
        }
        _ if to > from => {
            let mut sum = Sum::default();
            sum.add(held, seconds);
            stretches.push_back(Stretch { from, to, sum });
            true
        }
        _ => false,
    }
}

impl Condition for Average {
    fn set_limit(&mut self, limit: Limit) {
        self.limit = limit;
    }

    fn observe(&mut self, sample: &Sample, now: Moment) {
        self.take_in(now);
        self.held = sample.measured().and_then(Value::number);
    }

    fn remembers_from(&self, now: Moment) -> Option<Wall> {
        Some(match &self.memory {
            Memory::Rolling { window, .. } => now.at(now.mono - *window).wall,
            // What the one before the present came to stands until the present one is over.
            Memory::Calendar(Calendar { period, .. }) => {
                let present = period.containing(now.wall).start;
                let before = present.checked_sub(Duration::from_millis(1)).unwrap_or(present);
                period.containing(before).start
            }
        })
    }

    fn verdict(&mut self, _known: &dyn Known, active: bool, now: Moment) -> Verdict {
        self.take_in(now);
        let average = self.average(now.mono);
        match self.side {
            Side::Above => self.limit.passed_upwards(average, active),
            Side::Below => self.limit.passed_downwards(average, active),
        }
    }

    fn next_look(&self, now: Moment) -> Option<Mono> {
        match &self.memory {
            Memory::Rolling { .. } => None,
            Memory::Calendar(Calendar { current, .. }) => {
                let to_go = current.as_ref()?.end.duration_since(now.wall);
                Some(now.mono + Duration::try_from(to_go).unwrap_or_default())
            }
        }
    }
}
