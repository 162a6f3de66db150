//! `siskin verify`: recompute the journal's hash chain.
//!
//! It reads the file itself, beside the daemon or without one, and asks nobody whether it is whole.

use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use crate::cli::{CliError, Common, Outcome};
use crate::history::{JOURNAL_FILE, Verified, VerifyError, verify_file};

/// Against what.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A head noted earlier: prove that the chain still runs through it, so that its end was not cut off
    #[arg(long, value_name = "HASH", value_parser = noted_hash)]
    head: Option<String>,
    /// A journal elsewhere, such as a damaged one that was moved aside [default: journal.db in the data directory]
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
}

/// Proves the journal, or names the first entry that is not what was recorded.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let file = args.file.clone().unwrap_or_else(|| common.data().join(JOURNAL_FILE));
    match verify_file(&file, args.head.as_deref()) {
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn answer(data: &std::path::Path, json: bool) -> (Result<Outcome, CliError>, String) {
        let common = Common { config: None, data: Some(data.to_owned()), json };
        let mut out = Vec::new();
        let outcome = run(&Args { head: None, file: None }, &common, &mut out);
        (outcome, String::from_utf8(out).unwrap())
    }

    /// A journal as any other program could write it from its description.
    fn journal(hash: &str) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        let db = rusqlite::Connection::open(dir.path().join(JOURNAL_FILE)).unwrap();
        db.execute("CREATE TABLE event (seq INTEGER PRIMARY KEY, text TEXT, hash TEXT)", []).unwrap();
        let text = r#"[1,"2026-03-02T15:04:05.120Z",7,"stopped","willow-bend",null,null,{}]"#;
        db.execute("INSERT INTO event VALUES (1, ?1, ?2)", [text, hash]).unwrap();
        dir
    }

    /// Of the entry above, computed with coreutils: `printf '%064d\n%s' 0 "$text" | sha256sum`.
    const HASH: &str = "22bb455b502fa4ba824b09aafb3088973ce5f405ee4b471dee305b4246e59660";

    #[test]
    fn a_whole_journal_is_told_with_its_head() {
        let dir = journal(HASH);
        let (outcome, told) = answer(dir.path(), false);
        assert_eq!(outcome.unwrap(), Outcome::Done);
        assert_eq!(told, format!("The journal is whole. Entries checked: 1\nHead: entry 1, {HASH}\n"));
        let (_, told) = answer(dir.path(), true);
        let told: serde_json::Value = serde_json::from_str(&told).unwrap();
        assert_eq!(told, json!({ "whole": true, "entries": 1, "head": { "seq": 1, "hash": HASH } }));
    }

    #[test]
    fn a_broken_journal_is_told_with_its_first_broken_entry() {
        let dir = journal("0123");
        let (outcome, told) = answer(dir.path(), false);
        assert_eq!(outcome.unwrap(), Outcome::No);
        let what = format!("its hash should be {HASH}, and is 0123");
        assert_eq!(told, format!("The journal is broken at entry 1: {what}\n"));
        let (_, told) = answer(dir.path(), true);
        let told: serde_json::Value = serde_json::from_str(&told).unwrap();
        assert_eq!(told, json!({ "whole": false, "broken_at": { "seq": 1, "what": what } }));
    }

    #[test]
    fn a_journal_that_was_moved_aside_is_proven_where_it_lies() {
        let dir = journal(HASH);
        let aside = dir.path().join("journal.db.damaged-2026-03-02T15-04-05Z");
        std::fs::rename(dir.path().join(JOURNAL_FILE), &aside).unwrap();
        let common = Common::at(std::path::Path::new("/no/such/directory"));
        let mut out = Vec::new();
        let outcome = run(&Args { head: None, file: Some(aside) }, &common, &mut out);
        assert_eq!(outcome.unwrap(), Outcome::Done);
        assert!(String::from_utf8(out).unwrap().starts_with("The journal is whole."));
    }

    #[test]
    fn no_journal_is_neither_whole_nor_broken() {
        let dir = tempfile::tempdir().unwrap();
        assert!(matches!(answer(dir.path(), false).0, Err(CliError::Unreachable(_))));
        assert!(noted_hash("12").is_err() && noted_hash(&HASH.to_uppercase()).as_deref() == Ok(HASH));
    }
}
