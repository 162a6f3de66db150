//! `siskin ack`, `reset`, `shelve`, `unshelve`, `out-of-service` and `in-service`: what an operator does
//! about alarms, over the control socket.
//!
//! They change siskin's own record of an alarm, and nothing in the plant.

use std::io::{self, BufRead, IsTerminal, Write};

use crate::cli::connect::{to_daemon, understood};
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome, alarms};
use crate::control::protocol::{ActRequest, Acted, Alarms, Request};
use crate::view::{Alarm, Status};

mod args;
mod fate;

pub use args::{Ack, InService, OutOfService, Reset, Shelve, Unshelve};
pub(super) use args::{Caller, Said, finite, time};

/// Below the help of each of these commands.
pub const CAUTION: &str = "This changes siskin's own record of an alarm and nothing in the plant. \
    siskin is not a safety system: gas detection, shutdown systems and local rules stand above it.";

/// Asks for an action, and tells what became of it for each alarm.
pub fn act(request: ActRequest, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let answer = to_daemon(common)?.ask(&Request::Act(request.clone()))?;
    let results: Vec<Acted> = understood(&answer)?;
    if common.json {
        writeln!(out, "{answer}")?;
    } else {
        tell(&request, &results, out)?;
    }
    Ok(if results.iter().all(|result| result.done) { Outcome::Done } else { Outcome::No })
}

fn tell(request: &ActRequest, results: &[Acted], out: &mut dyn Write) -> io::Result<()> {
    if results.is_empty() {
        writeln!(out, "{}", fate::nothing_to_do(request))?;
    }
    results.iter().try_for_each(|result| writeln!(out, "{}: {}", result.alarm, fate::fate(request, result)))
}

/// Acknowledges. Alarms that are not named one by one are shown first, and on a terminal the operator is
/// asked; what calls between that and the acknowledgement is not acknowledged.
pub fn acknowledge(args: &Ack, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let mut request = ActRequest::from(args);
    if args.is_blind() {
        let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
        request.seen = Some(status.seq);
        if !common.json && !agreed(&request, &status, out)? {
            writeln!(out, "Nothing was acknowledged.")?;
            return Ok(Outcome::No);
        }
    }
    act(request, common, out)
}

/// Shows what is to be acknowledged. Whether the operator wants it; where nobody can be asked, they do.
fn agreed(request: &ActRequest, status: &Status, out: &mut dyn Write) -> io::Result<bool> {
    let meant = |alarm: &Alarm| alarm.state.is_unacknowledged() && is_in(alarm, &request.alarms);
    let number = status.alarms.iter().filter(|alarm| meant(alarm)).count();
    let asked = io::stdin().is_terminal() && io::stdout().is_terminal();
    if number == 0 || !asked {
        return Ok(true);
    }
    alarms::tell(status, meant, &Terminal::of_stdout(&status.site.time_zone), out)?;
    let these = if number == 1 { "this alarm".to_owned() } else { format!("these {number} alarms") };
    confirmed(&format!("Acknowledge {these}?"), &mut io::stdin().lock(), out)
}

fn is_in(alarm: &Alarm, alarms: &Alarms) -> bool {
    match alarms {
        Alarms::These(ids) => ids.contains(&alarm.id),
        Alarms::Group(named) => alarm.first_out_group.as_ref() == Some(&named.group),
        Alarms::All(_) => true,
    }
}

/// Whether the answer to the question is yes.
fn confirmed(question: &str, answers: &mut dyn BufRead, out: &mut dyn Write) -> io::Result<bool> {
    write!(out, "{question} [y/N] ")?;
    out.flush()?;
    let mut answer = String::new();
    answers.read_line(&mut answer)?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn only_a_yes_is_a_yes() {
        for (answer, yes) in [
            ("y\n", true),
            ("YES\n", true),
            ("\n", false),
            ("n\n", false),
            ("", false),
            ("yesterday\n", false),
        ] {
            let mut asked = Vec::new();
            assert_eq!(confirmed("Really?", &mut answer.as_bytes(), &mut asked).unwrap(), yes, "{answer:?}");
            assert_eq!(asked, b"Really? [y/N] ");
        }
    }
}
