//! Modbus peers that siskin did not write: Python programs under `tests/peers`.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};

use serde_json::Value;

use crate::skip::skip;

/// A running peer. It ends when dropped, because its standard input ends.
pub struct Peer {
    child: Child,
    told: BufReader<ChildStdout>,
    /// What it told of itself once it could be reached.
    pub manifest: Value,
}

impl Peer {
    /// Starts `tests/peers/{script}`. `None` when its Python is not there: the test is skipped.
    pub fn start(script: &str, arguments: &[&str]) -> Option<Peer> {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let Some(python) = python(root) else {
            skip(script, "its Python is not installed; `tests/run` installs it into target/peers");
            return None;
        };
        let mut child = Command::new(python)
            .arg(root.join("tests/peers").join(script))
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut told = BufReader::new(child.stdout.take().unwrap());
        let manifest = next_line(&mut told);
        Some(Peer { child, told, manifest })
    }

    /// Puts a line to it, and takes the line of JSON that it answers.
    pub fn ask(&mut self, line: &str) -> Value {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
        next_line(&mut self.told)
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn next_line(told: &mut impl BufRead) -> Value {
    let mut line = String::new();
    told.read_line(&mut line).unwrap();
    serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"))
}

fn python(root: &Path) -> Option<PathBuf> {
    let python = root.join("target/peers/bin/python");
    python.is_file().then_some(python)
}
