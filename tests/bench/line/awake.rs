//! Keeps the cores from dozing while a wire is measured.
//!
//! A core with nothing to do sleeps, and takes up to a tenth of a millisecond to wake: on a virtual machine
//! often longer than a character takes. That time is added to every wait of asker and device alike, so that
//! what is measured would be the machine. A program that runs only while nobody else wants the core
//! (`man 7 sched`, `SCHED_IDLE`) keeps it awake and takes nothing from anybody.

use std::process::{Child, Command, Stdio};
use std::thread;

/// Cores that are kept awake until this is dropped.
pub struct Awake(Vec<Child>);

impl Awake {
    /// Keeps all cores awake, unless `SISKIN_BENCH_DOZE` is set; says which it is.
    pub fn keep() -> Awake {
        if std::env::var_os("SISKIN_BENCH_DOZE").is_some() {
            println!("\nThe cores may doze between two waits.");
            return Awake(Vec::new());
        }
        let cores = thread::available_parallelism().map_or(1, usize::from);
        let kept: Vec<Child> = (0..cores).filter_map(|_| idle_loop()).collect();
        if kept.len() == cores {
            println!("\nThe cores are kept awake; SISKIN_BENCH_DOZE=1 lets them doze.");
        } else {
            println!(
                "\nThe cores may doze between two waits: `chrt` (util-linux) is not there to keep them awake."
            );
        }
        Awake(kept)
    }
}

fn idle_loop() -> Option<Child> {
    let mut command = Command::new("chrt");
    command.args(["--idle", "0", "sh", "-c", "while :; do :; done"]);
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().ok()
}

impl Drop for Awake {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
