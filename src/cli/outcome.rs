//! How a command ends, and what that means to the shell.
//!
//! Exit codes: 0 done; 1 it ran and the answer is no; 2 bad input; 3 cannot reach or open something.

use std::io;
use std::process::ExitCode;

/// How a command that ran has ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// It did what was asked. Exit code 0.
    Done,
    /// It ran, and the answer is no. Exit code 1. The command has said why.
    No,
}

/// Why a command could not do what was asked: one line, outermost first, with what a person can do.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// What was given is wrong. Exit code 2.
    #[error("{0}")]
    BadInput(String),
    /// Something cannot be reached or opened. Exit code 3.
    #[error("{0}")]
    Unreachable(String),
    /// The answer cannot be written to where it should go. Exit code 3; when whoever read it has
    /// gone away (`siskin journal | head`) that is no error, and nothing is said.
    #[error("cannot write the answer: {0}")]
    Output(#[from] io::Error),
}

/// The exit code for a command line that cannot be understood.
pub(super) const BAD_INPUT: u8 = 2;
const NO: u8 = 1;
const UNREACHABLE: u8 = 3;

/// The exit code; an error is told on standard error first.
#[expect(clippy::print_stderr, reason = "the one place where a command's error is told")]
pub(super) fn exit_code(ended: Result<Outcome, CliError>) -> ExitCode {
    let error = match ended {
        Ok(Outcome::Done) => return ExitCode::SUCCESS,
        Ok(Outcome::No) => return ExitCode::from(NO),
        Err(CliError::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => {
            return ExitCode::SUCCESS;
        }
        Err(error) => error,
    };
    eprintln!("siskin: {error}");
    ExitCode::from(match error {
        CliError::BadInput(_) => BAD_INPUT,
        CliError::Unreachable(_) | CliError::Output(_) => UNREACHABLE,
    })
}
