//! What must hold whatever happens, in words and in code, and the two ways it is tried: every state
//! that a small site can reach, and random courses of a larger one.
//!
//! The small site has one latching or plain alarm with short delays, shelving and re-alarm; time goes
//! in steps of one second. Its states, with every deadline taken relative to now, are finitely many,
//! so that a walk over all inputs from all of them ends, and has then seen every pair of state and
//! input there is. Beside each walk runs a witness: the rules of delay and deadband written out a
//! second time, in the plainest way, apart from the monitor.

use std::collections::{HashSet, VecDeque};
use std::time::Duration;

use proptest::prelude::*;

use super::tests::{CALIBRATING, FLOW, H2S, moment, plan};
use super::*;
use crate::alarm::{AlarmIndex, Life, LifeEvent, Shelf, Verdict, WhenLost, Withheld};
use crate::moment::Mono;
use crate::signal::{Guard, GuardTest, Raw, Reading, SignalIndex};

const HIGH: AlarmIndex = AlarmIndex(0);
const ON_DELAY_S: u64 = 2;
const OFF_DELAY_S: u64 = 3;

/// What can happen in one second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Happening {
    /// A value above the setpoint.
    Above,
    /// A value inside the deadband.
    Inside,
    /// A value below the deadband.
    Below,
    /// The sample flow stops, so that the value is no measurement.
    FlowStops,
    /// The flow is back; what suppresses the alarm is not there.
    FlowReturns,
    /// The flow is so strong that the alarm is suppressed by design.
    FlowSuppresses,
    /// Nothing but time.
    Second,
    /// The wall clock is stepped by an hour, either way.
    ClockStep(bool),
    /// An operator acts.
    Acts(ActionKind),
}

impl Happening {
    const ALL: [Happening; 15] = [
        Happening::Above,
        Happening::Inside,
        Happening::Below,
        Happening::FlowStops,
        Happening::FlowReturns,
        Happening::FlowSuppresses,
        Happening::Second,
        Happening::ClockStep(true),
        Happening::ClockStep(false),
        Happening::Acts(ActionKind::Acknowledge),
        Happening::Acts(ActionKind::Reset),
        Happening::Acts(ActionKind::Shelve(Some(Duration::from_secs(3)))),
        Happening::Acts(ActionKind::Shelve(None)),
        Happening::Acts(ActionKind::RemoveFromService),
        Happening::Acts(ActionKind::ReturnToService),
    ];
}

/// One step: what was, what happened, what was told, what is.
struct Step<'a> {
    before: &'a World,
    happening: Happening,
    output: &'a Output,
    after: &'a World,
}

/// A rule that holds for every step.
struct Invariant {
    words: &'static str,
    holds: fn(&Step<'_>) -> bool,
}

const INVARIANTS: [Invariant; 11] = [
    Invariant {
        words: "a latched alarm leaves only by reset, or by rising again",
        holds: |step| {
            let left = step.before.life().is_latched() && !step.after.life().is_latched();
            !left || step.told(EventKind::AlarmReset) || step.told(EventKind::AlarmRaised)
        },
    },
    Invariant {
        words: "a reset while the alarm is active, or its condition holds, does nothing",
        holds: |step| {
            let reset = step.happening == Happening::Acts(ActionKind::Reset);
            let holds = step.before.life().is_active() || step.before.witness.verdict == Verdict::Holds;
            !(reset && holds && step.told(EventKind::AlarmReset))
        },
    },
    Invariant {
        words: "no operator action changes whether the condition holds",
        holds: |step| {
            !matches!(step.happening, Happening::Acts(_))
                || step.before.verdict_now() == step.after.verdict_now()
        },
    },
    Invariant {
        words: "nothing indeterminate raises or clears",
        holds: |step| {
            let changed = step.told(EventKind::AlarmRaised) || step.told(EventKind::AlarmCleared);
            !(changed
                && step.after.witness.verdict == Verdict::Unknown
                && step.before.witness.verdict == Verdict::Unknown)
        },
    },
    Invariant {
        words: "the alarm is raised exactly when, and cleared exactly when, the plain witness says so",
        holds: |step| step.after.life().is_active() == step.after.witness.active,
    },
    Invariant {
        words: "an alarm that is told, active and known is not called normal",
        holds: |step| {
            !(step.after.withheld().is_none()
                && step.after.active() == Some(true)
                && step.after.life() == Life::Normal)
        },
    },
    Invariant {
        words: "active is null exactly when the condition cannot be known",
        holds: |step| step.after.active().is_none() == (step.after.witness.verdict == Verdict::Unknown),
    },
    Invariant {
        words: "every shelving is over at its deadline",
        holds: |step| match step.after.alarm().standing.shelf {
            Some(shelf) => shelf.until().mono > step.after.state.now().mono,
            None => true,
        },
    },
    Invariant {
        words: "a withheld alarm calls nobody",
        holds: |step| {
            let stays = step.before.withheld().is_some() && step.after.withheld().is_some();
            !stays || step.before.alarm().called == step.after.alarm().called
        },
    },
    Invariant {
        words: "every change of state is an event that tells the new state",
        holds: |step| {
            let about = |event: &&Event| event.subject == "high";
            let told =
                step.output.events.iter().rev().find(about).and_then(|event| event.detail.get("state"));
            let word = Detail::Text(step.after.life().word().to_owned());
            step.before.life() == step.after.life() || told == Some(&word)
        },
    },
    Invariant {
        words: "the next deadline is never before now, and nothing that is due is left",
        holds: |step| step.after.state.wake().is_none_or(|wake| wake > step.after.state.now().mono),
    },
];

impl Step<'_> {
    fn told(&self, kind: EventKind) -> bool {
        self.output.events.iter().any(|event| event.kind == kind && event.subject == "high")
    }
}

/// The monitor and its witness.
#[derive(Clone)]
struct World {
    state: State,
    witness: Witness,
    clock_offset_s: i64,
}

/// The rules of deadband and delay once more, counted in whole seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Witness {
    value: Value,
    flows: bool,
    verdict: Verdict,
    active: bool,
    /// For how many seconds the verdict has spoken against the alarm's standing.
    against_s: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Value {
    Above,
    Inside,
    Below,
}

impl Witness {
    fn second(&mut self, when_lost: WhenLost) {
        let needed = if self.active { OFF_DELAY_S } else { ON_DELAY_S };
        if self.speaks_against() {
            self.against_s += 1;
            if self.against_s >= needed {
                self.active = !self.active;
                self.against_s = 0;
            }
        }
        self.judge(when_lost);
    }

    fn judge(&mut self, when_lost: WhenLost) {
        self.verdict = match (self.flows, self.value) {
            (false, _) if when_lost == WhenLost::Alarm => Verdict::Holds,
            (false, _) => Verdict::Unknown,
            (true, Value::Above) => Verdict::Holds,
            (true, Value::Inside) if self.active => Verdict::Holds,
            (true, Value::Inside | Value::Below) => Verdict::Clear,
        };
        if !self.speaks_against() {
            self.against_s = 0;
        }
    }

    fn speaks_against(&self) -> bool {
        match self.verdict {
            Verdict::Holds => !self.active,
            Verdict::Clear => self.active,
            Verdict::Unknown => false,
        }
    }
}

impl World {
    fn new(plan: &Plan) -> World {
        let witness = Witness {
            value: Value::Below,
            flows: true,
            verdict: Verdict::Unknown,
            active: false,
            against_s: 0,
        };
        let mut world = World { state: State::new(plan, moment(0.0, 0)), witness, clock_offset_s: 0 };
        for (signal, raw) in
            [(FLOW, Raw::Number(2.0)), (CALIBRATING, Raw::Flag(false)), (H2S, Raw::Number(1.0))]
        {
            world.read(plan, signal, raw);
        }
        world.witness.judge(WhenLost::Hold);
        world
    }

    /// A second passes.
    fn pass_second(&mut self, plan: &Plan) -> Output {
        let now = self.next_second();
        let output = step(plan, &mut self.state, Input::Tick, now);
        self.witness.second(plan.alarms[HIGH.0].when_lost);
        output
    }

    /// It happens, in no time.
    fn meet(&mut self, plan: &Plan, happening: Happening) -> Output {
        let output = match happening {
            Happening::Above => self.read_value(plan, Value::Above, 5.0),
            Happening::Inside => self.read_value(plan, Value::Inside, 3.9),
            Happening::Below => self.read_value(plan, Value::Below, 1.0),
            Happening::FlowStops => self.read_flow(plan, false, 0.0),
            Happening::FlowReturns => self.read_flow(plan, true, 2.0),
            Happening::FlowSuppresses => self.read_flow(plan, true, 9.0),
            Happening::Second => Output::default(),
            Happening::ClockStep(ahead) => {
                self.clock_offset_s += if ahead { 3600 } else { -3600 };
                let mono = self.state.now().mono.since_start().as_secs_f64();
                step(plan, &mut self.state, Input::Tick, moment(mono, self.clock_offset_s))
            }
            Happening::Acts(kind) => self.act(plan, kind),
        };
        self.witness.judge(plan.alarms[HIGH.0].when_lost);
        output
    }

    /// A second passes, then it happens; both keep every invariant.
    fn live(&self, plan: &Plan, happening: Happening) -> (World, Output) {
        let mut between = self.clone();
        let mut output = between.pass_second(plan);
        check_step(&Step { before: self, happening: Happening::Second, output: &output, after: &between });
        let mut after = between.clone();
        let more = after.meet(plan, happening);
        check_step(&Step { before: &between, happening, output: &more, after: &after });
        output.events.extend(more.events);
        (after, output)
    }

    fn next_second(&self) -> crate::moment::Moment {
        let seconds = self.state.now().mono.since_start().as_secs_f64() + 1.0;
        moment(seconds.round(), self.clock_offset_s)
    }

    fn read_value(&mut self, plan: &Plan, value: Value, number: f64) -> Output {
        self.witness.value = value;
        self.read(plan, H2S, Raw::Number(number))
    }

    fn read_flow(&mut self, plan: &Plan, flows: bool, number: f64) -> Output {
        self.witness.flows = flows;
        self.read(plan, FLOW, Raw::Number(number))
    }

    fn read(&mut self, plan: &Plan, signal: SignalIndex, raw: Raw) -> Output {
        let at = self.state.now();
        step(plan, &mut self.state, Input::Readings(vec![Reading { signal, at, outcome: Ok(raw) }]), at)
    }

    fn act(&mut self, plan: &Plan, kind: ActionKind) -> Output {
        let who = Who { user: "operator".to_owned(), name: None };
        let targets = Targets::These(vec!["high".to_owned()]);
        let now = self.state.now();
        step(plan, &mut self.state, Input::Act(Action { kind, targets, who, remark: None, seen: None }), now)
    }

    fn alarm(&self) -> &super::state::AlarmState {
        &self.state.alarms[HIGH.0]
    }

    fn life(&self) -> Life {
        self.alarm().life
    }

    fn active(&self) -> Option<bool> {
        self.alarm().active()
    }

    fn withheld(&self) -> Option<Withheld> {
        self.alarm().standing.withheld()
    }

    /// Whether the condition cannot be known; the one part of the verdict that time does not touch.
    fn verdict_now(&self) -> bool {
        self.alarm().verdict == Verdict::Unknown
    }

    /// The state with every deadline relative to now: two worlds with the same key have the same future.
    fn key(&self) -> impl std::hash::Hash + Eq + use<> {
        let now = self.state.now().mono;
        let to_go = |deadline: Option<Mono>| deadline.map(|deadline| deadline.since(now));
        let alarm = self.alarm();
        let shelf = match alarm.standing.shelf {
            Some(Shelf::Until(until)) => Some((false, until.mono.since(now))),
            Some(Shelf::OneShot(until)) => Some((true, until.mono.since(now))),
            None => None,
        };
        let (standing, delay, realarm) =
            (alarm.standing, to_go(alarm.delay.deadline()), to_go(alarm.realarm_at));
        let withheld = (standing.out_of_service, standing.suppressed, shelf, alarm.call_waits);
        (alarm.life, alarm.verdict, withheld, delay, realarm, self.witness)
    }
}

/// The small site. What changes nothing here but the size of the walk is left out: no settling, no
/// staleness.
fn small_site(latching: bool, when_lost: WhenLost) -> Plan {
    let mut plan = plan(|h2s, high| {
        h2s.stale_after = Duration::from_secs(1 << 30);
        high.on_delay = Duration::from_secs(ON_DELAY_S);
        high.off_delay = Duration::from_secs(OFF_DELAY_S);
        high.latching = latching;
        high.when_lost = when_lost;
        high.realarm_after = Some(Duration::from_secs(4));
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(5.0) }];
    });
    plan.shelve_max = Duration::from_secs(5);
    for signal in &mut plan.signals {
        signal.stale_after = Duration::from_secs(1 << 30);
    }
    plan
}

#[track_caller]
fn check_step(step: &Step<'_>) {
    for invariant in &INVARIANTS {
        assert!(
            (invariant.holds)(step),
            "broken: {}\nhappening: {:?}\nbefore: {:?}\nafter: {:?}\nwitness: {:?}\nevents: {:?}",
            invariant.words,
            step.happening,
            step.before.alarm(),
            step.after.alarm(),
            step.after.witness,
            step.output.events,
        );
    }
}

/// Walks over every state the site can reach, trying everything in each; returns how many there are,
/// and which states of life were seen with which happenings.
fn walk(plan: &Plan) -> (usize, HashSet<(Life, Option<Withheld>, Happening)>) {
    let start = World::new(plan);
    let mut seen = HashSet::from([start.key()]);
    let mut pairs = HashSet::new();
    let mut waiting = VecDeque::from([start]);
    while let Some(before) = waiting.pop_front() {
        for happening in Happening::ALL {
            pairs.insert((before.life(), before.withheld(), happening));
            let (after, _) = before.live(plan, happening);
            if seen.insert(after.key()) {
                waiting.push_back(after);
            }
        }
    }
    (seen.len(), pairs)
}

#[test]
fn every_state_a_small_site_can_reach_keeps_every_invariant() {
    for latching in [false, true] {
        for when_lost in [WhenLost::Hold, WhenLost::Alarm] {
            let (states, pairs) = walk(&small_site(latching, when_lost));
            let reachable = Life::ALL.into_iter().filter(|life| life.is_latched() <= latching);
            let reachable = reachable.filter(|life| !latching || *life != Life::ReturnedUnacknowledged);
            for life in reachable {
                let withheld =
                    [None, Some(Withheld::Shelved), Some(Withheld::Suppressed), Some(Withheld::OutOfService)];
                for withheld in withheld {
                    for happening in Happening::ALL {
                        assert!(
                            pairs.contains(&(life, withheld, happening)),
                            "{life:?} {withheld:?} never met {happening:?} in {states} states"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn a_step_of_the_wall_clock_is_told_and_changes_nothing_else() {
    let plan = small_site(true, WhenLost::Hold);
    let mut world = World::new(&plan);
    for happening in [Happening::Above, Happening::Second, Happening::Second, Happening::Below] {
        let (plain, _) = world.live(&plan, Happening::Second);
        let (stepped, output) = world.live(&plan, Happening::ClockStep(true));
        assert!(plain.key() == stepped.key());
        assert_eq!(output.events.iter().filter(|event| event.kind == EventKind::ClockStepped).count(), 1);
        world = world.live(&plan, happening).0;
    }
}

/// Every invariant is broken by at least one of these faked steps, so none of them is idle.
#[test]
fn the_invariants_can_fail() {
    let plan = small_site(true, WhenLost::Hold);
    let start = World::new(&plan);
    let fails = |before: &World, happening, events: Vec<Event>, change: &dyn Fn(&mut World)| {
        let mut after = before.clone();
        change(&mut after);
        let output = Output { events, ..Output::default() };
        let step = Step { before, happening, output: &output, after: &after };
        INVARIANTS.iter().filter(|invariant| !(invariant.holds)(&step)).map(|i| i.words).collect::<Vec<_>>()
    };
    let tell = |kind| {
        let at = start.state.now();
        vec![Event { at, kind, subject: "high".to_owned(), who: None, detail: Default::default() }]
    };
    let mut active = start.clone();
    active.state.alarms[HIGH.0].life = Life::Acknowledged;
    active.witness.active = true;
    let mut latched = start.clone();
    latched.state.alarms[HIGH.0].life = Life::LatchedAcknowledged;
    let mut shelved = start.clone();
    shelved.state.alarms[HIGH.0].standing.shelf = Some(Shelf::Until(start.state.now()));
    let mut unknown = start.clone();
    unknown.witness.verdict = Verdict::Unknown;
    let second = Happening::Second;
    let reset = Happening::Acts(ActionKind::Reset);
    let broken: HashSet<&str> = [
        fails(&latched, second, Vec::new(), &|after| after.state.alarms[HIGH.0].life = Life::Normal),
        fails(&active, reset, tell(EventKind::AlarmReset), &|_| ()),
        fails(&start, reset, Vec::new(), &|after| after.state.alarms[HIGH.0].verdict = Verdict::Unknown),
        fails(&unknown, second, tell(EventKind::AlarmRaised), &|_| ()),
        fails(&start, second, Vec::new(), &|after| after.witness.active = true),
        fails(&shelved, second, Vec::new(), &|after| after.state.alarms[HIGH.0].called += 1),
        fails(&start, second, Vec::new(), &|after| after.state.wake = Some(Mono::ZERO)),
    ]
    .into_iter()
    .flatten()
    .collect();
    // An active alarm called normal cannot be faked: activity is read off the state of life.
    let idle: Vec<&str> =
        INVARIANTS.iter().map(|i| i.words).filter(|words| !broken.contains(words)).collect();
    assert_eq!(idle, ["an alarm that is told, active and known is not called normal"]);
    assert!(!Life::Normal.is_active() && Life::Normal.after(LifeEvent::Clear, true).is_none());
}

fn happenings() -> impl Strategy<Value = Vec<Happening>> {
    prop::collection::vec(prop::sample::select(Happening::ALL.to_vec()), 1..60)
}

/// A thousand; a million with PROPTEST_CASES=1000000. (What that says reaches the default only, so it is
/// asked there.)
fn courses() -> ProptestConfig {
    let default = ProptestConfig::default();
    ProptestConfig { cases: default.cases.max(1000), failure_persistence: None, ..default }
}

proptest! {
    #![proptest_config(courses())]

    #[test]
    fn random_courses_keep_every_invariant(course in happenings(), latching: bool, alarm_when_lost: bool) {
        let when_lost = if alarm_when_lost { WhenLost::Alarm } else { WhenLost::Hold };
        let plan = small_site(latching, when_lost);
        let mut world = World::new(&plan);
        for happening in course {
            world = world.live(&plan, happening).0;
        }
    }

    /// A kill at any moment: the state folded back from the events told so far is the state that was.
    #[test]
    fn what_was_told_so_far_folds_back_into_what_was_known(course in happenings(), latching: bool) {
        let plan = small_site(latching, WhenLost::Hold);
        let mut world = World::new(&plan);
        let mut journal = Vec::new();
        for happening in course {
            let (after, output) = world.live(&plan, happening);
            journal.extend(output.events.iter().filter_map(super::tests::remembered));
            world = after;
            let mut folded = State::new(&plan, world.state.now());
            restore(&plan, &mut folded, journal.iter().cloned(), world.state.seq);
            let (was, is) = (world.alarm(), &folded.alarms[HIGH.0]);
            prop_assert_eq!(was.life, is.life);
            prop_assert_eq!(was.standing.withheld(), is.standing.withheld());
            prop_assert_eq!((was.since, was.raised, was.cleared), (is.since, is.raised, is.cleared));
        }
    }

    /// A journal begun anew: what is told into it folds back into what was known.
    #[test]
    fn what_is_told_once_more_folds_back_into_what_was_known(course in happenings(), latching: bool) {
        let plan = small_site(latching, WhenLost::Hold);
        let mut world = World::new(&plan);
        for happening in course {
            world = world.live(&plan, happening).0;
            let mut folded = State::new(&plan, world.state.now());
            let told = retell(&plan, &world.state);
            restore(&plan, &mut folded, told.iter().filter_map(super::tests::remembered), world.state.seq);
            let (was, is) = (world.alarm(), &folded.alarms[HIGH.0]);
            prop_assert_eq!(was.life, is.life);
            prop_assert_eq!(was.standing.withheld(), is.standing.withheld());
            if was.life != Life::Normal {
                prop_assert_eq!((was.raised, was.cleared), (is.raised, is.cleared));
            }
        }
    }
}
