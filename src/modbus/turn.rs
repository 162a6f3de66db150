//! One question of one turn, with its retries: put, judged, counted, and told to the plan and the
//! schedule.

use crate::modbus::LineOutput;
use crate::modbus::ask::{self, Asked, Data};
use crate::modbus::device::{Device, Failure, Step, Verdict};
use crate::modbus::frame::Question;
use crate::modbus::guard::Overheard;
use crate::modbus::line::{End, Line};
use crate::modbus::plan::{Ask, Block, Turn, is_refusal};
use crate::modbus::schedule::JobIndex;
use crate::modbus::stats::Outcome;
use crate::modbus::wire::{Wire, is_numbered};
use crate::signal::{ReadFault, Reading, SignalIndex, decode};

/// What is told of a value that the device is known to refuse: exception 02, illegal data address.
const REFUSED: ReadFault = ReadFault::Exception(2);

/// Whether a device asks for patience by this exception: 05, acknowledge; 06, busy (Application Protocol
/// V1.1b3, section 7).
const fn asks_for_patience(exception_code: u8) -> bool {
    matches!(exception_code, 5 | 6)
}

/// A group of a device's values with one period, as the schedule deals it out.
pub(super) struct Job {
    /// Index into the line's devices.
    pub device: usize,
    /// Index into the device's groups.
    pub group: usize,
    /// The round through its values that is under way.
    pub turn: Turn,
    /// How often the question at hand has been tried in vain.
    pub tries: u8,
}

impl Line {
    /// Asks the question at hand of a job. `begins` and `knock` are the schedule's.
    pub(super) async fn take_turn(
        &mut self,
        wire: &mut Wire,
        job: JobIndex,
        begins: bool,
        knock: bool,
    ) -> Result<(), End> {
        let job = job.0;
        if begins {
            self.begin_turn(job).await?;
        }
        let Some(ask) = self.jobs.get(job).and_then(|job| job.turn.next()).cloned() else {
            self.schedule.nothing_to_ask(self.now().mono);
            return Ok(());
        };
        let device = self.jobs[job].device;
        let mutes = &self.devices[device].mutes;
        if mutes.leaves_alone(&ask.block, self.now().mono) {
            return self.pass_over(job, &ask).await;
        }
        let once = knock || mutes.is_mute(&ask.block);
        let tries_max = if once { 1 } else { self.plan.spec.retries.saturating_add(1) };
        let failure = loop {
            let now = self.now().mono;
            let verdict = match self.devices[device].step(ask.block, now) {
                Step::Ask(question) => self.put(wire, device, question).await?,
                Step::Resynchronise(question) => match self.put(wire, device, question).await? {
                    spoke @ (Verdict::Answered(_) | Verdict::Exception(_)) => {
                        self.devices[device]
                            .stats
                            .count(ask.block, |counters| counters.resynchronisations += 1);
                        if !matches!(spoke, Verdict::Exception(code) if asks_for_patience(code)) {
                            continue;
                        }
                        spoke
                    }
                    failed @ Verdict::Failed(_) => failed,
                },
                Step::Wait(until) => {
                    self.schedule.not_yet(until, now);
                    return Ok(());
                }
            };
            match verdict {
                Verdict::Answered(data) => return self.deliver(job, &ask, &data).await,
                Verdict::Exception(code) => return self.take_exception(job, &ask, code).await,
                Verdict::Failed(Failure::NotPut) => break Failure::NotPut,
                Verdict::Failed(failure) => {
                    self.jobs[job].tries = self.jobs[job].tries.saturating_add(1);
                    if self.jobs[job].tries >= tries_max {
                        break failure;
                    }
                    self.devices[device].stats.count(ask.block, |counters| counters.retries += 1);
                    // A patient line with many retries is not to be thought dead meanwhile.
                    self.report_when_due().await?;
                    if !self.loans.is_empty() {
                        return Err(End::Wanted);
                    }
                }
            }
        };
        self.give_up(job, &ask, failure).await
    }

    async fn begin_turn(&mut self, job: usize) -> Result<(), End> {
        let now = self.now().mono;
        let Job { device, group, .. } = self.jobs[job];
        let turn = self.devices[device].plan.begin(group, now);
        let refused = turn.refused().to_vec();
        self.jobs[job].turn = turn;
        self.jobs[job].tries = 0;
        self.tell_fault(refused, REFUSED).await
    }

    /// Puts one question, and counts everything that was heard meanwhile.
    async fn put(&mut self, wire: &mut Wire, device: usize, question: Question) -> Result<Verdict, End> {
        let begun = self.now().mono;
        let asking = &self.devices[device];
        let Asked { outcome, overheard, response } =
            wire.ask(question, asking.quiet, asking.exceptions_are_certain(&question)).await;
        let at = self.now();
        self.stats.busy(at.mono.since(begun), at.mono);
        let foreign = self.account(&overheard);
        let (outcome, data) = match outcome {
            ask::Outcome::Answered(data) => (Outcome::Answer(response.unwrap_or_default()), Some(data)),
            ask::Outcome::Exception(code) => (Outcome::Exception(code), None),
            ask::Outcome::Gone(cause) => {
                self.devices[device].leave_unanswered(question, at.mono);
                return Err(End::Gone(cause));
            }
            ask::Outcome::NotPut => {
                self.count_stray(device, question.block, overheard.damaged, foreign);
                return Ok(Verdict::Failed(Failure::NotPut));
            }
            ask::Outcome::NoAnswer => (Outcome::Timeout, None),
            ask::Outcome::Garbled if overheard.damaged > 0 => (Outcome::Damaged, None),
            ask::Outcome::Garbled if foreign > 0 => (Outcome::Foreign, None),
            ask::Outcome::Garbled => (Outcome::Timeout, None),
        };
        if outcome.is_answer() {
            self.stats.frame(false, at.mono);
            self.answered_since_open = true;
        }
        self.devices[device].settle(question, outcome, at);
        // The outcome counts one of them itself.
        let damaged = overheard.damaged.saturating_sub(u32::from(outcome == Outcome::Damaged));
        let foreign = foreign.saturating_sub(u32::from(outcome == Outcome::Foreign));
        self.count_stray(device, question.block, damaged, foreign);
        Ok(Verdict::of(outcome, data))
    }

    /// Counts what was heard at the time of a question and did not decide what came of it.
    fn count_stray(&mut self, device: usize, block: Block, damaged: u32, foreign: u32) {
        self.devices[device].stats.count(block, |counters| {
            counters.crc_errors += u64::from(damaged);
            counters.foreign_frames += u64::from(foreign);
        });
    }

    /// Counts what was overheard for the line as a whole, and sees to it that late answers pay what
    /// their devices owe; returns how many whole frames were foreign.
    pub(super) fn account(&mut self, overheard: &Overheard) -> u32 {
        let now = self.now().mono;
        if overheard.echoes > 0 {
            self.note_echo();
        }
        (0..overheard.damaged_frames).for_each(|_| self.stats.frame(true, now));
        let mut foreign = 0;
        for frame in &overheard.frames {
            self.stats.frame(false, now);
            match self.devices.iter_mut().find_map(|device| device.heard(*frame, now).then_some(device.index))
            {
                Some(device) => self.schedule.at_once(device, now),
                None => foreign += 1,
            }
        }
        foreign
    }

    async fn deliver(&mut self, job: usize, ask: &Ask, data: &Data) -> Result<(), End> {
        let at = self.now();
        let Job { device, turn, .. } = &mut self.jobs[job];
        let device = &mut self.devices[*device];
        let read = |signal: &SignalIndex| {
            let raw = device.place(*signal).and_then(|place| decode(place, ask.block.start, data.answer()));
            // An answer that holds no such value tells of the signal what no answer does.
            Reading { signal: *signal, at, outcome: raw.ok_or(ReadFault::Garbled) }
        };
        let readings = ask.signals.iter().map(read).collect();
        device.plan.answered(turn);
        device.mutes.answered(&ask.block);
        self.go_on(job);
        self.tell(LineOutput::Readings(readings)).await
    }

    /// A refused block is asked for again in halves, until only what is refused is left out.
    async fn take_exception(&mut self, job: usize, ask: &Ask, code: u8) -> Result<(), End> {
        let Job { device, turn, .. } = &mut self.jobs[job];
        self.devices[*device].mutes.answered(&ask.block);
        let without = if is_refusal(code) {
            self.devices[*device].plan.refused(turn)
        } else {
            turn.skip();
            ask.signals.clone()
        };
        self.go_on(job);
        self.tell_fault(without, ReadFault::Exception(code)).await
    }

    /// The question at hand was answered, in whatever way.
    fn go_on(&mut self, job: usize) {
        let now = self.now().mono;
        let Job { turn, tries, .. } = &mut self.jobs[job];
        *tries = 0;
        let over = turn.next().is_none();
        self.schedule.answered(over, now);
    }

    /// A question that the device leaves unanswered though it talks is not put this time.
    async fn pass_over(&mut self, job: usize, ask: &Ask) -> Result<(), End> {
        let over = self.skip(job);
        self.schedule.left_out(over, self.now().mono);
        self.tell_fault(ask.signals.clone(), ReadFault::NoAnswer).await
    }

    /// Goes on to the next question, whatever came of this; returns whether there is none in the turn.
    fn skip(&mut self, job: usize) -> bool {
        let Job { turn, tries, .. } = &mut self.jobs[job];
        *tries = 0;
        turn.skip();
        turn.next().is_none()
    }

    /// The port has gone away under the question at hand. Some device servers hang up on whoever asks for a
    /// device that is silent: on a line that answers otherwise it is the device's silence.
    pub(super) async fn hung_up_on(&mut self, job: JobIndex) -> Result<(), End> {
        let Some(Job { device, turn, .. }) = self.jobs.get(job.0) else { return Ok(()) };
        if !self.answered_since_open || is_numbered(&self.plan.spec.port) {
            return Ok(());
        }
        let without = turn.next().map(|ask| ask.signals.clone()).unwrap_or_default();
        self.devices[*device].stats.give_up();
        self.schedule.unanswered(true, self.now().mono);
        self.tell_fault(without, ReadFault::NoAnswer).await
    }

    /// All tries were in vain. The device is asked its other questions all the same, until it has been
    /// silent for so long that it is left alone: then none of its values is known any more.
    async fn give_up(&mut self, job: usize, ask: &Ask, failure: Failure) -> Result<(), End> {
        let fault = match failure {
            Failure::Garbled | Failure::NotPut => ReadFault::Garbled,
            Failure::NoAnswer => ReadFault::NoAnswer,
        };
        let now = self.now().mono;
        let device = &mut self.devices[self.jobs[job].device];
        device.stats.give_up();
        let (index, was_put) = (device.index, failure != Failure::NotPut);
        if was_put && device.mutes.blames(ask.block) {
            return self.give_up_question(job, ask, fault).await;
        }
        let over = self.skip(job);
        if !was_put {
            // Nobody was asked: the line's unrest is no silence of the device.
            self.schedule.passed_over(over, now);
            return self.tell_fault(ask.signals.clone(), fault).await;
        }
        self.schedule.unanswered(over, now);
        let mut without = ask.signals.clone();
        if self.schedule.is_silent(index) {
            let asked = self.jobs[job].device;
            without = self.devices[asked].signals().collect();
            self.jobs.iter_mut().filter(|job| job.device == asked).for_each(|job| job.turn = Turn::default());
        }
        self.tell_fault(without, fault).await
    }
    /// The device talks, and leaves this question alone unanswered. One that brings several values is put
    /// in halves once that is sure: it may be for a single register that the device says nothing.
    async fn give_up_question(&mut self, job: usize, ask: &Ask, fault: ReadFault) -> Result<(), End> {
        let now = self.now().mono;
        let Job { device, turn, tries, .. } = &mut self.jobs[job];
        let device = *device;
        let Device { plan, mutes, .. } = &mut self.devices[device];
        let is_sure = fault == ReadFault::NoAnswer && mutes.is_mute(&ask.block);
        let halves = if is_sure { plan.part(turn) } else { Vec::new() };
        if !halves.is_empty() {
            *tries = 0;
            mutes.part(&ask.block, &halves);
            self.schedule.passed_over(false, now);
            return Ok(());
        }
        let over = self.skip(job);
        let cost = self.schedule.passed_over(over, now);
        self.devices[device].mutes.charge(&ask.block, cost, now);
        self.tell_fault(ask.signals.clone(), fault).await
    }
}
