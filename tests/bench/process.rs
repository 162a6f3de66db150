//! What processes cost, and this program as another process.

use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Child, ChildStdout, Command, Stdio};

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// The kernel tells processor time in hundredths of a second (`man 5 proc`, on all of Linux).
const TICKS_PER_SECOND: f64 = 100.0;

/// Processor time of a process so far, in seconds.
pub fn processor(process: &str) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    // The name may hold anything; what follows its bracket does not.
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |at: usize| after_name.split_whitespace().nth(at).and_then(|field| field.parse::<f64>().ok());
    (ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / TICKS_PER_SECOND
}

/// A figure of a process by its name in `/proc/PID/status`.
pub fn figure(process: &str, name: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default();
    line.split_whitespace().next().and_then(|figure| figure.parse().ok()).unwrap_or(0)
}

/// As many as the system lets a process have.
pub fn allow_many_files() {
    let limit = getrlimit(Resource::Nofile);
    let _ = setrlimit(Resource::Nofile, Rlimit { current: limit.maximum, maximum: limit.maximum });
}

/// This program as another process, in a part of its own; and the first line that it says.
pub fn another(part: &str) -> (Child, BufReader<ChildStdout>, String) {
    said_by(Command::new(std::env::current_exe().unwrap()).arg(part))
}

/// The same, pinned to the first core where that can be done.
#[allow(dead_code, reason = "not every bench pins")]
pub fn another_on_one_core(part: &str) -> (Child, BufReader<ChildStdout>, String) {
    said_by(on_one_core(std::env::current_exe().unwrap()).arg(part))
}

/// A command pinned to the first core, where that can be done.
#[allow(dead_code, reason = "not every bench pins")]
pub fn on_one_core(program: impl AsRef<OsStr>) -> Command {
    let pinned = Command::new("taskset").args(["-c", "0", "true"]).stderr(Stdio::null()).status();
    if !pinned.is_ok_and(|status| status.success()) {
        return Command::new(program);
    }
    let mut command = Command::new("taskset");
    command.args(["-c", "0"]).arg(program);
    command
}

fn said_by(command: &mut Command) -> (Child, BufReader<ChildStdout>, String) {
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
    let mut said = BufReader::new(child.stdout.take().unwrap());
    let mut first = String::new();
    said.read_line(&mut first).unwrap();
    (child, said, first.trim().to_owned())
}
