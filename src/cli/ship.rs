//! `siskin ship`: copy the record into a PostgreSQL server, where those of many sites come together.
//!
//! It runs beside the daemon, under the same user or any that may read the data directory, and asks the
//! daemon nothing: should it stand still for days, only the copy is late. Once, or on and on.

use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use serde_json::json;

use crate::cli::interrupt::stop_signals;
use crate::cli::{CliError, Common, Outcome, site_file};
use crate::config::Site;
use crate::ship::{SCHEMA, Server, ServerError, Ship, ShipError, Shipped};
use crate::view::Instant;

/// With --follow: so long after everything was shipped it is looked again.
const LOOK_EVERY: Duration = Duration::from_secs(20);
/// With --follow: first and longest pause before a server that failed is tried again; it doubles between.
const RETRY_AFTER: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));

/// Where to.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The server, such as "host=/run/postgresql user=siskin dbname=plant" or postgresql://user@localhost/plant
    #[arg(long, value_name = "ADDRESS", required_unless_present = "schema")]
    to: Option<String>,
    /// A file with the password, closed to others
    #[arg(long, value_name = "FILE")]
    password_file: Option<PathBuf>,
    /// Ship to another machine although the connection is not encrypted, because the way there is safe
    #[arg(long)]
    unencrypted: bool,
    /// Go on as the record grows, and try again when the server is away, until told to stop
    #[arg(long)]
    follow: bool,
    /// Print what makes the tables, for somebody who may make them, and ship nothing
    #[arg(long, conflicts_with_all = ["to", "follow"])]
    schema: bool,
}

/// Ships what is not there yet.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let Some(to) = args.to.as_deref().filter(|_| !args.schema) else {
        out.write_all(SCHEMA.as_bytes())?;
        return Ok(Outcome::Done);
    };
    let site: Site = site_file::load(common.config())?;
    let ship = Ship::new(&site.id, common.data());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| CliError::Unreachable(format!("cannot start: {error}")))?;
    let round = async || -> Result<Shipped, ShipError> {
        let mut server = Server::connect(to, args.password_file.as_deref(), args.unencrypted).await?;
        ship.round(&mut server, |_| {}).await
    };
    if args.follow {
        let stop = stop_signals()?;
        return follow(&stop, || runtime.block_on(round()), common.json, out);
    }
    let shipped = runtime.block_on(round()).map_err(refused)?;
    tell(&shipped, common.json, out)?;
    Ok(Outcome::Done)
}

/// Round after round, until told to stop. What cannot get better by waiting ends it.
fn follow(
    stop: &Receiver<()>,
    round: impl Fn() -> Result<Shipped, ShipError>,
    json: bool,
    out: &mut dyn Write,
) -> Result<Outcome, CliError> {
    let mut retry_after = RETRY_AFTER.0;
    loop {
        let pause = match round() {
            Ok(shipped) => {
                if shipped.events + shipped.samples > 0 {
                    tell(&shipped, json, out)?;
                    out.flush()?;
                }
                retry_after = RETRY_AFTER.0;
                LOOK_EVERY
            }
            Err(error @ ShipError::Server(ServerError::Address(_))) => return Err(refused(error)),
            Err(error) => {
                // Nobody is left to tell when standard error is gone.
                let _ = writeln!(io::stderr(), "siskin: {error}; tried again in {} s", retry_after.as_secs());
                let pause = retry_after;
                retry_after = (2 * retry_after).min(RETRY_AFTER.1);
                pause
            }
        };
        match stop.recv_timeout(pause) {
            Err(RecvTimeoutError::Timeout) => {}
            Ok(()) | Err(RecvTimeoutError::Disconnected) => return Ok(Outcome::Done),
        }
    }
}

fn tell(shipped: &Shipped, json: bool, out: &mut dyn Write) -> Result<(), CliError> {
    let Shipped { events, samples, samples_to, given_up } = shipped;
    if json {
        let given_up = given_up.map(|(from, to)| json!({ "from": Instant(from), "to": Instant(to) }));
        let told = json!({
            "events": events, "samples": samples, "samples_to": samples_to.map(Instant), "given_up": given_up,
        });
        writeln!(out, "{told}")?;
        return Ok(());
    }
    let up_to = samples_to.map_or(String::new(), |to| format!(", up to {to:.0}"));
    writeln!(out, "Shipped: {events} events, {samples} samples{up_to}")?;
    if let Some((from, to)) = given_up {
        writeln!(out, "Samples from {from:.0} to {to:.0} had been given up before they could be shipped")?;
    }
    Ok(())
}

fn refused(error: ShipError) -> CliError {
    match error {
        ShipError::Server(ServerError::Address(told)) => CliError::BadInput(told),
        ShipError::Record(_) | ShipError::Server(_) => CliError::Unreachable(error.to_string()),
    }
}
