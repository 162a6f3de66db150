//! The figures as text tables, worked out by hand. A script has one line per event: seconds after a
//! beginning, the alarm, what happened, and with `raised` the priority if it is not low. `raised` and
//! `again` call; `hidden` is raised while withheld.

use super::*;

const BEGINNING_S: i64 = 1_800_000_000;

fn at(second: i64) -> Wall {
    Wall::from_second(BEGINNING_S + second).unwrap()
}

fn happened<'a>(alarm: &'a str, what: &str, priority: Option<&str>) -> Happened<'a> {
    let priority = Priority::ALL.into_iter().find(|known| known.word() == priority.unwrap_or("low"));
    let change = |active, calls, withheld| {
        Happened::Alarm(Change {
            alarm,
            active,
            calls,
            withheld,
            priority: priority.filter(|_| active == Some(true)),
        })
    };
    match what {
        "raised" => change(Some(true), true, false),
        "again" => change(None, true, false),
        "cleared" => change(Some(false), false, false),
        "hidden" => change(Some(true), false, true),
        "shelved" => change(None, false, true),
        "stopped" => Happened::Stopped,
        "started" => Happened::Started,
        other => panic!("what is {other:?}?"),
    }
}

/// The figures of a script between two seconds.
fn figures(script: &str, from_s: i64, to_s: i64) -> Performance {
    let mut count = Count::new(at(from_s), at(to_s));
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let second: i64 = words[0].parse().unwrap();
        count.take(at(second), happened(words[1], words[2], words.get(3).copied()));
    }
    count.finish()
}

/// `number` calls of as many alarms, `every_s` seconds apart, the first at `first_s`.
fn calls(number: i64, first_s: i64, every_s: i64) -> String {
    (0..number).map(|index| format!("{} a{index} raised\n", first_s + index * every_s)).collect()
}

#[track_caller]
fn check(script: &str, (from_s, to_s): (i64, i64), expected: &str) {
    let figures = figures(script, from_s, to_s);
    let percent = |share: Option<f64>| share.map_or("-".to_owned(), |share| format!("{:.1}%", share * 100.0));
    let rate = |rate: Option<f64>| rate.map_or("-".to_owned(), |rate| format!("{rate:.3}"));
    let told = [
        format!("calls {}", figures.calls),
        format!(
            "an hour {}, a day {}, ten minutes {}, at most {}",
            rate(figures.per_hour()),
            rate(figures.per_day()),
            rate(figures.per_ten_minutes()),
            figures.most_in_ten_minutes
        ),
        format!(
            "floods {}, {} s, {}",
            figures.floods,
            figures.in_flood.as_secs(),
            percent(figures.in_flood_share())
        ),
    ];
    let expected: Vec<&str> = expected.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    assert_eq!(told.to_vec(), expected, "for the script:\n{script}");
}

#[test]
fn rates_are_calls_over_the_time_that_was_watched() {
    // Six calls in two hours: 3 an hour, 72 a day, 0.5 in ten minutes.
    check(
        &calls(6, 0, 1000),
        (0, 7200),
        "calls 6
         an hour 3.000, a day 72.000, ten minutes 0.500, at most 1
         floods 0, 0 s, 0.0%",
    );
    // The same six with the daemon stopped for half an hour: 4 an hour.
    let stopped = format!("{}5400 site stopped\n7200 site started\n", calls(6, 0, 1000));
    check(
        &stopped,
        (0, 7200),
        "calls 6
         an hour 4.000, a day 96.000, ten minutes 0.667, at most 1
         floods 0, 0 s, 0.0%",
    );
}

#[test]
fn time_before_the_record_begins_was_not_watched() {
    // Two calls in the hour since the first start: 2 an hour, whatever is asked for.
    let script = "82800 site started\n 83000 a raised\n 84000 b raised";
    check(
        script,
        (0, 86_400),
        "calls 2
         an hour 2.000, a day 48.000, ten minutes 0.333, at most 1
         floods 0, 0 s, 0.0%",
    );
}

#[test]
fn what_happened_before_or_after_the_time_is_not_counted() {
    check(
        &calls(10, 0, 100),
        (300, 600),
        "calls 3
         an hour 36.000, a day 864.000, ten minutes 6.000, at most 3
         floods 0, 0 s, 0.0%",
    );
    check("", (0, 0), "calls 0\nan hour -, a day -, ten minutes -, at most 0\nfloods 0, 0 s, -");
}

#[test]
fn ten_calls_in_ten_minutes_are_no_flood_and_eleven_are() {
    // Calls at 0, 60, …: the eleventh at 600 finds the first just ten minutes old.
    check(
        &calls(11, 0, 60),
        (0, 36_000),
        "calls 11
         an hour 1.100, a day 26.400, ten minutes 0.183, at most 10
         floods 0, 0 s, 0.0%",
    );
    // Calls at 0, 59, …: the eleventh, at 590, begins a flood. Five of them are still younger than
    // ten minutes until the fifth last, of 354, is ten minutes old, at 954: 364 s.
    check(
        &calls(11, 0, 59),
        (0, 36_400),
        "calls 11
         an hour 1.088, a day 26.110, ten minutes 0.181, at most 11
         floods 1, 364 s, 1.0%",
    );
}

#[test]
fn a_flood_goes_on_for_as_long_as_five_calls_come_in_ten_minutes() {
    // Twenty calls a second apart, at 0 to 19, begin a flood at 10. The calls at 150, 300, … keep it up
    // until the last of the twenty is ten minutes old, at 619: then those of 150, 300, 450 and 600 are
    // four. The most in ten minutes are those of 1 to 19 and these four.
    let script = format!("{}{}", calls(20, 0, 1), calls(10, 150, 150));
    check(
        &script,
        (0, 6000),
        "calls 30
         an hour 18.000, a day 432.000, ten minutes 3.000, at most 23
         floods 1, 609 s, 10.2%",
    );
    // A flood that still goes on at the end counts to the end.
    check(
        &calls(11, 0, 1),
        (0, 100),
        "calls 11
         an hour 396.000, a day 9504.000, ten minutes 66.000, at most 11
         floods 1, 90 s, 90.0%",
    );
}

#[test]
fn an_alarm_chatters_that_calls_more_than_three_times_within_a_minute() {
    let script = "0 twice raised\n 20 twice again\n 40 twice again\n 60 twice again
                  100 chatters raised\n 119 chatters again\n 138 chatters again\n 157 chatters again";
    let figures = figures(script, 0, 3600);
    let chatters = Chattering { alarm: "chatters".to_owned(), most_in_a_minute: 4 };
    assert_eq!(figures.chattering, [chatters]);
}

#[test]
fn an_alarm_is_stale_that_is_told_and_has_been_active_for_more_than_a_day() {
    // To 86,500 s: `old` for 86,401 s, `day` for a day and no more, the others not, or not told.
    let script = "99 old raised\n 100 day raised\n 50 gone raised\n 60 gone cleared
                  10 hidden raised\n 20 hidden shelved\n 80000 young raised";
    let figures = figures(script, 43_000, 86_500);
    assert_eq!(figures.stale, [Stale { alarm: "old".to_owned(), since: at(99) }]);
}

#[test]
fn the_ten_that_call_most_often_are_told_with_their_share() {
    let mut script = calls(12, 0, 1000);
    script += "20000 a3 again\n21000 a3 again\n22000 a3 again\n23000 a7 again\n";
    let figures = figures(&script, 0, 86_400);
    let told: Vec<_> =
        figures.most_frequent.iter().map(|frequent| (frequent.alarm.as_str(), frequent.calls)).collect();
    // Sixteen calls: four of a3, two of a7, one of each other; equals in the order of their ids.
    let expected = [
        ("a3", 4),
        ("a7", 2),
        ("a0", 1),
        ("a1", 1),
        ("a10", 1),
        ("a11", 1),
        ("a2", 1),
        ("a4", 1),
        ("a5", 1),
        ("a6", 1),
    ];
    assert_eq!(told, expected);
    assert_eq!(figures.share(4), Some(0.25));
}

#[test]
fn calls_are_split_by_priority_and_what_calls_nobody_is_in_no_figure() {
    let script = "0 a raised high\n 10 b raised medium\n 20 c hidden critical\n 30 b again\n 40 d again";
    let figures = figures(script, 0, 3600);
    assert_eq!(figures.calls, 4);
    assert_eq!(
        figures.by_priority,
        [(Priority::Critical, 0), (Priority::High, 1), (Priority::Medium, 2), (Priority::Low, 0)]
    );
}

#[test]
fn a_clock_set_back_does_not_set_the_count_back() {
    // The second call says to come 500 s before the first: it counts as if at the same time.
    let figures = figures("600 a raised\n 100 b raised\n 650 c raised", 0, 3600);
    assert_eq!((figures.calls, figures.most_in_ten_minutes), (3, 3));
}
