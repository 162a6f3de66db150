//! `siskin restore`: take over a copied record, for a repaired or a spare machine.
//!
//! Offline, and only where there is no record yet: it never writes over one, and merges none. Settings are
//! compared and told of; to put them in place is for whoever may write them.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use serde_json::json;

use crate::cli::backup::{SETTINGS_DIR, host, refused, settings, tell, told};
use crate::cli::operator::Said;
use crate::cli::{CliError, Common, Outcome};
use crate::control::{name_or_uid, work};
use crate::daemon::LEARNED_FILE;
use crate::history::{Manifest, Verified, content, restore};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{Detail, Event, EventKind, Who};

/// From where, and who.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The directory that `siskin backup` filled
    #[arg(value_name = "FROM")]
    from: PathBuf,
    #[command(flatten)]
    said: Said,
}

/// Proves the copy, puts it in place, and lets the chain go on with an event.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let said = work::Said::from(&args.said);
    said.check().map_err(|failure| CliError::BadInput(failure.message))?;
    let now = Wall::now();
    let taken_over = |manifest: &Manifest| taken_over(args, said, manifest, now);
    let (manifest, journal) = match restore(&args.from, common.data(), &[LEARNED_FILE], now, taken_over) {
        Ok(restored) => restored,
        Err(error) => return refused(error, common, out),
    };
    let Verified { entries, head } = journal;
    let unlike = unlike(&manifest, common);
    if common.json {
        let mut told = told(&manifest);
        (told["entries"], told["head"]) = (entries.into(), json!({ "seq": head.seq, "hash": head.hash }));
        told["settings"] = unlike.iter().map(|(name, how)| (name.clone(), json!(how))).collect();
        writeln!(out, "{told}")?;
        return Ok(Outcome::Done);
    }
    writeln!(out, "The record is restored in {}, and is whole.", common.data().display())?;
    tell(&manifest, entries, &head.hash, out)?;
    let copies = args.from.join(SETTINGS_DIR);
    for (name, how) in &unlike {
        let here = common.config().with_file_name(name);
        let copy = copies.join(name);
        match *how {
            "missing" => {
                writeln!(out, "Missing here: cp --no-preserve=mode {} {}", copy.display(), here.display())?
            }
            _ => writeln!(out, "Not as it was: {}; compare {}", here.display(), copy.display())?,
        }
    }
    writeln!(out, "See to it that the machine it came from records no more: two would go on from one head.")?;
    Ok(Outcome::Done)
}

/// The settings in the copy that are not the same beside the site file here: missing, or different.
fn unlike(manifest: &Manifest, common: &Common) -> Vec<(String, &'static str)> {
    let compare = |(name, sha256): (&str, &str)| {
        let how = match content(&common.config().with_file_name(name)) {
            Ok(here) if here.sha256 == sha256 => return None,
            Ok(_) => "different",
            Err(_) => "missing",
        };
        Some((name.to_owned(), how))
    };
    settings(manifest).filter_map(compare).collect()
}

fn taken_over(args: &Args, said: work::Said, manifest: &Manifest, now: Wall) -> Event {
    let text = |text: &str| Detail::Text(text.to_owned());
    let mut detail = BTreeMap::from([
        ("entries", text(&manifest.entries.to_string())),
        ("head", text(&manifest.head)),
        ("copied", text(&manifest.made)),
        ("copied_on", text(&manifest.host)),
        ("from", text(&args.from.display().to_string())),
        ("host", text(&host())),
    ]);
    detail.extend(said.remark.map(|remark| ("remark", Detail::Text(remark))));
    let users = std::fs::read_to_string("/etc/passwd").unwrap_or_default();
    let user = name_or_uid(&users, rustix::process::getuid().as_raw());
    Event {
        at: Moment { mono: Mono::new(Duration::ZERO), wall: now },
        kind: EventKind::TakenOver,
        subject: manifest.site.clone(),
        who: Some(Who { user, name: said.name }),
        detail,
    }
}
