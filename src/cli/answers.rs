//! What a person answers, line by line: at a terminal, or from a pipe or a file. Ctrl-C is heard meanwhile,
//! so that a command can put in order what it has begun.

use std::io::{self, BufRead, IsTerminal};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use crate::cli::{CliError, interrupt};

/// How often Ctrl-C is looked for while an answer is awaited.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Answers as they come.
pub struct Answers {
    lines: Receiver<String>,
    stop: Receiver<()>,
    stopped: bool,
    from_a_terminal: bool,
}

impl Answers {
    /// Those of standard input.
    pub fn of_stdin() -> Result<Answers, CliError> {
        let stop = interrupt::stop_signals()?;
        let (tell, lines) = channel();
        std::thread::spawn(move || {
            let told = io::stdin().lock().lines().map_while(Result::ok);
            // Nobody listens any more when the command has ended.
            told.map(|line| tell.send(line)).find(Result::is_err);
        });
        let from_a_terminal = io::stdin().is_terminal();
        Ok(Answers { lines, stop, stopped: false, from_a_terminal })
    }

    /// The next one; `None` at the end of the input, or after Ctrl-C.
    pub fn next(&mut self) -> Option<String> {
        loop {
            if self.is_stopped() {
                return None;
            }
            match self.lines.recv_timeout(LOOK_EVERY) {
                Ok(line) => return Some(line.trim().to_owned()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return None,
            }
        }
    }

    /// Whether a person types them, who can be asked again.
    pub fn come_from_a_terminal(&self) -> bool {
        self.from_a_terminal
    }

    /// Whether somebody has pressed Ctrl-C.
    pub fn is_stopped(&mut self) -> bool {
        self.stopped |= self.stop.try_recv().is_ok();
        self.stopped
    }
}
