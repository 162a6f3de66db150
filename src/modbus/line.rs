//! The life of one line: open the port, ask what is due, say what came back, until told to stop.
//!
//! A port that goes away or cannot be opened stops nothing: the line says so, gives every signal
//! its reason, and tries again with growing pauses. What is asked when is the
//! [`schedule`](super::schedule)'s to say; one question with all that follows from it is in
//! [`turn`](super::turn).

use std::time::Duration;

use tokio::sync::mpsc::{self, Receiver, Sender};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::modbus::device::Device;
use crate::modbus::loan::LoanAsked;
use crate::modbus::owed::{LATENESS_MAX, Owed};
use crate::modbus::plan::Turn;
use crate::modbus::port::OpenError;
use crate::modbus::schedule::{JobIndex, JobSpec, Next, Schedule};
use crate::modbus::stats::{LineStats, sum};
use crate::modbus::timing::Timing;
use crate::modbus::turn::Job;
use crate::modbus::wire::{Wire, is_numbered};
use crate::modbus::{DevicePlan, LineOutput, LinePlan};
use crate::moment::{Clock, Moment, Mono};
use crate::monitor::{DeviceReport, DeviceState, LineReport, LineState};
use crate::signal::{ReadFault, Reading, SignalIndex};

/// How often a line reports on itself when nothing changes.
const REPORT_EVERY: Duration = Duration::from_secs(1);
/// The pause before the port is tried again; it doubles with each failure, up to the longest.
const REOPEN_AFTER_MIN: Duration = Duration::from_millis(250);
const REOPEN_AFTER_MAX: Duration = Duration::from_secs(10);

/// What is said of an adapter that hears itself.
pub(super) const ECHO_HINT: &str = "the adapter echoes every question; its echo is taken off";

/// Runs the line until `stop`, or until nobody listens any more.
pub(super) async fn run(
    plan: LinePlan,
    clock: Clock,
    out: Sender<LineOutput>,
    loans: Receiver<LoanAsked>,
    stop: CancellationToken,
) {
    let mut line = Line { loans, ..Line::new(plan, clock, out) };
    tokio::select! {
        biased;
        () = stop.cancelled() => {}
        _nobody_listens = line.live() => {}
    }
}

/// Why a line cannot go on asking.
pub(super) enum End {
    /// The port is gone, and why.
    Gone(String),
    /// Nobody receives what it says.
    Unheard,
    /// Somebody asks for the line itself.
    Wanted,
}

/// One line and all that it knows.
pub(super) struct Line {
    pub(super) plan: LinePlan,
    pub(super) devices: Vec<Device>,
    pub(super) jobs: Vec<Job>,
    pub(super) schedule: Schedule,
    pub(super) stats: LineStats,
    /// Whether any device has answered since the port was opened.
    pub(super) answered_since_open: bool,
    state: LineState,
    clock: Clock,
    out: Sender<LineOutput>,
    /// What was last said of the devices, and when to say it again.
    told: Vec<DeviceState>,
    tell_at: Mono,
    /// What a person should know of the port that was last opened.
    port_hints: Vec<String>,
    echoes: bool,
    /// While the line is down or lent: what falls due all the same.
    due_while_down: Option<Schedule>,
    /// Those who ask for the line itself.
    pub(super) loans: Receiver<LoanAsked>,
    /// Whether somebody else has asked its devices since the port was last open.
    pub(super) was_lent: bool,
}

impl Line {
    pub(super) fn new(plan: LinePlan, clock: Clock, out: Sender<LineOutput>) -> Self {
        let now = clock().mono;
        let timing = Timing::of(&plan.spec.port);
        let owed = |device: &DevicePlan| {
            (!is_numbered(&plan.spec.port))
                .then(|| Owed::new(plan.spec.response_timeout, device.learned.latest))
        };
        let silence_max = plan.spec.silence_max;
        let device = |device| Device::new(device, timing, owed(device), silence_max);
        let devices: Vec<Device> = plan.devices.iter().map(device).collect();
        let groups = |(index, device): (usize, &Device)| {
            (0..device.plan.groups()).map(move |group| (index, group)).collect::<Vec<_>>()
        };
        let jobs: Vec<Job> = devices
            .iter()
            .enumerate()
            .flat_map(groups)
            .map(|(device, group)| Job { device, group, turn: Turn::default(), tries: 0 })
            .collect();
        let specs: Vec<JobSpec> = jobs.iter().map(|job| job_spec(job, &devices)).collect();
        Line {
            schedule: Schedule::new(&specs, plan.spec.silence_max, now),
            stats: LineStats::new(now),
            answered_since_open: false,
            state: LineState::Down("not opened yet".to_owned()),
            told: Vec::new(),
            tell_at: now,
            port_hints: Vec::new(),
            echoes: false,
            due_while_down: None,
            loans: mpsc::channel(1).1,
            was_lent: false,
            plan,
            devices,
            jobs,
            clock,
            out,
        }
    }

    /// Goes on for as long as somebody listens.
    async fn live(&mut self) -> Result<(), End> {
        let mut pause = REOPEN_AFTER_MIN;
        let mut gone: Option<String> = None;
        loop {
            while let Ok(asked) = self.loans.try_recv() {
                self.lend(asked).await?;
                (pause, gone) = (REOPEN_AFTER_MIN, None);
            }
            let cause = match self.open().await {
                Ok(wire) => match self.ask_while_open(wire).await {
                    End::Gone(cause) if self.answered_since_open => {
                        // A device server that hangs up, an adapter plugged over: often it is back at once.
                        pause = REOPEN_AFTER_MIN;
                        gone = Some(cause);
                        continue;
                    }
                    End::Gone(cause) => cause,
                    End::Unheard => return Ok(()),
                    End::Wanted => continue,
                },
                Err(error) => match gone.take() {
                    Some(gone) => format!("{error} (the port was lost: {gone})"),
                    None => error.to_string(),
                },
            };
            self.go_down(cause).await?;
            self.stay_down(pause).await?;
            pause = (pause * 2).min(REOPEN_AFTER_MAX);
        }
    }

    async fn open(&mut self) -> Result<Wire, OpenError> {
        let (wire, hints) = Wire::open(&self.plan.spec).await?;
        for hint in hints.iter().filter(|hint| !self.port_hints.contains(hint)) {
            warn!("line {}: {hint}", self.plan.spec.id);
        }
        self.port_hints = hints;
        Ok(wire)
    }

    /// Asks what is due until the port is gone or nobody listens.
    pub(super) async fn ask_while_open(&mut self, mut wire: Wire) -> End {
        self.answered_since_open = false;
        if let Err(end) = self.listen_first().await {
            return end;
        }
        while self.loans.is_empty() {
            if let Err(end) = self.ask_next(&mut wire).await {
                return end;
            }
        }
        End::Wanted
    }

    async fn ask_next(&mut self, wire: &mut Wire) -> Result<(), End> {
        self.report_when_due().await?;
        match self.schedule.next(self.now().mono) {
            Next::Ask { job, begins, knock } => {
                let asked = self.take_turn(wire, job, begins, knock).await;
                if let Err(End::Gone(_)) = asked {
                    self.hung_up_on(job).await?;
                }
                asked
            }
            Next::Wait(until) => self.listen_until(wire, until.min(self.tell_at)).await,
            Next::Idle => self.listen_until(wire, self.tell_at).await,
        }
    }

    /// Waits for the next question's time. What comes unasked meanwhile is taken at once, so that
    /// it is known how late it was.
    async fn listen_until(&mut self, wire: &mut Wire, until: Mono) -> Result<(), End> {
        let until = Instant::now() + until.since(self.now().mono);
        let overheard = wire.listen(until).await.map_err(End::Gone)?;
        self.account(&overheard);
        Ok(())
    }

    /// The port is open. On its first opening, and after a loan, a line without transaction numbers is
    /// listened to: a question put by whoever asked before may still be answered, and as late as
    /// answers are known to come on this line. Where the port was lost and found again at once, everything
    /// goes on in its phase.
    async fn listen_first(&mut self) -> Result<(), End> {
        let was_down = self.due_while_down.take().is_some();
        let first = !was_down && self.told.is_empty();
        let unknown = std::mem::take(&mut self.was_lent) || first;
        self.state = LineState::Up;
        info!("line {}: up", self.plan.spec.id);
        self.report().await?;
        if unknown && !is_numbered(&self.plan.spec.port) {
            let latest = self.devices.iter().map(Device::latest).max();
            let latest = latest.unwrap_or_default().min(LATENESS_MAX);
            let until = self.now().mono + self.plan.spec.response_timeout + latest;
            while self.now().mono < until && self.loans.is_empty() {
                self.report_when_due().await?;
                self.sleep_until(until.min(self.tell_at)).await;
            }
        }
        let now = self.now().mono;
        if was_down || first {
            self.schedule.resume(now)
        } else {
            self.schedule.break_off(now)
        }
        Ok(())
    }

    /// Says that the line is down, and why; no value of it is known from now on.
    async fn go_down(&mut self, cause: String) -> Result<(), End> {
        let down = LineState::Down(cause);
        if let LineState::Down(cause) = &down
            && self.state != down
        {
            warn!("line {}: down: {cause}", self.plan.spec.id);
        }
        self.stop_asking(down).await
    }

    /// Says why nothing is asked from now on, and that no value of the line is known.
    pub(super) async fn stop_asking(&mut self, state: LineState) -> Result<(), End> {
        if self.state != state {
            self.state = state;
            self.report().await?;
        }
        if self.due_while_down.is_none() {
            self.due_while_down = Some(self.schedule.clone());
            let all = self.devices.iter().flat_map(Device::signals).collect();
            self.tell_fault(all, ReadFault::LineDown).await?;
        }
        Ok(())
    }

    /// Waits for `pause`, or until somebody asks for the line; whatever falls due meanwhile is told to be
    /// unknown.
    pub(super) async fn stay_down(&mut self, pause: Duration) -> Result<(), End> {
        let over = self.now().mono + pause;
        loop {
            self.report_when_due().await?;
            let now = self.now().mono;
            if now >= over || !self.loans.is_empty() {
                return Ok(());
            }
            let Some(due) = &mut self.due_while_down else { return Ok(()) };
            match due.next(now) {
                Next::Ask { job, .. } => {
                    due.nothing_to_ask(now);
                    let Some(job) = self.jobs.get(job.0) else { continue };
                    let signals = self.devices[job.device].signals_of(job.group).collect();
                    self.tell_fault(signals, ReadFault::LineDown).await?;
                }
                Next::Wait(until) => self.sleep_until(until.min(over).min(self.tell_at)).await,
                Next::Idle => self.sleep_until(over.min(self.tell_at)).await,
            }
        }
    }

    /// Now, on both clocks.
    pub(super) fn now(&self) -> Moment {
        (self.clock)()
    }

    async fn sleep_until(&self, until: Mono) {
        tokio::time::sleep(until.since(self.now().mono)).await;
    }

    /// Says something to whoever listens; waits while they are busy.
    pub(super) async fn tell(&self, output: LineOutput) -> Result<(), End> {
        self.out.send(output).await.map_err(|_| End::Unheard)
    }

    /// Tells why there is no value for these signals.
    pub(super) async fn tell_fault(&self, signals: Vec<SignalIndex>, fault: ReadFault) -> Result<(), End> {
        if signals.is_empty() {
            return Ok(());
        }
        let at = self.now();
        let reading = |signal| Reading { signal, at, outcome: Err(fault) };
        self.tell(LineOutput::Readings(signals.into_iter().map(reading).collect())).await
    }

    /// The adapter has sent back what it was given.
    pub(super) fn note_echo(&mut self) {
        if !self.echoes {
            self.echoes = true;
            warn!("line {}: {ECHO_HINT}", self.plan.spec.id);
        }
    }

    /// Reports when it is time to, or when a device's state has changed.
    pub(super) async fn report_when_due(&mut self) -> Result<(), End> {
        let changed = !self.devices.iter().map(|device| device.stats.state()).eq(self.told.iter().copied());
        if changed || self.now().mono >= self.tell_at { self.report().await } else { Ok(()) }
    }

    async fn report(&mut self) -> Result<(), End> {
        let now = self.now().mono;
        self.tell_at = now + REPORT_EVERY;
        self.learn().await?;
        let mut missed = vec![Vec::new(); self.devices.len()];
        for (index, job) in self.jobs.iter().enumerate() {
            missed[job.device].push(self.schedule.missed(JobIndex(index)));
        }
        let devices: Vec<DeviceReport> =
            self.devices.iter_mut().zip(&missed).map(|(device, missed)| device.report(missed)).collect();
        self.log_changes(&devices);
        self.told = devices.iter().map(|device| device.state).collect();
        let report = LineReport {
            line: self.plan.line,
            state: self.state.clone(),
            load: self.stats.load(now),
            demand: self.schedule.demand(),
            lateness: self.schedule.lateness().spread(),
            noisy: self.stats.noisy(now),
            hints: self.hints(),
            counters: sum(devices.iter().map(|device| &device.counters)),
            devices,
        };
        self.tell(LineOutput::Report(Box::new(report))).await
    }

    /// Tells what has been learned of the devices since the last time.
    async fn learn(&mut self) -> Result<(), End> {
        for device in 0..self.devices.len() {
            if let Some(learned) = self.devices[device].learn() {
                let device = self.devices[device].index;
                self.tell(LineOutput::Learned { device, learned }).await?;
            }
        }
        Ok(())
    }

    fn hints(&self) -> Vec<String> {
        let echo = self.echoes.then(|| ECHO_HINT.to_owned());
        self.port_hints.iter().cloned().chain(echo).collect()
    }

    fn log_changes(&self, devices: &[DeviceReport]) {
        let before = self.told.iter().copied().chain(std::iter::repeat(DeviceState::Unknown));
        for ((report, before), plan) in devices.iter().zip(before).zip(&self.plan.devices) {
            match (before, report.state) {
                (before, now) if before == now => {}
                (_, DeviceState::Lost) => warn!("device {}: does not answer", plan.spec.id),
                (_, now) => info!("device {}: {}", plan.spec.id, now.word()),
            }
        }
    }
}

fn job_spec(job: &Job, devices: &[Device]) -> JobSpec {
    let device = &devices[job.device];
    JobSpec {
        device: device.index,
        period: device.plan.period(job.group),
        cost: device.plan.turn_cost(job.group),
    }
}
