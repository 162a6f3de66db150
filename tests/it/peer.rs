//! Modbus peers that siskin did not write: Python programs under `tests/peers`.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use crate::skip::skip;

/// A running peer. It ends when dropped, because its standard input ends.
pub struct Peer {
    child: Child,
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
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let manifest =
            serde_json::from_str(&line).unwrap_or_else(|error| panic!("{script}: {error}: {line}"));
        Some(Peer { child, manifest })
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn python(root: &Path) -> Option<PathBuf> {
    let python = root.join("target/peers/bin/python");
    python.is_file().then_some(python)
}
