//! `siskin verify`: recompute the journal's hash chain.
//!
//! It reads the file itself, beside the daemon or without one, and asks nobody whether it is whole.

use std::io::Write;

use serde_json::json;

use crate::cli::{CliError, Common, Outcome};
use crate::history::{Verified, VerifyError, verify};

/// Against what.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A head noted earlier: prove that the chain still runs through it, so that its end was not cut off
    #[arg(long, value_name = "HASH", value_parser = noted_hash)]
    head: Option<String>,
}

/// Proves the journal, or names the first entry that is not what was recorded.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    match verify(common.data(), args.head.as_deref()) {
        Ok(verified) if common.json => {
            let Verified { entries, head } = verified;
            writeln!(
                out,
                "{}",
                json!({ "whole": true, "entries": entries, "head": { "seq": head.seq, "hash": head.hash } })
            )?;
            Ok(Outcome::Done)
        }
        Ok(Verified { entries, head }) => {
            writeln!(out, "The journal is whole. Entries checked: {entries}")?;
            writeln!(out, "Head: entry {}, {}", head.seq, head.hash)?;
            Ok(Outcome::Done)
        }
        Err(VerifyError::Broken { seq, what }) => {
            if common.json {
                writeln!(out, "{}", json!({ "whole": false, "broken_at": { "seq": seq, "what": what } }))?;
            } else {
                writeln!(out, "The journal is broken at entry {seq}: {what}")?;
            }
            Ok(Outcome::No)
        }
        Err(VerifyError::Unreadable(error)) => Err(CliError::Unreachable(error.to_string())),
    }
}

fn noted_hash(text: &str) -> Result<String, String> {
    let is_hash = text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
    if is_hash { Ok(text.to_ascii_lowercase()) } else { Err("a head is 64 hexadecimal digits".to_owned()) }
}
