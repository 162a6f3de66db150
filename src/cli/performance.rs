//! `siskin alarms --performance`: how well the alarms serve their operator, against what IEC 62682 and
//! EEMUA 191 hold to be good.
//!
//! The running daemon is asked. When none runs, the journal's file is read as it lies.

use std::io::{self, Write};
use std::time::Duration;

use jiff::tz::TimeZone;

use crate::alarm::performance::goal;
use crate::cli::connect::{Source, understood};
use crate::cli::terminal::{Mark, Terminal};
use crate::cli::{CliError, Common, Outcome, when};
use crate::control::protocol::{PerformanceRequest, Request};
use crate::daemon::JournalSource;
use crate::moment::Wall;
use crate::view::{Instant, Performance, words};

/// What is told when no time is asked for.
const OVER_DEFAULT: Duration = Duration::from_secs(7 * 86_400);

/// Between which times.
#[derive(Debug, clap::Args)]
pub struct Between {
    /// With --performance: from when, such as 2026-03-02, 2026-03-02T09:00, or 7d for seven days ago
    /// [default: seven days before the end]
    #[arg(long, value_name = "TIME", requires = "performance")]
    from: Option<String>,
    /// With --performance: until when [default: now]
    #[arg(long, value_name = "TIME", requires = "performance")]
    to: Option<String>,
}

/// Tells the figures.
pub fn run(between: &Between, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let mut source = Source::of(common)?;
    let zone = source.time_zone(common)?;
    let terminal = Terminal::of_stdout(&zone);
    let request = between.request(&terminal.zone, Wall::now())?;
    let told = match &mut source {
        Source::Daemon(daemon) => understood(&daemon.ask(&Request::Performance(request))?)?,
        Source::File(reader) => {
            let figures = JournalSource::performance(reader, request.from.0, request.to.0);
            Performance::from(figures.map_err(CliError::Unreachable)?)
        }
    };
    if common.json {
        writeln!(out, "{}", serde_json::to_string(&told).map_err(io::Error::from)?)?;
    } else {
        tell(&told, &terminal, out)?;
    }
    Ok(Outcome::Done)
}

impl Between {
    fn request(&self, zone: &TimeZone, now: Wall) -> Result<PerformanceRequest, CliError> {
        let typed = |text: &String| when::when(text, zone, now);
        let to = self.to.as_ref().map(typed).transpose()?.unwrap_or(now);
        let from = self.from.as_ref().map(typed).transpose()?;
        let from = from.or_else(|| to.checked_sub(OVER_DEFAULT).ok()).unwrap_or(Wall::MIN);
        if from >= to {
            return Err(CliError::BadInput("--from must be earlier than --to".to_owned()));
        }
        Ok(PerformanceRequest { from: Instant(from), to: Instant(to) })
    }
}

fn tell(told: &Performance, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let [from, to] = [told.from, told.to].map(|at| words::date_and_time(at, &terminal.zone));
    let watched = words::duration(told.watched_s.0);
    for line in terminal.wrap(0, &format!("Alarms from {from} to {to}, watched for {watched}")) {
        writeln!(out, "{line}")?;
    }
    writeln!(out, "\n  {:35}  {:>18}  goal", "", "here")?;
    for figure in words::figures(told) {
        let mark = if figure.is_kept { Mark::Plain } else { Mark::Wrong };
        let beyond = if figure.is_kept { "" } else { "  !" };
        let row = format!("  {:35}  {:>18}  {}{beyond}", figure.what, figure.here, figure.goal);
        writeln!(out, "{}", terminal.mark(mark, row.trim_end()))?;
    }
    tell_alarms(told, terminal, out)?;
    tell_priorities(told, out)?;
    writeln!(out)?;
    for line in terminal.wrap(0, NOTE) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

const NOTE: &str = "A call is an alarm raised, raised again, or told again while its condition holds; what a \
    withheld alarm does is not counted. ! stands where a goal is missed. Goals are those of ISA-18.2 / IEC \
    62682 and EEMUA 191, most of them from memory: see docs/operator.md.";

fn tell_alarms(told: &Performance, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    if !told.most_frequent.is_empty() {
        let together = words::percent(told.most_frequent_share);
        writeln!(out, "\nMost frequent, together {together} of all calls")?;
    }
    for frequent in &told.most_frequent {
        writeln!(out, "  {:>6} {:>5}  {}", frequent.calls, words::percent(frequent.share), frequent.alarm)?;
    }
    if !told.chattering.is_empty() {
        writeln!(out, "\nChattering: calls within one minute")?;
    }
    for chattering in &told.chattering {
        writeln!(out, "  {:>6}  {}", chattering.most_in_a_minute, chattering.alarm)?;
    }
    if !told.stale.is_empty() {
        writeln!(out, "\nStale: active at the end, and for how long")?;
    }
    for stale in &told.stale {
        let age = words::for_how_long(stale.since, told.to).unwrap_or_default();
        let since = words::date_and_time(stale.since, &terminal.zone);
        writeln!(out, "  {age:>10}  {}, since {since}", stale.alarm)?;
    }
    Ok(())
}

fn tell_priorities(told: &Performance, out: &mut dyn Write) -> io::Result<()> {
    let [high, medium, low] = goal::PRIORITY_SHARES.map(|share| words::percent(Some(share)));
    writeln!(out, "\nBy priority; goal about {low} low, {medium} medium, {high} above")?;
    for of in &told.by_priority {
        writeln!(out, "  {:>6} {:>5}  {}", of.calls, words::percent(of.share), of.priority)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::alarm::Priority;
    use crate::alarm::performance::{Change, Count, Happened};

    fn a_bad_week() -> Performance {
        let begin: Wall = "2026-03-02T15:00:00Z".parse().unwrap();
        let after = |seconds: u64| begin.checked_add(Duration::from_secs(seconds)).unwrap();
        let mut count = Count::new(begin, after(7 * 86_400));
        let mut take = |seconds, alarm: &str, active, priority| {
            let change = Change {
                alarm,
                active: Some(active),
                calls: active,
                withheld: false,
                priority: Some(priority),
            };
            count.take(after(seconds), Happened::Alarm(change));
        };
        take(600, "btu-1.heating.lost", true, Priority::Medium);
        for repeat in 0..40 {
            take(90_000 + repeat * 15, "h2s-1.flow-low", true, Priority::Low);
            take(90_005 + repeat * 15, "h2s-1.flow-low", false, Priority::Low);
        }
        take(300_000, "h2s-high", true, Priority::High);
        take(301_000, "h2s-high", false, Priority::High);
        Performance::from(count.finish())
    }

    fn shown(told: &Performance, width: usize) -> String {
        let terminal = Terminal { width, colour: false, zone: TimeZone::get("America/Chicago").unwrap() };
        let mut out = Vec::new();
        tell(told, &terminal, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_bad_week_is_told_in_80_columns() {
        insta::with_settings!({ snapshot_path => "golden", prepend_module_to_snapshot => false }, {
            insta::assert_snapshot!("performance_in_80_columns", shown(&a_bad_week(), 80));
        });
        assert!(shown(&a_bad_week(), 80).lines().all(|line| line.chars().count() <= 80));
    }

    #[test]
    fn the_figures_read_back_from_their_json() {
        let told = a_bad_week();
        let json = serde_json::to_string(&told).unwrap();
        assert_eq!(serde_json::from_str::<Performance>(&json).unwrap(), told);
    }

    #[test]
    fn seven_days_up_to_now_are_told_when_nothing_is_asked_for() {
        let now: Wall = "2026-03-09T15:00:00Z".parse().unwrap();
        let request = |from: Option<&str>, to: Option<&str>| {
            Between { from: from.map(str::to_owned), to: to.map(str::to_owned) }.request(&TimeZone::UTC, now)
        };
        let told = request(None, None).unwrap();
        assert_eq!((told.from.0.to_string().as_str(), told.to.0), ("2026-03-02T15:00:00Z", now));
        let told = request(None, Some("2026-03-08")).unwrap();
        assert_eq!(told.from.0.to_string(), "2026-03-01T00:00:00Z");
        assert!(matches!(request(Some("2026-03-08"), Some("2026-03-08")), Err(CliError::BadInput(_))));
    }
}
