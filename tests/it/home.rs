//! siskin as a user runs it: the binary, a site file, a data directory, and a browser's view.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::atomic::{AtomicU16, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;

/// The longest that anything here may take; whoever waits longer has failed.
const PATIENCE: Duration = Duration::from_secs(60);

/// How often a condition is looked at that nobody tells of.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// A site file and a data directory of their own.
pub struct Home {
    dir: tempfile::TempDir,
    http: SocketAddr,
}

impl Home {
    /// A site with these lines, devices and alarms (TOML), and an HTTP face on a free port.
    pub fn new(site: &str) -> Home {
        let home = Home { dir: tempfile::tempdir().unwrap(), http: free_port() };
        home.rewrite(site);
        home
    }

    /// Another site file in place of the present one.
    pub fn rewrite(&self, site: &str) {
        let head = format!("[site]\nid = \"bench\"\n\n[http]\nlisten = \"{}\"\n\n", self.http);
        std::fs::write(self.site_file(), head + site).unwrap();
    }

    /// Where the site file is.
    pub fn site_file(&self) -> PathBuf {
        self.dir.path().join("site.toml")
    }

    /// Where the HTTP face listens.
    pub fn http(&self) -> SocketAddr {
        self.http
    }

    /// Where the record is kept.
    pub fn data(&self) -> PathBuf {
        self.dir.path().join("data")
    }

    /// Starts the daemon, and waits until it says that it is ready.
    pub fn start(&self) -> Daemon {
        let notices = self.dir.path().join("notify");
        let _ = std::fs::remove_file(&notices);
        let supervisor = UnixDatagram::bind(&notices).unwrap();
        supervisor.set_read_timeout(Some(LOOK_EVERY)).unwrap();
        let log = std::fs::File::options().append(true).create(true).open(self.log()).unwrap();
        let child = self
            .siskin(&["run"])
            .env("NOTIFY_SOCKET", &notices)
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut daemon = Daemon { child, http: self.http };
        let began = Instant::now();
        let mut notice = [0; 64];
        while supervisor.recv(&mut notice).is_err() {
            let ended = daemon.child.try_wait().unwrap();
            assert!(ended.is_none() && began.elapsed() < PATIENCE, "{ended:?}:\n{}", self.told());
        }
        assert!(notice.starts_with(b"READY=1"), "{}", String::from_utf8_lossy(&notice));
        daemon
    }

    /// Runs a command to its end.
    pub fn run(&self, arguments: &[&str]) -> Output {
        self.siskin(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).output().unwrap()
    }

    /// What the daemon has logged so far.
    pub fn told(&self) -> String {
        std::fs::read_to_string(self.log()).unwrap_or_default()
    }

    /// A command on this site file and data directory, not started yet.
    pub fn siskin(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_siskin"));
        command
            .args(arguments)
            .env("SISKIN_CONFIG", self.site_file())
            .env("SISKIN_DATA", self.data())
            .env_remove("NOTIFY_SOCKET")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        command
    }

    fn log(&self) -> PathBuf {
        self.dir.path().join("log")
    }
}

/// A running daemon. Dropped, it is killed.
pub struct Daemon {
    child: Child,
    http: SocketAddr,
}

impl Daemon {
    /// What a GET of `path` answers: the status code and the body.
    pub fn get(&self, path: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(self.http).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let host = self.http;
        write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
        assert!(!head.to_lowercase().contains("transfer-encoding"), "this client knows no chunks: {head}");
        (head[9..12].parse().unwrap(), body.to_owned())
    }

    /// The JSON at `path`.
    pub fn json(&self, path: &str) -> Value {
        let (code, body) = self.get(path);
        assert_eq!(code, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    /// Looks at `/api/v1/status` until `done` finds in it what it looks for.
    pub fn wait_for<T>(&self, what: &str, done: impl Fn(&Value) -> Option<T>) -> T {
        let began = Instant::now();
        loop {
            let status = self.json("/api/v1/status");
            if let Some(found) = done(&status) {
                return found;
            }
            assert!(began.elapsed() < PATIENCE, "waited in vain for {what}: {status:#}");
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Every entry of the journal.
    pub fn journal(&self) -> Vec<Value> {
        let mut entries: Vec<Value> = Vec::new();
        loop {
            let after = entries.last().map_or(0, |entry| entry["seq"].as_u64().unwrap());
            let page = self.json(&format!("/api/v1/journal?after={after}&limit=500"));
            let page = page["events"].as_array().unwrap_or_else(|| panic!("{page}")).clone();
            if page.is_empty() {
                return entries;
            }
            entries.extend(page);
        }
    }

    /// Looks at the journal until `done` finds in it what it looks for: an event is there once it is
    /// on disk, which may be a moment after it is shown.
    pub fn wait_for_journal(&self, what: &str, done: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        let began = Instant::now();
        loop {
            let journal = self.journal();
            if done(&journal) {
                return journal;
            }
            assert!(began.elapsed() < PATIENCE, "waited in vain for {what}: {journal:#?}");
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Kills it as a power cut would: without a word.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: rustix::process::Signal) {
        rustix::process::kill_process(rustix::process::Pid::from_child(&self.child), signal).unwrap();
    }

    /// Asks it to end, as a service supervisor does, and waits until it has.
    pub fn stop(mut self) -> ExitStatus {
        self.signal(rustix::process::Signal::TERM);
        let began = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(began.elapsed() < PATIENCE, "it does not end");
            std::thread::sleep(LOOK_EVERY);
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The member of a list whose `id` is this.
pub fn by_id<'a>(list: &'a Value, id: &str) -> &'a Value {
    let members = list.as_array().unwrap_or_else(|| panic!("no list: {list}"));
    members.iter().find(|member| member["id"] == id).unwrap_or_else(|| panic!("no {id} in {list:#}"))
}

/// A port that nobody listens on now, and that the kernel gives to nobody of itself: it lies below
/// the range from which outgoing connections are numbered (`ip_local_port_range`).
fn free_port() -> SocketAddr {
    static TRIED: AtomicU16 = AtomicU16::new(0);
    let first = std::process::id() as u16 % 10_000;
    loop {
        let port = 20_000 + (first + TRIED.fetch_add(1, Ordering::Relaxed)) % 12_000;
        if let Ok(listener) = TcpListener::bind(("127.0.0.1", port)) {
            return listener.local_addr().unwrap();
        }
    }
}
