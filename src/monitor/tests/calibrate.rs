//! Readings against calibration gas: what is recorded of them, and what is refused.

use jiff::civil::{Date, date};

use super::*;
use crate::calibration::{Doubt, Point, Stage};

const TODAY: Date = date(2027, 1, 15);

pub(super) fn gas(point: Point, stage: Stage, standard: f64) -> GasTest {
    GasTest {
        device: "h2s-1".to_owned(),
        signal: "concentration".to_owned(),
        point,
        stage,
        standard,
        standard_id: "CYL-0417".to_owned(),
        expires: Some(TODAY),
        today: TODAY,
        despite: false,
    }
}

/// An analyzer at work: each call takes a second.
struct Bench {
    plan: Plan,
    state: State,
    second: f64,
}

impl Bench {
    fn new() -> Bench {
        let plan = plan(|_, _| ());
        let state = State::new(&plan, moment(0.0, 0));
        Bench { plan, state, second: 0.0 }
    }

    fn in_function_check() -> Bench {
        let mut bench = Bench::new();
        bench.put(begin_function_check("600"));
        bench
    }

    fn put(&mut self, input: Input) -> Output {
        self.second += 1.0;
        step(&self.plan, &mut self.state, input, moment(self.second, 0))
    }

    fn say(&mut self, answers: &[&str]) {
        for answer in answers {
            let at = moment(self.second + 1.0, 0);
            self.put(reading(&format!("h2s={answer}"), at));
        }
    }

    fn record(&mut self, test: GasTest) -> Result<Recorded, Hindrance> {
        let worked = self.put(work(WorkKind::RecordGasTest(Box::new(test)))).worked.unwrap();
        worked.map(|worked| *worked.recorded.unwrap())
    }
}

#[test]
fn the_mean_of_the_last_answers_is_recorded_with_its_error_and_the_drift_since_it_was_last_left() {
    let mut bench = Bench::in_function_check();
    bench.say(&["15.9", "16.0", "16.1"]);
    let left = bench.record(gas(Point::Span, Stage::AsLeft, 15.8)).unwrap();
    assert!((left.reading - 16.0).abs() < 1e-9 && (left.error_pct - 1.0).abs() < 1e-9, "{left:?}");
    assert_eq!((left.pass(), left.drift_pct, left.by.user.as_str()), (true, None, "kim"));
    bench.say(&["15.2", "15.2", "15.2"]);
    let found = bench.record(gas(Point::Span, Stage::AsFound, 15.8)).unwrap();
    assert!((found.error_pct + 3.0).abs() < 1e-9 && !found.pass(), "{found:?}");
    assert!(found.drift_pct.is_some_and(|drift| (drift + 4.0).abs() < 1e-9), "{found:?}");
    let calibrations = snapshot(&bench.plan, &bench.state).devices[0].calibrations.clone();
    assert_eq!(calibrations, [left, found], "the last of each point and stage is shown");
}

#[test]
fn what_was_read_before_the_function_check_or_recorded_already_does_not_count() {
    let mut bench = Bench::new();
    bench.say(&["16", "16", "16"]);
    let test = || gas(Point::Span, Stage::AsFound, 16.0);
    assert_eq!(bench.record(test()), Err(Hindrance::NotInFunctionCheck));
    bench.put(begin_function_check("600"));
    assert_eq!(bench.record(test()), Err(Hindrance::TooFewAnswers { have: 0 }));
    bench.say(&["16", "16"]);
    assert_eq!(bench.record(test()), Err(Hindrance::TooFewAnswers { have: 2 }));
    bench.say(&["16"]);
    assert!(bench.record(test()).is_ok());
    assert_eq!(bench.record(test()), Err(Hindrance::TooFewAnswers { have: 0 }));
    bench.say(&["16", "16", "16", "silent"]);
    assert_eq!(bench.record(test()), Err(Hindrance::TooFewAnswers { have: 0 }), "it no longer answers");
    bench.put(work(WorkKind::EndFunctionCheck { device: "h2s-1".to_owned() }));
    bench.put(begin_function_check("600"));
    assert_eq!(bench.record(test()), Err(Hindrance::TooFewAnswers { have: 0 }), "another function check");
}

#[test]
fn doubtful_gas_is_recorded_only_when_that_is_confirmed_and_the_journal_says_so() {
    let mut bench = Bench::in_function_check();
    bench.say(&["5", "5", "5"]);
    let expired = || GasTest { expires: Some(date(2027, 1, 14)), ..gas(Point::Span, Stage::AsFound, 5.0) };
    let doubts = vec![Doubt::Expired, Doubt::LowForSpan];
    assert_eq!(bench.record(expired()), Err(Hindrance::DoubtfulGas(doubts)));
    let despite = GasTest { despite: true, ..expired() };
    let output = bench.put(work(WorkKind::RecordGasTest(Box::new(despite))));
    let detail = &output.events[0].detail;
    let words = Detail::List(vec!["expired".to_owned(), "low_for_span".to_owned()]);
    assert_eq!((&detail["doubts"], &detail["despite"]), (&words, &Detail::Flag(true)));
    assert_eq!((&detail["readings"], &detail["span"]), (&Detail::Number(3.0), &Detail::Number(20.0)));
}

/// Between two gases the cell holds neither: the mean of what is read then belongs to nothing.
#[test]
fn readings_that_still_move_are_asked_about_and_those_that_stand_are_not() {
    let mut bench = Bench::in_function_check();
    bench.say(&["1.6", "9.0", "15.9", "16.0", "16.0"]);
    let test = || gas(Point::Span, Stage::AsLeft, 16.0);
    assert_eq!(bench.record(test()), Err(Hindrance::DoubtfulGas(vec![Doubt::Unsettled])));
    let despite = bench.record(GasTest { despite: true, ..test() }).unwrap();
    assert_eq!(despite.doubts, [Doubt::Unsettled]);
    // 0.4 of 20 is the tolerance of 2 %, and a trembling that is no greater is none.
    bench.say(&["15.8", "16.2", "15.8"]);
    assert_eq!(bench.record(test()).map(|record| record.doubts), Ok(Vec::new()));
    bench.say(&["15.7", "16.2", "15.8"]);
    assert_eq!(bench.record(test()), Err(Hindrance::DoubtfulGas(vec![Doubt::Unsettled])));
    bench.say(&["16.0"; 10]);
    assert!(bench.record(test()).is_ok(), "what was read before has slid out");
}

#[test]
fn a_signal_that_is_not_there_or_has_no_range_is_told() {
    let mut bench = Bench::in_function_check();
    let test = |signal: &str| GasTest { signal: signal.to_owned(), ..gas(Point::Zero, Stage::AsFound, 0.0) };
    let nearest = Some("h2s-1.concentration".to_owned());
    assert_eq!(bench.record(test("concentratoin")), Err(Hindrance::UnknownSignal { nearest }));
    assert_eq!(bench.record(test("h2s-1.flow")), Err(Hindrance::NoRange));
    let unknown = GasTest { device: "h2s1".to_owned(), ..test("flow") };
    let nearest = Some("h2s-1".to_owned());
    assert_eq!(bench.record(unknown), Err(Hindrance::UnknownDevice { nearest }));
}

#[test]
fn a_journal_begun_anew_gives_the_records_back() {
    let mut bench = Bench::in_function_check();
    bench.say(&["0.1", "0.1", "0.1"]);
    let expired = GasTest { expires: Some(date(2027, 1, 14)), ..gas(Point::Zero, Stage::AsLeft, 0.0) };
    let left = bench.record(GasTest { despite: true, ..expired }).unwrap();
    let told = retell(&bench.plan, &bench.state);
    let carried = told.iter().find(|event| event.kind == EventKind::CalibrationRecorded).unwrap();
    assert_eq!(carried.at.wall, left.at);
    let doubts = Detail::List(vec!["expired".to_owned()]);
    assert_eq!(carried.detail.get("doubts"), Some(&doubts), "doubtful once, doubtful for good");
    let past = [("h2s-1.concentration", 1), ("h2s-1.gone", 0)];
    for (signal, kept) in past {
        let mut again = State::new(&bench.plan, moment(100.0, 0));
        let record = Recorded { signal: signal.to_owned(), ..left.clone() };
        let told = CareTold::Recorded(Box::new(record));
        let remembered = RememberedCare { device: "h2s-1".to_owned(), at: left.at, told };
        restore_care(&bench.plan, &mut again, [remembered]);
        assert_eq!(snapshot(&bench.plan, &again).devices[0].calibrations.len(), kept, "{signal}");
    }
}

/// More time is the same function check; after its end it is another one, in which anything may have been done.
#[test]
fn readings_are_of_one_session_as_long_as_the_function_check_is_the_same() {
    let mut bench = Bench::in_function_check();
    let record = |bench: &mut Bench, point, standard: &str| {
        bench.say(&[standard; 3]);
        let recorded = bench.record(gas(point, Stage::AsLeft, standard.parse().unwrap())).unwrap();
        recorded.session.unwrap()
    };
    let zero = record(&mut bench, Point::Zero, "0");
    assert_eq!(zero, moment(1.0, 0).wall, "when the function check began");
    let (device, purpose) = ("h2s-1".to_owned(), "calibration".to_owned());
    let lasting = Duration::from_secs(900);
    bench.put(work(WorkKind::BeginFunctionCheck { device, lasting, purpose, again: true }));
    assert_eq!(record(&mut bench, Point::Span, "16"), zero);
    bench.put(work(WorkKind::EndFunctionCheck { device: "h2s-1".to_owned() }));
    bench.put(begin_function_check("600"));
    assert_ne!(record(&mut bench, Point::Span, "16"), zero);
}

#[test]
fn a_restart_knows_of_which_session_a_record_is() {
    let plan = plan(|_, _| ());
    let mut state = State::new(&plan, moment(100.0, 0));
    let (began, again, told) = (moment(1.0, 0).wall, moment(30.0, 0).wall, moment(7.0, 0).wall);
    let until = moment(900.0, 0).wall;
    let who = || Who { user: "kim".to_owned(), name: None };
    let begun = || CareTold::Begun { by: who(), since: None, until, purpose: "calibration".to_owned() };
    let record = |point, session| {
        CareTold::Recorded(Box::new(Recorded {
            signal: "h2s-1.concentration".to_owned(),
            point,
            stage: Stage::AsLeft,
            at: again,
            session,
            by: who(),
            standard: 16.0,
            standard_id: "CYL-0417".to_owned(),
            expires: None,
            reading: 16.0,
            error_pct: 0.0,
            tolerance_pct: 2.0,
            drift_pct: None,
            doubts: Vec::new(),
        }))
    };
    // A journal that was begun anew holds the record, but no function check before it.
    let past = [
        (began, record(Point::Zero, Some(told))),
        (began, begun()),
        (again, begun()),
        (again, record(Point::Span, None)),
    ];
    let past = past.map(|(at, told)| RememberedCare { device: "h2s-1".to_owned(), at, told });
    restore_care(&plan, &mut state, past);
    let device = &snapshot(&plan, &state).devices[0];
    let sessions: Vec<_> = device.calibrations.iter().map(|record| record.session).collect();
    assert_eq!(sessions, [Some(told), Some(began)]);
    assert_eq!(device.function_check.as_ref().map(|check| check.since), Some(began));
}
