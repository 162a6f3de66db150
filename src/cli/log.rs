//! The daemon's log, as much as `SISKIN_LOG` asks for (`info` when it does not): to the system's journal
//! with its fields when systemd has joined standard error to it, and else to standard error.
//!
//! The log is for whoever keeps the daemon running. What happened to the gas is in siskin's own journal.
//! What repeats is said once a minute ([`repeats`]).

use std::io::Write;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Context, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

use crate::moment::Wall;

mod entry;
mod repeats;

use entry::Entry;
use repeats::{Fate, Repeats};

/// Where the system's journal takes entries with fields.
const JOURNAL_SOCKET: &str = "/run/systemd/journal/socket";

/// How often what was held back and came no more is looked for.
const LOOK_EVERY: Duration = Duration::from_secs(10);

static LOG: OnceLock<Log> = OnceLock::new();

/// Begins to log.
pub fn start() {
    let asked = std::env::var("SISKIN_LOG").unwrap_or_default();
    let wanted = wanted(&asked);
    let log = LOG.get_or_init(|| Log {
        began: Instant::now(),
        sink: Sink::of_this_process(),
        repeats: Mutex::default(),
    });
    // A log that has begun already goes on as it is.
    let _ = tracing_subscriber::registry()
        .with(Lines { log }.with_filter(wanted.clone().unwrap_or_else(everything_from_info)))
        .try_init();
    if wanted.is_none() {
        tracing::warn!(
            "SISKIN_LOG={asked:?} is no level, and no list of parts with levels: info and worse is logged. \
             Set it to error, warn, info, debug or trace, or for example to info,siskin::modbus=debug"
        );
    }
}

/// What is asked for: nothing is `info`. `None` when it cannot be understood.
fn wanted(asked: &str) -> Option<Targets> {
    if asked.trim().is_empty() { Some(everything_from_info()) } else { asked.parse().ok() }
}

fn everything_from_info() -> Targets {
    Targets::new().with_default(Level::INFO)
}

/// Tells what was held back and came no more, for as long as the task runs.
pub async fn tell_what_was_held_back() {
    loop {
        tokio::time::sleep(LOOK_EVERY).await;
        if let Some(log) = LOG.get() {
            log.tell_left_over();
        }
    }
}

struct Log {
    began: Instant,
    sink: Sink,
    repeats: Mutex<Repeats>,
}

impl Log {
    fn take(&self, mut entry: Entry) {
        match self.repeats().take(&entry.text(), self.began.elapsed()) {
            Fate::HeldBack => return,
            Fate::Said { held_back: 0 } => {}
            Fate::Said { held_back } => entry.add(&format!(" (and {held_back} more like it)")),
        }
        self.sink.put(&entry);
    }

    fn tell_left_over(&self) {
        let left_over = self.repeats().left_over(self.began.elapsed());
        for (like, count) in left_over {
            self.sink.put(&Entry::plain(Level::INFO, format!("{count} more like this:{like}")));
        }
    }

    fn repeats(&self) -> MutexGuard<'_, Repeats> {
        self.repeats.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Where lines go.
enum Sink {
    /// To the system's journal, field by field.
    Journal(UnixDatagram),
    /// To standard error, which the system's journal reads line by line: with a level before each, and
    /// without times.
    Joined,
    /// To standard error.
    Plain,
}

impl Sink {
    fn of_this_process() -> Sink {
        if !is_joined_to_the_journal(std::env::var("JOURNAL_STREAM").ok().as_deref()) {
            return Sink::Plain;
        }
        match journal_at(Path::new(JOURNAL_SOCKET)) {
            Ok(socket) => Sink::Journal(socket),
            Err(_) => Sink::Joined,
        }
    }

    fn put(&self, entry: &Entry) {
        let line = match self {
            Sink::Journal(socket) if socket.send(&entry.datagram()).is_ok() => return,
            Sink::Journal(_) | Sink::Joined => format!("<{}>{}\n", entry.priority(), entry.text()),
            Sink::Plain => format!("{:.3} {}\n", Wall::now(), entry.text()),
        };
        // There is nobody to tell that nobody can be told.
        let _ = std::io::stderr().lock().write_all(line.as_bytes());
    }
}

fn journal_at(path: &Path) -> std::io::Result<UnixDatagram> {
    let socket = UnixDatagram::unbound()?;
    socket.connect(path)?;
    // A journal that stands still must not hold up the watch.
    socket.set_nonblocking(true)?;
    Ok(socket)
}

/// `JOURNAL_STREAM` names the device and inode of the stream that was joined, so that whoever inherits the
/// variable but not the stream can tell (`systemd.exec(5)`).
fn is_joined_to_the_journal(stream: Option<&str>) -> bool {
    let Ok(stderr) = rustix::fs::fstat(std::io::stderr()) else { return false };
    stream == Some(format!("{}:{}", stderr.st_dev, stderr.st_ino).as_str())
}

/// Hands every event to the log.
struct Lines {
    log: &'static Log,
}

impl<S: Subscriber> Layer<S> for Lines {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        self.log.take(Entry::of(event));
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_journal_hears_the_fields_and_what_repeats_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("socket");
        let journal = UnixDatagram::bind(&path).unwrap();
        journal.set_nonblocking(true).unwrap();
        let sink = Sink::Journal(journal_at(&path).unwrap());
        let log = Log { began: Instant::now(), sink, repeats: Mutex::default() };
        for _ in 0..3 {
            log.take(Entry::plain(Level::WARN, "the port is gone".to_owned()));
        }
        let mut heard = [0; 512];
        let length = journal.recv(&mut heard).unwrap();
        let heard = String::from_utf8_lossy(&heard[..length]).into_owned();
        assert_eq!(heard, "PRIORITY=4\nSYSLOG_IDENTIFIER=siskin\nMESSAGE=the port is gone\n");
        assert!(journal.recv(&mut [0; 512]).is_err(), "it was said twice");
    }

    #[test]
    fn a_level_alone_or_parts_with_levels_are_understood_and_nothing_else() {
        let said = |asked: &str, part: &str, level: &Level| wanted(asked).unwrap().would_enable(part, level);
        assert!(said("", "siskin::daemon", &Level::INFO) && !said("", "siskin::daemon", &Level::DEBUG));
        assert!(said("debug", "siskin::daemon", &Level::DEBUG));
        assert!(said("warn,siskin::modbus=debug", "siskin::modbus::line", &Level::DEBUG));
        assert!(!said("warn,siskin::modbus=debug", "siskin::daemon", &Level::INFO));
        assert!(wanted("siskin=loud").is_none());
    }

    #[test]
    fn a_variable_that_was_inherited_without_its_stream_means_nothing() {
        assert!(!is_joined_to_the_journal(None));
        assert!(!is_joined_to_the_journal(Some("0:1")));
        let own = rustix::fs::fstat(std::io::stderr()).unwrap();
        assert!(is_joined_to_the_journal(Some(&format!("{}:{}", own.st_dev, own.st_ino))));
    }
}
