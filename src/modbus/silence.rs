//! How long to leave a device alone that does not answer.
//!
//! Each unanswered question keeps the line for the whole response time-out, time that the other
//! devices need. A device may waste one part in [`WASTE_PART`] of the line's time: its waste is noted
//! as a debt, which time pays off at that rate. A small debt is overlooked, so that a lost answer or
//! two do not make a gap in the record; above it the device is left alone for a pause that pays for
//! the question at least, and doubles with each further one up to the line's `silence_max`. The first
//! answer brings the device back at once. Time comes in by the arguments.

use std::time::Duration;

use crate::moment::Mono;

/// A device that does not answer may take one part in so many of the line's time: 5 %.
pub const WASTE_PART: u32 = 20;

/// How many unanswered questions are overlooked, after a time without any.
pub const OVERLOOKED_MAX: u32 = 2;

/// What is known of one device's silence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Silence {
    pause_max: Duration,
    /// Line time wasted and not paid off yet, as it stood at `noted`.
    debt: Duration,
    noted: Mono,
    /// The pause after the last unanswered question; zero when none was called for.
    pause: Duration,
}

impl Silence {
    /// A device of which nothing bad is known; `pause_max` is the longest pause it is given. Where
    /// that is short of twenty times what a question costs, it is kept, and the device wastes more.
    pub fn new(pause_max: Duration) -> Self {
        Silence { pause_max, debt: Duration::ZERO, noted: Mono::ZERO, pause: Duration::ZERO }
    }

    /// The device did not answer a question, retries included, that kept the line for `cost` until
    /// `now`. Returns how long to leave it alone; zero = ask at the usual time.
    pub fn unanswered(&mut self, cost: Duration, now: Mono) -> Duration {
        self.debt = self.debt.saturating_sub(now.since(self.noted) / WASTE_PART) + cost;
        self.noted = now;
        if self.debt > cost * OVERLOOKED_MAX || self.is_silent() {
            self.pause = (self.pause * 2).max(cost * WASTE_PART).min(self.pause_max);
        }
        self.pause
    }

    /// The device answered: it is asked at its usual times again.
    pub fn answered(&mut self) {
        self.pause = Duration::ZERO;
    }

    /// Whether the device is being left alone. One question without retries is enough to find out
    /// whether it is back.
    pub fn is_silent(&self) -> bool {
        self.pause > Duration::ZERO
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const MINUTE: Duration = Duration::from_secs(60);

    /// Questions of one second, asked once a second while no pause is called for. `events` are `.` for
    /// an answer and `x` for none; the outcome is the pause after each, in seconds.
    fn pauses(pause_max: Duration, events: &str) -> Vec<u64> {
        let mut silence = Silence::new(pause_max);
        let mut now = Mono::from_millis(3_600_000);
        let mut pauses = Vec::new();
        for event in events.chars() {
            now = now + Duration::from_secs(1);
            let pause = match event {
                'x' => silence.unanswered(Duration::from_secs(1), now),
                _ => {
                    silence.answered();
                    Duration::ZERO
                }
            };
            assert_eq!(silence.is_silent(), !pause.is_zero());
            pauses.push(pause.as_secs());
            now = now + pause;
        }
        pauses
    }

    #[test]
    fn pauses_follow_the_answers() {
        let cases: [(&str, Duration, &str, &[u64]); 6] = [
            ("a lost answer or two make no gap", MINUTE, "x.x.", &[0, 0, 0, 0]),
            (
                "pauses begin at twenty times the cost and double",
                MINUTE * 9,
                "xxxxxxx",
                &[0, 0, 20, 40, 80, 160, 320],
            ),
            ("up to the limit", MINUTE, "xxxxxx", &[0, 0, 20, 40, 60, 60]),
            ("a limit short of twenty times the cost is kept", MINUTE / 6, "xxxx", &[0, 0, 10, 10]),
            ("the first answer brings it back", MINUTE * 9, "xxxxx..", &[0, 0, 20, 40, 80, 0, 0]),
            ("one that goes away again at once is not overlooked again", MINUTE, "xxx.x", &[0, 0, 20, 0, 20]),
        ];
        for (what, pause_max, events, expected) in cases {
            assert_eq!(pauses(pause_max, events), expected, "{what}");
        }
    }

    proptest! {
        #[test]
        fn whatever_it_answers_a_device_wastes_no_more_than_its_part_and_three_questions(
            answers in prop::collection::vec(prop::bool::weighted(0.3), 1..400),
            cost_ms in 10..5_000_u64,
            period_ms in 100..20_000_u64,
        ) {
            let (cost, period) = (Duration::from_millis(cost_ms), Duration::from_millis(period_ms));
            let mut silence = Silence::new(Duration::from_secs(3_600));
            let (mut now, mut wasted) = (Mono::ZERO, Duration::ZERO);
            for answers in answers {
                if answers {
                    silence.answered();
                    now = now + period;
                    continue;
                }
                now = now + cost;
                wasted += cost;
                let allowed = now.since_start() / WASTE_PART + cost * (OVERLOOKED_MAX + 1);
                prop_assert!(wasted <= allowed, "{wasted:?} wasted until {now}");
                now = now + silence.unanswered(cost, now).max(period.saturating_sub(cost));
            }
        }
    }
}
