//! What to ask next on one line, and when.
//!
//! A job is one device's group of values with one period; a turn of it is a question or several. The
//! turn whose deadline is nearest goes first (earliest deadline first: Liu and Layland, *Journal of
//! the ACM* 20(1), 1973), and is looked at again after each question. A job keeps its phase; a turn
//! that could not be had is skipped and counted, never made up for. Where more is asked than the
//! line can carry, every period is stretched by the same factor, so that no device starves.
//! Devices that do not answer are left alone as [`Silence`] says.
//!
//! It asks nothing and reads no clock: time comes in by the arguments.

use std::time::Duration;

use crate::modbus::quantiles::Quantiles;
use crate::modbus::silence::Silence;
use crate::moment::Mono;
use crate::signal::DeviceIndex;

/// The weight of the last turn in a job's estimated cost.
const COST_WEIGHT: f64 = 0.125;

/// A job on a line; an index into the list that [`Schedule::new`] was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct JobIndex(pub usize);

/// A job to be scheduled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JobSpec {
    /// The device it asks.
    pub device: DeviceIndex,
    /// How often it is to be had.
    pub period: Duration,
    /// How long a turn is expected to keep the line, until that has been measured.
    pub cost: Duration,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Ask the next question of this job; then tell [`Schedule::answered`], [`Schedule::unanswered`],
    /// [`Schedule::left_out`] or [`Schedule::nothing_to_ask`] before the next call of [`Schedule::next`].
    Ask {
        /// Which job.
        job: JobIndex,
        /// Whether a new turn begins; otherwise one goes on that has been begun.
        begins: bool,
        /// Whether the device has not been answering: one try without retries is enough.
        knock: bool,
    },
    /// Nothing is due before then.
    Wait(Mono),
    /// There are no jobs.
    Idle,
}

/// The jobs of one line.
#[derive(Debug, Clone)]
pub struct Schedule {
    jobs: Vec<Job>,
    devices: Vec<(DeviceIndex, Silence)>,
    /// The job that was told to be asked, and when.
    asking: Option<(usize, Mono)>,
    lateness: Quantiles,
}

#[derive(Debug, Clone)]
struct Job {
    /// Index of its device in the schedule's own list.
    device: usize,
    period: Duration,
    /// What a turn costs: assumed at first, then as measured and smoothed.
    cost: Duration,
    /// Whether the cost has been measured at all.
    measured: bool,
    /// Whether it has begun a turn, which gave it its phase.
    in_phase: bool,
    /// When its next turn is due.
    due: Mono,
    /// When it would be due on an unstretched line: for counting what is missed.
    owed: Mono,
    /// The turn under way, if any.
    turn: Option<TurnUnderWay>,
    /// Nothing of it may be asked earlier ([`Schedule::not_yet`]).
    not_before: Mono,
    missed: u64,
}

#[derive(Debug, Clone, Copy)]
struct TurnUnderWay {
    deadline: Mono,
    /// Line time spent on it so far.
    spent: Duration,
    /// How much of that was spent on the question at hand, before it was put off.
    put_off: Duration,
}

impl Schedule {
    /// A schedule that begins at `now`. A device that does not answer is given pauses of at most
    /// `silence_max`.
    ///
    /// First turns follow one another as fast as the wire can carry them, and each job keeps its phase
    /// from there: those with the same period do not fall due together for ever.
    pub fn new(jobs: &[JobSpec], silence_max: Duration, now: Mono) -> Self {
        let mut devices: Vec<DeviceIndex> = jobs.iter().map(|job| job.device).collect();
        devices.sort();
        devices.dedup();
        let jobs = jobs
            .iter()
            .map(|spec| Job {
                device: devices.partition_point(|device| *device < spec.device),
                period: spec.period.max(PERIOD_MIN),
                cost: spec.cost,
                measured: false,
                in_phase: false,
                due: now,
                owed: now,
                turn: None,
                not_before: now,
                missed: 0,
            })
            .collect();
        let devices = devices.into_iter().map(|device| (device, Silence::new(silence_max))).collect();
        let mut schedule = Schedule { jobs, devices, asking: None, lateness: Quantiles::default() };
        schedule.resume(now);
        schedule
    }

    /// Begins anew at `now`, after a time when the line could not carry questions. What was due
    /// meanwhile is not counted as missed: that the line was down is told elsewhere.
    pub fn resume(&mut self, now: Mono) {
        self.break_off(now);
        for job in &mut self.jobs {
            job.in_phase = false;
            job.due = now;
            job.owed = now;
        }
    }

    /// Gives up all turns under way at `now`; those to come keep their times, so that what has been had is
    /// not asked for again before what has not.
    pub fn break_off(&mut self, now: Mono) {
        self.asking = None;
        for job in &mut self.jobs {
            job.turn = None;
            job.not_before = now;
        }
    }

    /// What to do at `now`.
    pub fn next(&mut self, now: Mono) -> Next {
        let stretch = self.stretch();
        let ready = |job: &Job| job.ready_at() <= now;
        let urgency = |(_, job): &(usize, &Job)| match job.turn {
            Some(turn) => turn.deadline,
            None => job.due + stretched(job.period, stretch),
        };
        let urgent = self.jobs.iter().enumerate().filter(|(_, job)| ready(job)).min_by_key(urgency);
        let Some((index, _)) = urgent else {
            return self.jobs.iter().map(Job::ready_at).min().map_or(Next::Idle, Next::Wait);
        };
        let job = &mut self.jobs[index];
        let knock = self.devices[job.device].1.is_silent();
        let begins = job.turn.is_none();
        if begins {
            if job.in_phase {
                self.lateness.record(now.since(job.due));
            }
            job.begin(now, stretch);
        }
        self.asking = Some((index, now));
        Next::Ask { job: JobIndex(index), begins, knock }
    }

    /// The device answered the question at hand by `now`, with values or with an exception;
    /// `over` says whether the turn has no more questions.
    pub fn answered(&mut self, over: bool, now: Mono) {
        if let Some(device) = self.went_on(over, now) {
            self.devices[device].1.answered();
        }
    }

    /// The question at hand is left out this time, and takes no time; `over` says whether the turn has no
    /// more questions. The turn costs what its other questions do.
    pub fn left_out(&mut self, over: bool, now: Mono) {
        self.went_on(over, now);
    }

    /// The turn at hand goes on to its next question; returns the device.
    fn went_on(&mut self, over: bool, now: Mono) -> Option<usize> {
        let (index, cost) = self.asked(now)?;
        let job = &mut self.jobs[index];
        if let Some(turn) = &mut job.turn {
            turn.spent += cost;
            turn.put_off = Duration::ZERO;
            if over {
                let spent = turn.spent;
                job.turn = None;
                job.learn_cost(spent);
            }
        }
        Some(job.device)
    }

    /// The job had no question to ask, and its turn is over: other jobs bring all of its values, or
    /// the device refuses them.
    pub fn nothing_to_ask(&mut self, now: Mono) {
        let Some((index, _)) = self.asked(now) else { return };
        let job = &mut self.jobs[index];
        job.turn = None;
        job.learn_cost(Duration::ZERO);
    }

    /// The question at hand may not be put again before `until`; what was asked of the turn so far
    /// stands, and the turn goes on then.
    pub fn not_yet(&mut self, until: Mono, now: Mono) {
        let Some((index, cost)) = self.asked(now) else { return };
        let job = &mut self.jobs[index];
        job.not_before = until;
        if let Some(turn) = &mut job.turn {
            turn.spent += cost;
            turn.put_off += cost;
        }
    }

    /// What [`Schedule::not_yet`] held back of a device may be asked now.
    pub fn at_once(&mut self, device: DeviceIndex, now: Mono) {
        for job in &mut self.jobs {
            if self.devices[job.device].0 == device {
                job.not_before = job.not_before.min(now);
            }
        }
    }

    /// The device did not answer the question at hand, retries included, by `now`; `over` says whether
    /// the turn has no more questions. While that is overlooked the turn goes on; once the device is
    /// to be left alone, all its turns under way are over.
    pub fn unanswered(&mut self, over: bool, now: Mono) {
        let Some(device) = self.asking.and_then(|(index, _)| self.jobs.get(index)).map(|job| job.device)
        else {
            return;
        };
        let cost = self.passed_over(over, now);
        let pause = self.devices[device].1.unanswered(cost, now);
        if pause.is_zero() {
            return;
        }
        for job in self.jobs.iter_mut().filter(|job| job.device == device) {
            job.turn = None;
            job.due = job.due.max(now + pause);
            job.owed = job.due;
        }
    }

    /// The question at hand could not be put, or was not answered by `now` and that is not the device's
    /// fault; `over` says whether the turn has no more questions. Returns how long the question kept
    /// the line, the time before it was put off included.
    pub fn passed_over(&mut self, over: bool, now: Mono) -> Duration {
        let Some((index, cost)) = self.asked(now) else { return Duration::ZERO };
        let job = &mut self.jobs[index];
        let Some(turn) = &mut job.turn else { return cost };
        let wasted = cost + std::mem::take(&mut turn.put_off);
        turn.spent += cost;
        if over {
            job.turn = None;
        }
        wasted
    }

    /// How much is asked of the line: the sum over all jobs of cost by period. 1.0 = just all that
    /// it can carry.
    pub fn demand(&self) -> f64 {
        self.jobs.iter().map(Job::demand).sum()
    }

    /// How late turns lately began after they were due.
    pub fn lateness(&self) -> &Quantiles {
        &self.lateness
    }

    /// How many polls of a job were missed: not begun within a whole period after they were due,
    /// while the line was up and the device answering.
    pub fn missed(&self, job: JobIndex) -> u64 {
        self.jobs.get(job.0).map_or(0, |job| job.missed)
    }

    /// Whether a device is being left alone because it does not answer.
    pub fn is_silent(&self, device: DeviceIndex) -> bool {
        self.devices.iter().any(|(known, silence)| *known == device && silence.is_silent())
    }

    /// The job that was asked and what it cost, once.
    fn asked(&mut self, now: Mono) -> Option<(usize, Duration)> {
        self.asking.take().map(|(index, since)| (index, now.since(since)))
    }

    /// The factor by which every period is stretched, so that the line can carry all that is asked of
    /// the devices which answer. What a job costs counts once it has been measured: a cautious guess
    /// is to cost nobody a poll.
    fn stretch(&self) -> f64 {
        let counts = |job: &&Job| job.measured && !self.devices[job.device].1.is_silent();
        let demand: f64 = self.jobs.iter().filter(counts).map(Job::demand).sum();
        demand.max(1.0)
    }
}

impl Job {
    /// Begins a turn at `now`, and makes the next one due at the first of its times to come; the first
    /// turn sets those times.
    fn begin(&mut self, now: Mono, stretch: f64) {
        if !std::mem::replace(&mut self.in_phase, true) {
            self.due = now;
            self.owed = now;
        }
        let period = stretched(self.period, stretch);
        self.turn = Some(TurnUnderWay {
            deadline: self.due + period,
            spent: Duration::ZERO,
            put_off: Duration::ZERO,
        });
        self.due = self.due + period.saturating_mul(whole_periods(now.since(self.due), period) + 1);
        let late = whole_periods(now.since(self.owed), self.period);
        self.missed += u64::from(late);
        self.owed = self.owed + self.period.saturating_mul(late + 1);
    }

    /// A turn has cost so much. The first measurement takes the place of what was assumed, so that a
    /// line is not called overloaded for as long as it takes to unlearn a cautious guess.
    fn learn_cost(&mut self, spent: Duration) {
        self.cost = if self.measured { smoothed(self.cost, spent) } else { spent };
        self.measured = true;
    }

    fn ready_at(&self) -> Mono {
        if self.turn.is_some() { self.not_before } else { self.due.max(self.not_before) }
    }

    fn demand(&self) -> f64 {
        self.cost.div_duration_f64(self.period)
    }
}

/// The shortest period there is; a site's are far longer.
const PERIOD_MIN: Duration = Duration::from_millis(1);

/// A period stretched by a factor of at least 1.
fn stretched(period: Duration, factor: f64) -> Duration {
    if factor > 1.0 {
        Duration::try_from_secs_f64(period.as_secs_f64() * factor).unwrap_or(period)
    } else {
        period
    }
}

/// How many whole periods a time holds.
fn whole_periods(time: Duration, period: Duration) -> u32 {
    u32::try_from(time.as_nanos() / period.as_nanos().max(1)).unwrap_or(u32::MAX - 1)
}

/// A cost that follows what was measured, slowly.
fn smoothed(cost: Duration, measured: Duration) -> Duration {
    cost.mul_f64(1.0 - COST_WEIGHT) + measured.mul_f64(COST_WEIGHT)
}

#[cfg(test)]
mod tests;
