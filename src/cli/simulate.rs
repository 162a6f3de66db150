//! `siskin simulate`: stand in for the devices of a site file.

use std::io::Write;

use crate::cli::{CliError, Common, Outcome};

/// Nothing yet.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Not built yet.
pub fn run(_args: &Args, _common: &Common, _out: &mut dyn Write) -> Result<Outcome, CliError> {
    Err(CliError::BadInput("simulate: not built yet".to_owned()))
}
