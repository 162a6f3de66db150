//! The gas, the cells and the loops: what each simulated signal is worth at a given time.
//!
//! Every value is a function of time and of what was last asked for, so that nothing has to tick:
//! a device works its values out when it is asked. No clock is read here.

use std::time::Duration;

use crate::moment::Mono;

/// How one value moves.
#[derive(Debug, Clone, PartialEq)]
pub enum Motion {
    /// To and fro around `middle`, by at most `swing`, without ever repeating soon.
    Wander {
        /// What it moves around.
        middle: f64,
        /// How far it goes either way.
        swing: f64,
        /// The slower of its two periods.
        period: Duration,
        /// Where in its period it begins, 0 to 1.
        phase: f64,
    },
    /// From one value straight to another, where it then stays but for a `ripple` like that of a
    /// measured value.
    Ramp {
        /// Where it was.
        from: f64,
        /// Where it goes.
        to: f64,
        /// When it set out.
        start: Mono,
        /// How long it takes.
        over: Duration,
        /// How far it then trembles either way.
        ripple: f64,
    },
    /// As another signal, plus an offset.
    Follow {
        /// Which one, by its place in the process.
        source: usize,
        /// What is added to it.
        offset: f64,
    },
}

impl Motion {
    /// One value for ever.
    pub const fn still(value: f64) -> Motion {
        Motion::Ramp { from: value, to: value, start: Mono::ZERO, over: Duration::ZERO, ripple: 0.0 }
    }
}

/// All values of a simulated site.
#[derive(Debug, Clone, Default)]
pub struct Process {
    motions: Vec<Motion>,
}

impl Process {
    /// So many signals that follow one another before the value counts as unknown.
    const FOLLOWERS_MAX: usize = 8;

    /// Values in the order of the site's signals.
    pub fn new(motions: Vec<Motion>) -> Self {
        Process { motions }
    }

    /// The value of a signal; not a number when there is no such signal.
    pub fn value(&self, signal: usize, now: Mono) -> f64 {
        let mut signal = signal;
        let mut offset_sum = 0.0;
        for _ in 0..Self::FOLLOWERS_MAX {
            match self.motions.get(signal) {
                Some(Motion::Follow { source, offset }) => {
                    signal = *source;
                    offset_sum += offset;
                }
                Some(Motion::Wander { middle, swing, period, phase }) => {
                    return offset_sum + middle + swing * wave(now, *period, *phase);
                }
                Some(Motion::Ramp { from, to, start, over, ripple }) => {
                    let way = now.since(*start).as_secs_f64() / over.as_secs_f64().max(1e-9);
                    let ripple = ripple * wave(now, RIPPLE_PERIOD, 0.0);
                    return offset_sum + from + (to - from) * way.clamp(0.0, 1.0) + ripple;
                }
                None => return f64::NAN,
            }
        }
        f64::NAN
    }

    /// Lets a signal move in another way from now on.
    pub fn set(&mut self, signal: usize, motion: Motion) {
        if let Some(slot) = self.motions.get_mut(signal) {
            *slot = motion;
        }
    }
}

/// The slower period of the tremble of a value that stands still.
const RIPPLE_PERIOD: Duration = Duration::from_secs(7);

/// Between -1 and 1: two sines whose periods stand in the golden ratio.
fn wave(now: Mono, period: Duration, phase: f64) -> f64 {
    let turns = now.since_start().as_secs_f64() / period.as_secs_f64().max(1e-9) + phase;
    let slow = (turns * std::f64::consts::TAU).sin();
    let fast = (turns * std::f64::consts::TAU * 1.618_033_988_75).sin();
    0.7 * slow + 0.3 * fast
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wandering_value_moves_and_stays_within_its_swing() {
        let wander = Motion::Wander { middle: 10.0, swing: 2.0, period: Duration::from_secs(60), phase: 0.3 };
        let process = Process::new(vec![wander]);
        let values: Vec<f64> = (0..3600).map(|s| process.value(0, Mono::from_millis(s * 1000))).collect();
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        assert!(least >= 8.0 && most <= 12.0, "{least} to {most}");
        assert!(most - least > 3.0, "{least} to {most}");
    }

    #[test]
    fn a_ramp_begins_at_its_start_and_ends_at_its_goal() {
        let start = Mono::from_millis(1000);
        let ramp = Motion::Ramp { from: 2.0, to: 6.0, start, over: Duration::from_secs(4), ripple: 0.0 };
        let process = Process::new(vec![ramp]);
        for (millis, expected) in [(0, 2.0), (1000, 2.0), (2000, 3.0), (3000, 4.0), (5000, 6.0), (9000, 6.0)]
        {
            assert!((process.value(0, Mono::from_millis(millis)) - expected).abs() < 1e-9, "at {millis} ms");
        }
    }

    #[test]
    fn a_follower_is_its_source_plus_its_offset_and_a_circle_is_no_number() {
        let follow = |source, offset| Motion::Follow { source, offset };
        let process = Process::new(vec![Motion::still(3.0), follow(0, 1.5), follow(1, 0.5), follow(3, 0.0)]);
        assert!((process.value(2, Mono::ZERO) - 5.0).abs() < 1e-9);
        assert!(process.value(3, Mono::ZERO).is_nan());
        assert!(process.value(99, Mono::ZERO).is_nan());
    }
}
