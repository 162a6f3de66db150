//! `siskin note`: a remark for the record, on a device or on the site, over the control socket.
//!
//! It changes nothing but the journal.

use std::io::Write;

use crate::cli::operator::Caller;
use crate::cli::{CliError, Common, Outcome, calibration};
use crate::control::protocol::Request;
use crate::control::work::NoteRequest;

/// `siskin note`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What is to be recorded
    #[arg(value_name = "TEXT")]
    text: String,
    /// Id of the device it is about, as `siskin status` shows it [default: the site]
    #[arg(long, value_name = "DEVICE")]
    device: Option<String>,
    #[command(flatten)]
    caller: Caller,
}

/// Records it.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let (device, text, name) = (args.device.clone(), args.text.clone(), args.caller.name.clone());
    calibration::ask(&Request::Note(NoteRequest { device, text, name }), common, out)
}
