//! `siskin journal`: what has happened, oldest first.
//!
//! The running daemon is asked. When none runs, the journal's file is read as it lies.

use std::io::{self, Write};
use std::time::Duration;

use clap::builder::RangedU64ValueParser;

use crate::cli::connect::{Connection, Source, to_daemon, understood};
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome, export};
use crate::control::protocol::{JOURNAL_ENTRIES_MAX, JournalRequest, Request};
use crate::history::{JournalEntry, ReadError};
use crate::monitor::Who;
use crate::view::{Entry, Journal, words};

/// How often `--follow` asks for new events: well within the time a connection may be silent.
const FOLLOW_EVERY: Duration = Duration::from_secs(1);

/// Which events.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The last N events
    #[arg(long, value_name = "N", default_value_t = 20, conflicts_with = "after",
          value_parser = RangedU64ValueParser::<usize>::new().range(1..=1000))]
    last: usize,
    /// Every event after the one with this number
    #[arg(long, value_name = "SEQ")]
    after: Option<u64>,
    /// Go on with events as they happen, until interrupted
    #[arg(long)]
    follow: bool,
    /// The whole journal for another system: each entry as it was hashed, a JSON object a line, and at
    /// the end the head of the chain
    #[arg(long, conflicts_with_all = ["last", "after", "follow"])]
    export: bool,
}

/// Tells the events.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    if args.export {
        return export::journal(common, out);
    }
    let mut source = if args.follow { Source::Daemon(to_daemon(common)?) } else { Source::of(common)? };
    let terminal = Terminal::of_stdout(&source.time_zone(common)?);
    let mut teller = Teller { json: common.json, terminal, out };
    let mut page = match args.after {
        Some(after) => source.after(after)?,
        None => source.last(args.last)?,
    };
    loop {
        let Journal { events, next_after, more } = page;
        teller.tell(events)?;
        if !more && !args.follow {
            return Ok(Outcome::Done);
        }
        if !more {
            std::thread::sleep(FOLLOW_EVERY);
        }
        page = source.after(next_after)?;
    }
}

impl Source {
    fn last(&mut self, last: usize) -> Result<Journal, CliError> {
        match self {
            Source::Daemon(daemon) => {
                page(daemon, JournalRequest { last: Some(last), ..JournalRequest::default() })
            }
            Source::File(reader) => read(reader.read_last(last), 0, usize::MAX),
        }
    }

    pub(super) fn after(&mut self, after: u64) -> Result<Journal, CliError> {
        let limit = JOURNAL_ENTRIES_MAX;
        match self {
            Source::Daemon(daemon) => {
                page(daemon, JournalRequest { after: Some(after), limit: Some(limit), last: None })
            }
            Source::File(reader) => read(reader.read(after, limit), after, limit),
        }
    }
}

fn page(daemon: &mut Connection, request: JournalRequest) -> Result<Journal, CliError> {
    understood(&daemon.ask(&Request::Journal(request))?)
}

fn read(
    entries: Result<Vec<JournalEntry>, ReadError>,
    after: u64,
    limit: usize,
) -> Result<Journal, CliError> {
    match entries {
        Ok(entries) => Ok(Journal::of(entries, after, limit)),
        Err(error) => Err(CliError::Unreachable(error.to_string())),
    }
}

/// Where and how the events are told.
struct Teller<'a> {
    json: bool,
    terminal: Terminal,
    out: &'a mut dyn Write,
}

impl Teller<'_> {
    /// For machines, one event a line.
    fn tell(&mut self, events: Vec<Entry>) -> io::Result<()> {
        for event in events {
            if self.json {
                writeln!(self.out, "{}", serde_json::to_string(&event)?)?;
            } else {
                self.tell_in_words(event)?;
            }
        }
        self.out.flush()
    }

    fn tell_in_words(&mut self, event: Entry) -> io::Result<()> {
        let time = words::date_and_time(event.time, &self.terminal.zone);
        let mut row = format!("{:>6}  {time}  {}", event.seq, words::event_text(&event, &self.terminal.zone));
        if let Some(user) = event.user {
            row += &format!(", by {}", Who { user, name: event.name });
        }
        for line in self.terminal.fold(8, &row) {
            writeln!(self.out, "{line}")?;
        }
        Ok(())
    }
}
