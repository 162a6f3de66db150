//! The schedule on a line in simulated time, whose devices answer or do not.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;

use super::*;
use crate::modbus::silence::OVERLOOKED_MAX;
use crate::monitor::Spread;

const SECOND: Duration = Duration::from_secs(1);
const DEVICES: usize = 4;
const HOUR: Duration = Duration::from_secs(3_600);

/// What an unanswered question costs on the simulated line, and without its retry.
const PATIENCE: Duration = Duration::from_millis(1_000);
const KNOCK: Duration = Duration::from_millis(500);

/// A line in simulated time, whose devices answer or do not.
struct Line {
    specs: Vec<JobSpec>,
    schedule: Schedule,
    now: Mono,
    /// Questions in each turn; what a turn costs is shared among them.
    questions: Vec<u32>,
    asked: Vec<u32>,
    dead: Vec<bool>,
    /// Every turn that began: when, and of which job.
    begun: Vec<(Mono, usize)>,
    /// Every question: when, and of which job.
    sent: Vec<(Mono, usize)>,
    wasted: Duration,
}

impl Line {
    /// A line with jobs told as `(device, period in ms, cost in ms)`.
    fn new(jobs: &[(usize, u64, u64)]) -> Self {
        let spec = |(device, period, cost): &(usize, u64, u64)| JobSpec {
            device: DeviceIndex(*device),
            period: Duration::from_millis(*period),
            cost: Duration::from_millis(*cost),
        };
        let specs: Vec<JobSpec> = jobs.iter().map(spec).collect();
        Line {
            schedule: Schedule::new(&specs, Duration::from_secs(60), Mono::ZERO),
            now: Mono::ZERO,
            questions: vec![1; specs.len()],
            asked: vec![0; specs.len()],
            dead: vec![false; DEVICES],
            specs,
            begun: Vec::new(),
            sent: Vec::new(),
            wasted: Duration::ZERO,
        }
    }

    fn run(&mut self, time: Duration) {
        let end = self.now + time;
        while self.now < end {
            match self.schedule.next(self.now) {
                Next::Ask { job: JobIndex(job), begins, knock } => self.ask(job, begins, knock),
                Next::Wait(until) => {
                    assert!(until > self.now, "waits for what has passed");
                    self.now = until.min(end);
                }
                Next::Idle => self.now = end,
            }
        }
    }

    fn ask(&mut self, job: usize, begins: bool, knock: bool) {
        self.sent.push((self.now, job));
        if begins {
            self.begun.push((self.now, job));
            self.asked[job] = 0;
        }
        let spec = self.specs[job];
        if self.dead[spec.device.0] {
            let cost = if knock { KNOCK } else { PATIENCE };
            self.now = self.now + cost;
            self.wasted += cost;
            self.asked[job] += 1;
            self.schedule.unanswered(self.asked[job] == self.questions[job], self.now);
        } else {
            self.now = self.now + spec.cost / self.questions[job];
            self.asked[job] += 1;
            self.schedule.answered(self.asked[job] == self.questions[job], self.now);
        }
    }

    fn turns(&self, job: usize, since: Mono) -> u32 {
        let turns = self.begun.iter().filter(|(at, of)| *of == job && *at >= since).count();
        u32::try_from(turns).unwrap()
    }

    /// Every question as `seconds job`.
    fn told(&self) -> String {
        let letters = ["a", "b", "c", "d"];
        let each =
            |(at, job): &(Mono, usize)| format!("{:.1}{}", at.since_start().as_secs_f64(), letters[*job]);
        self.sent.iter().map(each).collect::<Vec<_>>().join(" ")
    }
}

#[test]
fn questions_go_out_in_this_order() {
    /// What it shows, jobs, questions in each turn, milliseconds to run, and every question sent.
    type Case = (&'static str, &'static [(usize, u64, u64)], &'static [u32], u64, &'static str);
    let cases: [Case; 4] = [
        (
            "first turns follow one another, and each job keeps its phase from there",
            &[(0, 1_000, 200), (1, 1_000, 100)],
            &[1, 1],
            2_500,
            "0.0a 0.2b 1.0a 1.2b 2.0a 2.2b",
        ),
        (
            "the nearer deadline goes first",
            &[(0, 4_000, 300), (1, 1_000, 100), (2, 2_000, 300)],
            &[1, 1, 1],
            3_000,
            "0.0b 0.1c 0.4a 1.0b 2.0b 2.1c",
        ),
        (
            "a long turn lets those pass that are more urgent",
            &[(0, 5_000, 1_200), (1, 1_000, 100)],
            &[4, 1],
            3_000,
            "0.0b 0.1a 0.4a 0.7a 1.0b 1.1a 2.0b",
        ),
        (
            "and is not begun anew after that",
            &[(0, 9_000, 2_000), (1, 1_000, 100)],
            &[4, 1],
            4_500,
            "0.0b 0.1a 0.6a 1.1b 1.2a 1.7a 2.2b 3.0b 4.0b",
        ),
    ];
    for (what, jobs, questions, millis, expected) in cases {
        let mut line = Line::new(jobs);
        line.questions = questions.to_vec();
        line.run(Duration::from_millis(millis));
        assert_eq!(line.told(), expected, "{what}");
    }
}

#[test]
fn a_turn_under_way_lets_a_more_urgent_job_pass() {
    let mut line = Line::new(&[(0, 1_000, 100), (1, 10_000, 2_000)]);
    line.questions = vec![1, 5];
    line.run(Duration::from_millis(2_900));
    assert_eq!(line.told(), "0.0a 0.1b 0.5b 0.9b 1.3a 1.4b 1.8b 2.2a");
    assert_eq!(line.turns(1, Mono::ZERO), 1);
}

#[test]
fn a_job_keeps_its_phase_for_ever() {
    let mut line = Line::new(&[(0, 1_000, 90), (1, 1_300, 170), (2, 7_000, 600)]);
    line.run(HOUR);
    let begun = line.begun.iter().filter(|(_, job)| *job == 0);
    for (turn, (at, _)) in begun.enumerate() {
        let due = Mono::ZERO + SECOND * u32::try_from(turn).unwrap();
        let late = at.since(due);
        assert!(*at >= due && late <= Duration::from_millis(600), "turn {turn} began at {at}");
    }
    assert_eq!(line.turns(0, Mono::ZERO), 3_600);
    assert_eq!(line.schedule.missed(JobIndex(0)), 0);
}

#[test]
fn after_a_pause_what_was_missed_is_counted_and_not_made_up_for() {
    let mut line = Line::new(&[(0, 1_000, 10)]);
    line.run(Duration::from_millis(5_500));
    line.now = line.now + Duration::from_millis(10_200);
    line.begun.clear();
    line.run(Duration::from_millis(2_500));
    let begun: Vec<u128> = line.begun.iter().map(|(at, _)| at.since_start().as_millis()).collect();
    assert_eq!(begun, [15_700, 16_000, 17_000, 18_000]);
    // 6 … 14 were missed; 15 was had, though late.
    assert_eq!(line.schedule.missed(JobIndex(0)), 9);
}

#[test]
fn while_the_line_is_down_nothing_counts_as_missed() {
    let mut line = Line::new(&[(0, 1_000, 10), (1, 1_000, 10)]);
    line.run(SECOND * 5);
    line.now = line.now + SECOND * 60;
    line.schedule.resume(line.now);
    line.begun.clear();
    line.run(SECOND * 5);
    assert_eq!((line.turns(0, Mono::ZERO), line.turns(1, Mono::ZERO)), (5, 5));
    assert_eq!(line.schedule.missed(JobIndex(0)), 0);
}

#[test]
fn demand_is_the_sum_of_cost_by_period_as_measured() {
    let mut line = Line::new(&[(0, 1_000, 300), (1, 2_000, 500)]);
    assert!((line.schedule.demand() - 0.55).abs() < 1e-9);
    line.specs[0].cost = Duration::from_millis(200);
    line.run(SECOND * 120);
    assert!((line.schedule.demand() - 0.45).abs() < 1e-3, "{}", line.schedule.demand());
}

#[test]
fn a_line_thought_overloaded_before_it_was_asked_is_at_its_periods_after_one_round() {
    let mut line = Line::new(&[(0, 1_000, 700), (1, 1_000, 700)]);
    line.specs.iter_mut().for_each(|spec| spec.cost = Duration::from_millis(100));
    line.run(SECOND * 62);
    assert!((line.schedule.demand() - 0.2).abs() < 1e-9, "{}", line.schedule.demand());
    assert!(line.turns(0, Mono::ZERO) >= 60 && line.turns(1, Mono::ZERO) >= 60);
}

#[test]
fn lateness_is_told_as_quantiles() {
    let mut line = Line::new(&[(0, 1_000, 10)]);
    line.run(SECOND * 60);
    let millis = |line: &Line| {
        let Spread { min: _, p50, p90, p99 } = line.schedule.lateness().spread().unwrap();
        [p50, p90, p99].map(|quantile| quantile.as_millis())
    };
    assert_eq!(millis(&line), [0, 0, 0]);
    line.now = line.now + Duration::from_millis(250);
    line.run(SECOND * 10);
    assert_eq!(millis(&line), [0, 0, 250]);
}

#[test]
fn a_job_without_a_question_takes_no_time_and_says_nothing_of_its_device() {
    let jobs = [JobSpec { device: DeviceIndex(3), period: SECOND, cost: SECOND }];
    let mut schedule = Schedule::new(&jobs, SECOND * 60, Mono::ZERO);
    for turn in 0..200 {
        let now = Mono::ZERO + SECOND * turn;
        assert_eq!(schedule.next(now), Next::Ask { job: JobIndex(0), begins: true, knock: false });
        schedule.nothing_to_ask(now);
        assert_eq!(schedule.next(now), Next::Wait(now + SECOND));
    }
    assert!(schedule.demand() < 1e-6);
}

#[test]
fn a_turn_whose_last_question_is_left_out_costs_what_the_others_do() {
    let jobs = [JobSpec { device: DeviceIndex(0), period: SECOND, cost: SECOND * 5 }];
    let mut schedule = Schedule::new(&jobs, SECOND * 60, Mono::ZERO);
    let asked = Mono::ZERO + Duration::from_millis(100);
    assert_eq!(schedule.next(Mono::ZERO), asks(0, true));
    schedule.answered(false, asked);
    assert_eq!(schedule.next(asked), asks(0, false));
    schedule.left_out(true, asked);
    assert!((schedule.demand() - 0.1).abs() < 1e-9, "{}", schedule.demand());
}

/// A schedule of one job on each of two devices, both due once a second from 0 s on.
fn two_devices() -> Schedule {
    let job = |device| JobSpec { device: DeviceIndex(device), period: SECOND, cost: Duration::ZERO };
    Schedule::new(&[job(0), job(1)], SECOND * 600, Mono::ZERO)
}

fn asks(job: usize, begins: bool) -> Next {
    Next::Ask { job: JobIndex(job), begins, knock: false }
}

#[test]
fn a_question_put_off_lets_the_others_pass_and_its_turn_goes_on_when_it_may() {
    let at = Mono::from_millis;
    let mut schedule = two_devices();
    assert_eq!(schedule.next(at(0)), asks(0, true));
    schedule.not_yet(at(700), at(0));
    assert_eq!(schedule.next(at(0)), asks(1, true));
    schedule.answered(true, at(100));
    assert_eq!(schedule.next(at(100)), Next::Wait(at(700)));
    assert_eq!(schedule.next(at(700)), asks(0, false));
    schedule.not_yet(at(900), at(700));
    schedule.at_once(DeviceIndex(1), at(750));
    assert_eq!(schedule.next(at(750)), Next::Wait(at(900)), "another device's business");
    schedule.at_once(DeviceIndex(0), at(760));
    assert_eq!(schedule.next(at(760)), asks(0, false));
}

#[test]
fn what_a_question_cost_before_it_was_put_off_is_wasted_too() {
    let mut schedule = two_devices();
    let mut now = Mono::ZERO;
    for _ in 0..=OVERLOOKED_MAX {
        while let Next::Wait(until) = next_of_the_first(&mut schedule, now) {
            now = until;
        }
        now = now + Duration::from_millis(900);
        schedule.not_yet(now, now);
        assert_eq!(next_of_the_first(&mut schedule, now), asks(0, false));
        now = now + Duration::from_millis(100);
        schedule.unanswered(true, now);
    }
    // Twenty times the whole second, not the tenth after the question was put off.
    assert!(matches!(next_of_the_first(&mut schedule, now + SECOND * 19), Next::Wait(_)));
    let back = next_of_the_first(&mut schedule, now + SECOND * 20);
    assert_eq!(back, Next::Ask { job: JobIndex(0), begins: true, knock: true });
}

/// What to do at `now`, once the second of two devices has answered all that is due.
fn next_of_the_first(schedule: &mut Schedule, now: Mono) -> Next {
    loop {
        match schedule.next(now) {
            Next::Ask { job: JobIndex(1), .. } => schedule.answered(true, now),
            other @ (Next::Ask { .. } | Next::Wait(_) | Next::Idle) => return other,
        }
    }
}

#[test]
fn a_line_without_jobs_is_idle() {
    assert_eq!(Schedule::new(&[], SECOND, Mono::ZERO).next(Mono::ZERO), Next::Idle);
}

#[test]
fn one_dead_device_costs_the_others_at_most_five_percent() {
    let mut line =
        Line::new(&[(0, 1_000, 40), (0, 10_000, 40), (1, 1_000, 40), (2, 1_000, 40), (3, 1_000, 40)]);
    line.dead[0] = true;
    line.run(HOUR);
    let share = line.wasted.div_duration_f64(HOUR);
    assert!(share <= 0.05, "{share}");
    for job in 2..=4 {
        assert!(line.turns(job, Mono::ZERO) >= 3_600 * 95 / 100, "job {job}");
    }
    assert!(line.schedule.is_silent(DeviceIndex(0)) && !line.schedule.is_silent(DeviceIndex(1)));
    assert_eq!(line.schedule.missed(JobIndex(0)), 0, "silence is no fault of the line");
}

#[test]
fn a_device_is_back_at_full_rate_with_its_first_answer() {
    let mut line = Line::new(&[(0, 1_000, 40), (0, 5_000, 40), (1, 1_000, 40)]);
    line.dead[0] = true;
    line.run(SECOND * 600);
    line.dead[0] = false;
    let sent = line.sent.len();
    line.run(SECOND * 61);
    assert!(!line.schedule.is_silent(DeviceIndex(0)));
    let (back, _) = *line.sent[sent..].iter().find(|(_, job)| *job < 2).unwrap();
    let rest = (line.now + SECOND * 10).since(back);
    line.run(SECOND * 10);
    let turns = |period| u32::try_from(rest.as_secs() / period).unwrap();
    assert!(line.turns(0, back) >= turns(1), "{} turns in {rest:?}", line.turns(0, back));
    assert!(line.turns(1, back) >= turns(5));
}

#[test]
fn an_overloaded_line_stretches_every_period_by_the_same_factor() {
    let mut line = Line::new(&[(0, 500, 300), (1, 1_000, 300), (2, 2_000, 400), (3, 10_000, 900)]);
    line.questions = vec![1, 1, 1, 3];
    let demand = line.schedule.demand();
    assert!((demand - 1.19).abs() < 1e-9);
    line.run(HOUR);
    for (job, spec) in line.specs.iter().enumerate() {
        let wanted = HOUR.div_duration_f64(spec.period);
        let stretch = wanted / f64::from(line.turns(job, Mono::ZERO));
        assert!((stretch / demand - 1.0).abs() < 0.03, "job {job} is stretched {stretch} at {demand}");
        let had = f64::from(line.turns(job, Mono::ZERO));
        let missed = f64::from(u32::try_from(line.schedule.missed(JobIndex(job))).unwrap());
        assert!((had + missed - wanted).abs() <= 3.0, "job {job}: {had} had, {missed} missed of {wanted}");
    }
    let used: Duration =
        line.specs.iter().enumerate().map(|(job, spec)| spec.cost * line.turns(job, Mono::ZERO)).sum();
    assert!(used >= HOUR.mul_f64(0.995), "{used:?} of an hour are used");
}

/// Jobs of up to four devices, and what they ask of the line in all.
fn some_jobs(
    period_ms: std::ops::Range<u64>,
    cost_ms: std::ops::Range<u64>,
) -> impl Strategy<Value = Vec<(usize, u64, u64)>> {
    prop::collection::vec((0..DEVICES, period_ms, cost_ms), 1..12)
}

proptest! {
    // Each case plays minutes of a line; a quarter of the usual number keeps the run short.
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Questions cannot be interrupted, so that a job may wait for one more: where there is time for
    /// that too, every deadline can be met (Jeffay, Stanat and Martel, *Real-Time Systems Symposium*
    /// 1991; their second condition is implied by this stricter one).
    #[test]
    fn what_the_line_can_carry_is_never_missed(jobs in some_jobs(500..10_000, 5..100)) {
        let demand: f64 = jobs.iter().map(|(_, period, cost)| ratio(*cost, *period)).sum();
        let shortest = jobs.iter().map(|job| job.1).min().unwrap();
        let longest = jobs.iter().map(|job| job.2).max().unwrap();
        prop_assume!(demand + ratio(longest, shortest) <= 1.0);
        let mut line = Line::new(&jobs);
        line.run(SECOND * 300);
        for (job, (_, period, _)) in jobs.iter().enumerate() {
            let turns = u64::from(line.turns(job, Mono::ZERO));
            prop_assert!(turns + 1 >= 300_000 / period, "job {job}: {turns} turns");
            prop_assert_eq!(line.schedule.missed(JobIndex(job)), 0);
        }
    }

    #[test]
    fn what_it_cannot_carry_is_shared_fairly(jobs in some_jobs(600..3_000, 150..300)) {
        let demand: f64 = jobs.iter().map(|(_, period, cost)| ratio(*cost, *period)).sum();
        prop_assume!(demand > 1.05);
        let mut line = Line::new(&jobs);
        line.run(SECOND * 400);
        for (job, (_, period, _)) in jobs.iter().enumerate() {
            let stretch = 400_000.0 / ratio(*period, 1) / f64::from(line.turns(job, Mono::ZERO));
            prop_assert!((stretch / demand - 1.0).abs() < 0.05, "job {job} is stretched {stretch} at {demand}");
        }
    }

    #[test]
    fn no_job_is_had_more_often_than_asked_whatever_happens(
        jobs in some_jobs(200..3_000, 5..400),
        deaths in prop::collection::vec((0..DEVICES, 100..20_000_u64), 0..10),
    ) {
        let mut line = Line::new(&jobs);
        for (device, millis) in deaths {
            line.dead[device] = !line.dead[device];
            line.run(Duration::from_millis(millis));
        }
        for (job, (_, period, _)) in jobs.iter().enumerate() {
            let elapsed = line.now.since_start().div_duration_f64(Duration::from_millis(*period));
            let turns = f64::from(line.turns(job, Mono::ZERO));
            // Coming back from silence begins a new phase, and may bring a turn early.
            let returns = 10.0;
            prop_assert!(turns <= elapsed + 1.0 + returns, "job {job}: {turns} turns in {elapsed} periods");
        }
    }
}

fn ratio(one: u64, other: u64) -> f64 {
    f64::from(u32::try_from(one).unwrap()) / f64::from(u32::try_from(other).unwrap())
}
