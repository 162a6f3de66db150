//! `siskin ack` and `siskin reset`: what an operator does about alarms, over the control socket.
//!
//! They change siskin's own record of an alarm, and nothing in the plant.

use std::io::Write;

use crate::cli::connect::{to_daemon, understood};
use crate::cli::{CliError, Common, Outcome};
use crate::control::protocol::{ActKind, ActRequest, Acted, Alarms, AllWord, Request};
use crate::view::words;

/// Which alarms, who says so, and why.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("which").required(true).args(["alarms", "all"]))]
pub struct Args {
    /// Ids of alarms, as `siskin alarms` shows them
    #[arg(value_name = "ALARM")]
    alarms: Vec<String>,
    /// Every alarm for which this means something now
    #[arg(long)]
    all: bool,
    /// Your name, for the record, when several people use one account
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Why, for the record
    #[arg(long, value_name = "TEXT")]
    remark: Option<String>,
}

/// Asks for the action, and tells what became of it for each alarm.
pub fn run(kind: ActKind, args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let request = Request::Act(ActRequest {
        kind,
        alarms: if args.all { Alarms::All(AllWord::All) } else { Alarms::These(args.alarms.clone()) },
        name: args.name.clone(),
        remark: args.remark.clone(),
    });
    let answer = to_daemon(common)?.ask(&request)?;
    let results: Vec<Acted> = understood(&answer)?;
    if common.json {
        writeln!(out, "{answer}")?;
    } else {
        tell(kind, &results, out)?;
    }
    Ok(if results.iter().all(|result| result.done) { Outcome::Done } else { Outcome::No })
}

fn tell(kind: ActKind, results: &[Acted], out: &mut dyn Write) -> Result<(), CliError> {
    if results.is_empty() {
        writeln!(out, "No alarm waits for {}.", noun(kind))?;
    }
    for result in results {
        writeln!(out, "{}: {}", result.alarm, fate(result))?;
    }
    Ok(())
}

const fn noun(kind: ActKind) -> &'static str {
    match kind {
        ActKind::Acknowledge => "an acknowledgement",
        ActKind::Reset => "a reset",
    }
}

fn fate(result: &Acted) -> String {
    let state = result.state.map_or("its state is not known", |state| words::alarm_state(state.0));
    match (result.refused.as_deref(), &result.nearest) {
        (None, _) => state.to_owned(),
        (Some("unknown_alarm"), Some(nearest)) => format!("refused: no such alarm; is {nearest} meant?"),
        (Some("unknown_alarm"), None) => {
            "refused: no such alarm; `siskin alarms --all` shows them".to_owned()
        }
        (Some("nothing_to_acknowledge"), _) => format!("refused: nothing to acknowledge, it is {state}"),
        (Some("nothing_to_reset"), _) => format!("refused: nothing to reset, it is {state}"),
        (Some("still_active"), _) => {
            "refused: its condition still holds, and a reset would hide it".to_owned()
        }
        (Some("not_acknowledged"), _) => "refused: it must be acknowledged first".to_owned(),
        (Some(other), _) => format!("refused: {}", other.replace('_', " ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::Life;
    use crate::view::Word;

    #[test]
    fn what_became_of_each_alarm_is_said_in_words() {
        let result = |state: Option<Life>, refused: Option<&str>, nearest: Option<&str>| Acted {
            alarm: "h2s-high".to_owned(),
            done: refused.is_none(),
            state: state.map(Word),
            refused: refused.map(str::to_owned),
            nearest: nearest.map(str::to_owned),
        };
        for (result, expected) in [
            (result(Some(Life::Acknowledged), None, None), "active, acknowledged"),
            (result(None, Some("unknown_alarm"), Some("h2s-high")), "is h2s-high meant?"),
            (result(Some(Life::Normal), Some("nothing_to_reset"), None), "nothing to reset, it is normal"),
            (result(None, Some("still_active"), None), "its condition still holds"),
            (result(None, Some("some_day"), None), "refused: some day"),
        ] {
            let told = fate(&result);
            assert!(told.contains(expected), "{told}");
        }
    }
}
