//! The `siskin` command: hands the command line to [`siskin::cli`] and ends with its exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    siskin::cli::main(std::env::args_os())
}
