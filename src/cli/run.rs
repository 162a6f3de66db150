//! `siskin run`: the daemon and its faces, put together, kept going until told to stop, taken apart.
//!
//! Order matters. The daemon comes first: it claims the data directory. Then the faces: a port that is
//! taken ends the start. The lines come last: a start that fails has asked no device anything. The faces
//! go first: whoever reads an answer reads it of a daemon that is whole.

use std::io::{self, IsTerminal, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use crate::cli::reload::reload;
use crate::cli::service_notice::{Notice, tell};
use crate::cli::{CliError, Common, Outcome, files, log, site_file, watchdog};
use crate::config::{HttpSpec, ScadaSpec, Site};
use crate::daemon::{self, Handle};
use crate::monitor::Snapshot;
use crate::serve::{Access, AccessFiles};
use crate::{control, scada, serve};

/// Threads that carry the faces.
const FACE_THREADS: usize = 2;
/// The least time between two events of one client of the HTTP stream.
const STREAM_EVERY: Duration = Duration::from_millis(500);
/// How long the faces may take to finish what they have begun, and then the daemon to stop.
const FACES_STOP_MAX: Duration = Duration::from_millis(700);
const DAEMON_STOP_MAX: Duration = Duration::from_millis(1200);
/// How long a read of the journal that has lost its caller may keep the process.
const RUNTIME_STOP_MAX: Duration = Duration::from_millis(100);

/// Nothing to choose: everything is in the site file.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs until SIGINT or SIGTERM; SIGHUP has the site file read anew.
pub fn run(_args: &Args, common: &Common, _out: &mut dyn Write) -> Result<Outcome, CliError> {
    log::start();
    let site = site_file::load(common.config())?;
    operate(&site, common.config(), common.data(), |_| Ok(()))
}

/// Runs `site`, whose site file is `config`, on the data directory `data` until SIGINT or SIGTERM; calls
/// `ready` once everything is open and bound.
pub fn operate(
    site: &Site,
    config: &Path,
    data: &Path,
    ready: impl FnOnce(&Assembled) -> Result<(), CliError>,
) -> Result<Outcome, CliError> {
    let no_runtime = |error: io::Error| CliError::Unreachable(format!("cannot start any thread: {error}"));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(FACE_THREADS)
        .enable_all()
        .build()
        .map_err(no_runtime)?;
    let ended = runtime.block_on(async {
        let mut told = Signals::listen().map_err(no_runtime)?;
        let mut assembled = assemble(site, config, data).await?;
        tell(Notice::Ready);
        tracing::info!("{} is watched", site.name);
        let watchdog = watchdog::feed(assembled.daemon.handle());
        let held_back = tokio::spawn(log::tell_what_was_held_back());
        let ended = ready(&assembled);
        if ended.is_ok() {
            let signal = loop {
                match told.next().await {
                    Told::Reload => {
                        reload(&mut assembled.daemon, config).await;
                        assembled.number_what_is_new(config);
                        assembled.read_access_anew(config);
                    }
                    Told::Stop(signal) => break signal,
                }
            };
            tracing::info!("{signal}: stopping");
        }
        watchdog.abort();
        held_back.abort();
        tell(Notice::Stopping);
        assembled.stop().await;
        ended.map(|()| Outcome::Done)
    });
    runtime.shutdown_timeout(RUNTIME_STOP_MAX);
    ended
}

/// A daemon with its faces.
pub struct Assembled {
    daemon: daemon::Running,
    faces: Faces,
}

struct Faces {
    control: control::Serving,
    http: Option<serve::Bound>,
    scada: Option<scada::Bound>,
    stop: CancellationToken,
}

/// Puts the daemon and its faces together on the data directory `data`. Beside the site file `config`
/// lie the numbers of the SCADA map.
///
/// # Errors
/// [`CliError::Unreachable`] when something cannot be opened or bound; nothing is left running.
pub async fn assemble(site: &Site, config: &Path, data: &Path) -> Result<Assembled, CliError> {
    let options = daemon::Options { data: data.to_owned() };
    let mut daemon = daemon::start(site, &options).map_err(unreachable)?;
    let opened = Faces::open(site, config, data, &daemon.handle()).await;
    match opened.and_then(|faces| daemon.poll().map(|()| faces).map_err(unreachable)) {
        Ok(faces) => Ok(Assembled { daemon, faces }),
        Err(error) => {
            daemon.stop().await;
            Err(error)
        }
    }
}

impl Faces {
    async fn open(site: &Site, config: &Path, data: &Path, handle: &Handle) -> Result<Faces, CliError> {
        let stop = CancellationToken::new();
        let scada = match &site.scada {
            Some(scada) => Some(open_scada(scada, config, handle, &stop).await?),
            None => None,
        };
        let socket = control::Socket::bind(&data.join(&site.control.socket)).map_err(unreachable)?;
        let http = match &site.http {
            Some(http) => {
                let settings = serve::Settings {
                    time_zone: site.time_zone.clone(),
                    stream_every: STREAM_EVERY,
                    limits: serve::Limits::within(files::raise_limit(files_wanted())),
                };
                let access = access(http, config)?;
                let bound = serve::start(http.listen, handle.clone(), settings, access, stop.clone()).await;
                Some(bound.map_err(unreachable)?)
            }
            None => None,
        };
        if let Some(http) = &http {
            let scheme = if site.http.as_ref().is_some_and(|http| http.certificate.is_some()) {
                "https"
            } else {
                "http"
            };
            tracing::info!("the status page is at {scheme}://{}/", http.address);
        }
        tracing::info!("operator actions are taken at {}", socket.path().display());
        let control = socket.serve(handle.clone(), stop.clone());
        Ok(Faces { control, http, scada, stop })
    }

    async fn close(self) {
        self.stop.cancel();
        self.control.stopped().await;
        if let Some(http) = self.http {
            // A face that panicked has closed as well.
            let _ = http.task.await;
        }
        if let Some(scada) = self.scada {
            let _ = scada.task.await;
        }
    }
}

/// Files that are open when every place is taken.
fn files_wanted() -> u64 {
    u64::try_from(serve::CONNECTIONS_MAX + serve::FILES_KEPT_FREE_MIN).unwrap_or(u64::MAX)
}

async fn open_scada(
    spec: &ScadaSpec,
    config: &Path,
    handle: &Handle,
    stop: &CancellationToken,
) -> Result<scada::Bound, CliError> {
    let opened = scada_numbers(config, &handle.snapshot())?;
    tell_new_numbers(&opened);
    let settings = scada::Settings { numbers: opened.numbers, bad_value: spec.bad_value };
    let bound =
        scada::start(spec.listen, handle.clone(), settings, stop.clone()).await.map_err(unreachable)?;
    tracing::info!("SCADA masters are answered at {}", bound.address);
    Ok(bound)
}

fn tell_new_numbers(opened: &scada::Opened) {
    if opened.given > 0 {
        tracing::info!("{} new numbers of the SCADA map are kept in {}", opened.given, opened.path.display());
    }
}

/// Who may read over HTTP, out of the files that the site file `config` names; for `siskin check` as for the
/// daemon.
///
/// # Errors
/// [`CliError::BadInput`] when a file is wrong, [`CliError::Unreachable`] when it cannot be read.
pub fn access(http: &HttpSpec, config: &Path) -> Result<Access, CliError> {
    let beside = |path: &Path| config.parent().unwrap_or(Path::new("")).join(path);
    let files = AccessFiles {
        certificate: http.certificate.as_ref().map(|(chain, key)| (beside(chain), beside(key))),
        tokens: http.tokens.as_deref().map(beside),
    };
    Access::read(&files).map_err(|error| match error.is_content {
        true => CliError::BadInput(error.to_string()),
        false => CliError::Unreachable(error.to_string()),
    })
}

/// The numbers of the SCADA map, for `siskin map` as for the daemon.
///
/// # Errors
/// [`CliError::BadInput`] when the file that keeps them is wrong, [`CliError::Unreachable`] when it
/// cannot be read or written.
pub fn scada_numbers(config: &Path, snapshot: &Snapshot) -> Result<scada::Opened, CliError> {
    scada::open(config, snapshot).map_err(|error| match error.is_content() {
        true => CliError::BadInput(error.to_string()),
        false => CliError::Unreachable(error.to_string()),
    })
}

fn unreachable(error: impl std::error::Error) -> CliError {
    CliError::Unreachable(error.to_string())
}

impl Assembled {
    /// Where HTTP listens, when it does.
    pub fn http(&self) -> Option<SocketAddr> {
        self.faces.http.as_ref().map(|http| http.address)
    }

    /// Where SCADA masters are answered, when they are.
    pub fn scada(&self) -> Option<SocketAddr> {
        self.faces.scada.as_ref().map(|scada| scada.address)
    }

    /// Gives what a reload has brought its numbers in the SCADA map. When they cannot be kept, what is
    /// new stays out of the map; nothing else changes.
    fn number_what_is_new(&self, config: &Path) {
        let Some(scada) = &self.faces.scada else { return };
        match scada_numbers(config, &self.daemon.handle().snapshot()) {
            Ok(opened) if opened.given > 0 => {
                tell_new_numbers(&opened);
                scada.numbers.send_replace(opened.numbers);
            }
            Ok(_) => {}
            Err(error) => tracing::error!("what is new has no address in the SCADA map: {error}"),
        }
    }

    /// Takes tokens and certificate from their files as they are now. When those are wrong, who could read
    /// before can read on.
    fn read_access_anew(&self, config: &Path) {
        let (Some(bound), Some(http)) = (&self.faces.http, &self.daemon.site().http) else { return };
        match access(http, config) {
            Ok(access) => drop(bound.access.send_replace(access)),
            Err(error) => tracing::error!("tokens and certificate stay as they were: {error}"),
        }
    }

    /// Takes everything apart in good order, within two seconds.
    pub async fn stop(self) {
        if timeout(FACES_STOP_MAX, self.faces.close()).await.is_err() {
            tracing::warn!("connections that do not end are cut off");
        }
        if timeout(DAEMON_STOP_MAX, self.daemon.stop()).await.is_err() {
            tracing::error!("the daemon does not stop in time and is cut off; what was recorded stays");
        }
    }
}

/// SIGINT, SIGTERM and SIGHUP, heard from when this is made.
struct Signals {
    interrupt: Signal,
    terminate: Signal,
    hang_up: Signal,
    /// Started by hand: when the terminal goes away, so does the daemon.
    on_terminal: bool,
}

/// What a signal asks for.
enum Told {
    /// To read the site file anew.
    Reload,
    /// To stop; the signal's name.
    Stop(&'static str),
}

impl Signals {
    fn listen() -> io::Result<Signals> {
        Ok(Signals {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
            on_terminal: io::stdin().is_terminal(),
        })
    }

    /// The next one.
    async fn next(&mut self) -> Told {
        tokio::select! {
            _ = self.interrupt.recv() => Told::Stop("SIGINT"),
            _ = self.terminate.recv() => Told::Stop("SIGTERM"),
            _ = self.hang_up.recv() => if self.on_terminal { Told::Stop("SIGHUP") } else { Told::Reload },
        }
    }
}
