//! A restart with the record at hand: averages, trends and stillness go on as though nothing had been.

use super::*;
use crate::alarm::{Averaging, Limit, Over};
use crate::moment::Wall;
use crate::period::Period;
use crate::signal::Sample;

/// A value that wanders for an hour, and then stands still.
fn value(second: u32) -> f64 {
    3.0 + 1.2 * (f64::from(second.min(3700)) / 300.0).sin()
}

/// What one start of the daemon tells and records from one second to another.
#[derive(Default)]
struct Run {
    told: Vec<Event>,
    recorded: Vec<(Wall, Sample)>,
}

impl Run {
    /// What it tells of the alarm `high`, by the wall clock.
    fn transitions(&self) -> Vec<(Wall, EventKind)> {
        let of_alarm = |event: &&Event| event.subject == "high" && event.kind.is_about_alarm();
        self.told.iter().filter(of_alarm).map(|event| (event.at.wall, event.kind)).collect()
    }
}

/// The daemon's own monotonic clock begins at `started`.
fn at(second: u32, started: u32) -> Moment {
    moment(f64::from(second - started), started.into())
}

/// Lives from one second to another, in a state of the time `started`.
fn live(plan: &Plan, state: &mut State, seconds: std::ops::Range<u32>, started: u32) -> Run {
    let mut run = Run::default();
    for second in seconds {
        let now = at(second, started);
        let outcome = Ok(Raw::Number(value(second)));
        let output = step(plan, state, Input::Readings(vec![Reading { signal: H2S, at: now, outcome }]), now);
        run.told.extend(output.events);
        let of_h2s = output.samples.into_iter().filter(|(signal, _)| *signal == H2S);
        run.recorded.extend(of_h2s.map(|(_, sample)| (sample.at.wall, sample)));
    }
    run
}

/// A start at a time, with the journal and perhaps the record of the run before.
fn start(plan: &Plan, before: &Run, started: u32, with_record: bool) -> State {
    let mut state = State::new(plan, at(started, started));
    restore(plan, &mut state, before.told.iter().filter_map(remembered), 0);
    if with_record {
        for (signal, from) in remembered_signals(plan, &state) {
            assert_eq!(signal, H2S);
            let mut recall = Recall::of(plan, &mut state, signal);
            let wanted = before.recorded.iter().filter(|(time, _)| *time >= from);
            wanted.for_each(|(time, sample)| recall.take(*time, *sample));
            recall.finish();
        }
        state.recalled(plan);
    }
    state
}

fn of_kind(kind: Kind) -> Plan {
    let mut plan = prompt(|high| high.kind = kind.clone());
    plan.signals[H2S.0].valid_when.clear();
    plan.signals[H2S.0].stale_after = Duration::from_secs(3);
    plan
}

fn kinds_that_remember() -> [Kind; 4] {
    let limit = |setpoint| Limit { setpoint, deadband: 0.0 };
    let averaging = |over| Averaging { over, coverage_min: 0.9 };
    let minutes = |minutes: u64| Duration::from_secs(60 * minutes);
    [
        Kind::Rise(limit(0.1), minutes(2)),
        Kind::AverageHigh(limit(3.0), averaging(Over::Rolling(minutes(10)))),
        Kind::AverageHigh(limit(2.0), averaging(Over::Calendar(Period::ClockHour))),
        Kind::Frozen { resolution: 0.001, window: minutes(5) },
    ]
}

const END: u32 = 4200;

#[test]
fn what_alarms_remember_goes_on_over_a_restart_as_though_nothing_had_been() {
    for kind in kinds_that_remember() {
        let plan = of_kind(kind.clone());
        let unbroken = live(&plan, &mut State::new(&plan, at(0, 0)), 0..END, 0).transitions();
        let last = unbroken.last().unwrap().0;
        let restart = u32::try_from(last.as_second() - 1_800_000_000 - 10).unwrap();

        let before = live(&plan, &mut State::new(&plan, at(0, 0)), 0..restart, 0);
        let after = |with_record| {
            let mut state = start(&plan, &before, restart, with_record);
            let after = live(&plan, &mut state, restart..END, restart);
            [before.transitions(), after.transitions()].concat()
        };
        assert_eq!(after(true), unbroken, "{kind:?}");
        assert_ne!(after(false), unbroken, "{kind:?}: the record has nothing to do with it");
    }
}

#[test]
fn a_replay_over_a_restart_comes_to_what_the_restarted_daemon_came_to() {
    for kind in kinds_that_remember() {
        for (stop, restart) in [(3590, 3592), (3500, 3600), (3620, 3680)] {
            let plan = of_kind(kind.clone());
            let before = live(&plan, &mut State::new(&plan, at(0, 0)), 0..stop, 0);
            let mut state = start(&plan, &before, restart, true);
            let after = live(&plan, &mut state, restart..END, restart);
            let lived = [before.transitions(), after.transitions()].concat();

            let mut state = State::for_replay(&plan, at(0, 0));
            let mut replayed = Run::default();
            let mut feed = |input, now| replayed.told.extend(step(&plan, &mut state, input, now).events);
            let moment_of = |wall: Wall| at(u32::try_from(wall.as_second() - 1_800_000_000).unwrap(), 0);
            for (time, sample) in &before.recorded {
                feed(Input::Recorded(vec![(H2S, sample.as_of(moment_of(*time)))]), moment_of(*time));
            }
            feed(Input::Interrupted, at(restart, 0));
            for (time, sample) in &after.recorded {
                feed(Input::Recorded(vec![(H2S, sample.as_of(moment_of(*time)))]), moment_of(*time));
            }
            assert_eq!(replayed.transitions(), lived, "{kind:?}, stopped from {stop} to {restart}");
        }
    }
}

#[test]
fn a_time_in_which_no_daemon_watched_is_one_without_a_measurement() {
    let [_, _, hourly, frozen] = kinds_that_remember();
    // Nine tenths of the hour must be covered: six minutes may be missing, seven may not.
    for (stop, restart, judged) in [(3000, 3350, true), (3000, 3430, false)] {
        let plan = of_kind(hourly.clone());
        let before = live(&plan, &mut State::new(&plan, at(0, 0)), 0..stop, 0);
        let mut state = start(&plan, &before, restart, true);
        let raised = live(&plan, &mut state, restart..3601, restart).transitions();
        assert_eq!(raised.len(), usize::from(judged), "missing from {stop} to {restart}: {raised:?}");
    }
    let plan = of_kind(frozen);
    let before = live(&plan, &mut State::new(&plan, at(0, 0)), 0..3900, 0);
    let mut state = start(&plan, &before, 3950, true);
    assert_eq!(live(&plan, &mut state, 3950..4249, 3950).transitions(), [], "nobody saw it stand still");
}

#[test]
fn what_a_clock_set_back_has_left_in_the_record_is_passed_over() {
    let [_, average, ..] = kinds_that_remember();
    let plan = of_kind(average);
    let ahead = live(&plan, &mut State::new(&plan, at(1000, 1000)), 1000..2000, 1000);
    let state = start(&plan, &ahead, 1000, true);
    assert_eq!(snapshot(&plan, &state).alarms[0].active, None);
}
