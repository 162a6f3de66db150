//! A whole daemon on simulated devices: 48 signals, twelve alarms, every face open.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use crate::devices::Devices;
use crate::process;

const LINES: usize = 4;
const DEVICES_ON_A_LINE: usize = 3;
/// Signals of one device; they are read together.
pub const SIGNALS_OF_A_DEVICE: usize = 4;
/// Signals of the site.
pub const SIGNALS: usize = LINES * DEVICES_ON_A_LINE * SIGNALS_OF_A_DEVICE;

/// How long it may take until everything is measured, and at the least, so that the lines have learned.
const SETTLING_MAX: Duration = Duration::from_secs(60);
const SETTLING_MIN: Duration = Duration::from_secs(3);

/// A running daemon. Dropped, it is gone.
pub struct Building {
    child: Child,
    pub devices: Devices,
    pub http: SocketAddr,
    pub scada: SocketAddr,
    /// From its start until a value was shown.
    pub first_value: Duration,
    dir: tempfile::TempDir,
}

impl Building {
    /// Starts it, and waits until every signal is good.
    pub fn start() -> Building {
        let (dir, devices) = (tempfile::tempdir().unwrap(), Devices::start());
        let (http, scada) = (free_port(), free_port());
        let file = dir.path().join("site.toml");
        std::fs::write(&file, site(&devices.address, http, scada)).unwrap();
        let child = process::on_one_core(env!("CARGO_BIN_EXE_siskin"))
            .args(["run", "--config"])
            .arg(&file)
            .arg("--data")
            .arg(dir.path().join("data"))
            .env_remove("NOTIFY_SOCKET")
            .stderr(log(dir.path()))
            .spawn()
            .unwrap();
        let mut building = Building { child, devices, http, scada, first_value: Duration::ZERO, dir };
        building.settle();
        building
    }

    fn settle(&mut self) {
        let began = Instant::now();
        while matches!(self.signals_good().as_deref(), None | Some("0")) {
            assert!(began.elapsed() < SETTLING_MAX, "no signal is good; it said:\n{}", self.said());
            std::thread::sleep(Duration::from_millis(1));
        }
        self.first_value = began.elapsed();
        while self.signals_good() != Some(SIGNALS.to_string()) || began.elapsed() < SETTLING_MIN {
            assert!(began.elapsed() < SETTLING_MAX, "not every signal is good; it said:\n{}", self.said());
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// As the status tells it.
    fn signals_good(&self) -> Option<String> {
        let status = self.get("/api/v1/status");
        let (_, after) = status.split_once("\"signals_good\":")?;
        after.split_once(',').map(|(count, _)| count.to_owned())
    }

    fn said(&self) -> String {
        std::fs::read_to_string(self.dir.path().join("log")).unwrap_or_default()
    }

    /// The body of an answer; empty when nobody answers.
    pub fn get(&self, path: &str) -> String {
        let Ok(mut stream) = TcpStream::connect(self.http) else { return String::new() };
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
        let mut answer = String::new();
        let _ = stream.write_all(request.as_bytes()).and_then(|()| stream.read_to_string(&mut answer));
        answer.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default()
    }

    /// Processor time so far, in seconds.
    pub fn processor(&self) -> f64 {
        process::processor(&self.child.id().to_string())
    }

    /// What it keeps in memory, in MiB.
    pub fn resident_mib(&self) -> f64 {
        process::figure(&self.child.id().to_string(), "VmRSS:") as f64 / 1024.0
    }
}

impl Drop for Building {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn log(dir: &Path) -> Stdio {
    std::fs::File::create(dir.join("log")).map_or_else(|_| Stdio::null(), Stdio::from)
}

fn free_port() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

fn site(devices: &str, http: SocketAddr, scada: SocketAddr) -> String {
    let mut text =
        format!("[site]\nid = \"bench\"\n[http]\nlisten = \"{http}\"\n[scada]\nlisten = \"{scada}\"\n");
    for line in 0..LINES {
        text += &format!("[[line]]\nid = \"line-{line}\"\ntcp = \"{devices}\"\nframing = \"tcp\"\n");
        for device in 0..DEVICES_ON_A_LINE {
            let id = format!("analyzer-{line}-{device}");
            let unit = device + 1;
            text += &format!(
                "[[device]]\nid = \"{id}\"\nname = \"Analyzer {line} {device}\"\nline = \"line-{line}\"\n\
                 unit_id = {unit}\npoll_every = \"1s\"\n"
            );
            for address in 0..SIGNALS_OF_A_DEVICE {
                text += &format!(
                    "[[device.signal]]\nid = \"signal-{address}\"\nname = \"Measured {address}\"\n\
                     table = \"input\"\naddress = {address}\ntype = \"u16\"\nunit = \"ppmv\"\n"
                );
            }
            text += &format!(
                "[[alarm]]\nid = \"{id}-high\"\nname = \"Analyzer {line} {device} high\"\nsignal = \"{id}.signal-0\"\nkind = \"high\"\n\
                 setpoint = 20000\npriority = \"high\"\naction = \"Look.\"\n"
            );
        }
    }
    text
}
