//! `siskin backup`: a copy of the record, made while the daemon runs or not, and proven.
//!
//! It reads the files itself and asks no daemon. With the record go the site file, its profiles and the
//! numbers of the SCADA map, so that a spare machine can be made out of the copy alone.

use std::cell::RefCell;
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

use serde_json::{Value, json};

use crate::cli::site_file::Files;
use crate::cli::{CliError, Common, Outcome};
use crate::config::{self, Sources};
use crate::daemon::LEARNED_FILE;
use crate::history::{Aside, BackupError, Manifest, back_up};
use crate::moment::Wall;
use crate::scada::LOCK_FILE;

/// The directory in a copy that holds what lies beside the site file.
pub(super) const SETTINGS_DIR: &str = "settings";

/// Where to.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The directory that gets the copy; it must be empty or not be there yet
    #[arg(value_name = "TO")]
    to: PathBuf,
}

/// Copies journal, history and settings, proves the copy, and tells the head of its chain.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let Settings { mut files, left_out } = Settings::of(common.config());
    files.push(Aside { name: LEARNED_FILE.to_owned(), path: common.data().join(LEARNED_FILE) });
    let manifest = match back_up(common.data(), &args.to, &files, Wall::now(), &host()) {
        Ok(manifest) => manifest,
        Err(error) => return refused(error, common, out),
    };
    if common.json {
        let mut told = told(&manifest);
        told["left_out"] = json!(left_out);
        writeln!(out, "{told}")?;
        return Ok(Outcome::Done);
    }
    writeln!(out, "The record is copied to {}, and the copy is whole.", args.to.display())?;
    tell(&manifest, manifest.entries, &manifest.head, out)?;
    let files: Vec<&str> = settings(&manifest).map(|(name, _)| name).collect();
    writeln!(out, "Settings in it: {}", if files.is_empty() { "none".to_owned() } else { files.join(", ") })?;
    for left_out in left_out {
        writeln!(out, "Not in it: {left_out}")?;
    }
    Ok(Outcome::Done)
}

/// The files beside the site file that belong to the site, and what cannot be taken along, in words.
struct Settings {
    files: Vec<Aside>,
    left_out: Vec<String>,
}

impl Settings {
    /// The site file, whatever it reads, and the numbers of the SCADA map.
    fn of(config: &Path) -> Settings {
        let read = Noted { paths: RefCell::new(Vec::new()), unread: RefCell::new(Vec::new()) };
        // A site file with errors is taken along as it is.
        let _ = config::load(config, &read);
        let mut settings = Settings { files: Vec::new(), left_out: read.unread.into_inner() };
        let directory = config.parent().unwrap_or(Path::new(""));
        let lock = config.with_file_name(LOCK_FILE);
        for path in read.paths.into_inner().into_iter().chain(lock.exists().then_some(lock)) {
            match name_within(directory, &path) {
                Some(name) => settings.files.push(Aside { name: format!("{SETTINGS_DIR}/{name}"), path }),
                None => {
                    settings.left_out.push(format!("{}: it lies elsewhere; copy it by hand", path.display()))
                }
            }
        }
        settings
    }
}

/// What a file is called from `directory`, when it lies within.
fn name_within(directory: &Path, path: &Path) -> Option<String> {
    let within = path.strip_prefix(directory).ok()?;
    let plain = within.components().all(|part| matches!(part, Component::Normal(_)));
    if plain { within.to_str().map(str::to_owned) } else { None }
}

/// Reads site file and profiles, and notes which.
struct Noted {
    paths: RefCell<Vec<PathBuf>>,
    unread: RefCell<Vec<String>>,
}

impl Sources for Noted {
    fn read(&self, path: &Path) -> io::Result<String> {
        let read = Files.read(path);
        match &read {
            Ok(_) => self.paths.borrow_mut().push(path.to_owned()),
            Err(error) => self.unread.borrow_mut().push(format!("{}: {error}", path.display())),
        }
        read
    }
}

/// This machine's name.
pub(super) fn host() -> String {
    std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default().trim().to_owned()
}

/// The settings in a copy: what they are called beside the site file, and what they hold.
pub(super) fn settings(manifest: &Manifest) -> impl Iterator<Item = (&str, &str)> {
    manifest.files.iter().filter_map(|(name, content)| {
        Some((name.strip_prefix(SETTINGS_DIR)?.strip_prefix('/')?, content.sha256.as_str()))
    })
}

/// What there is now, for people.
pub(super) fn tell(manifest: &Manifest, entries: u64, head: &str, out: &mut dyn Write) -> io::Result<()> {
    let Manifest { site, made, host, .. } = manifest;
    writeln!(out, "Site {site}, copied {made} on {host}: {} bytes", manifest.bytes())?;
    writeln!(out, "Head: entry {entries}, {head}")
}

/// The same for machines.
pub(super) fn told(manifest: &Manifest) -> Value {
    let mut told = json!(manifest);
    told["whole"] = true.into();
    told["bytes"] = manifest.bytes().into();
    told["head"] = json!({ "seq": manifest.entries, "hash": manifest.head });
    told
}

/// How a command ends that could not copy. A record that is damaged is an answer, and is told as one.
pub(super) fn refused(error: BackupError, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let told = error.to_string();
    match error {
        BackupError::Damaged { .. } if common.json => {
            writeln!(out, "{}", json!({ "whole": false, "what": told }))?;
            Ok(Outcome::No)
        }
        BackupError::Damaged { .. } => {
            writeln!(out, "{told}")?;
            Ok(Outcome::No)
        }
        BackupError::Occupied(_) | BackupError::Owner { .. } => Err(CliError::BadInput(told)),
        BackupError::Failed { .. } | BackupError::Missing { .. } | BackupError::Place(_) => {
            Err(CliError::Unreachable(told))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_outside_the_site_files_directory_is_not_taken_for_something_inside() {
        let within = |path| name_within(Path::new("/etc/siskin"), Path::new(path));
        assert_eq!(within("/etc/siskin/site.toml").as_deref(), Some("site.toml"));
        assert_eq!(within("/etc/siskin/profiles/a.toml").as_deref(), Some("profiles/a.toml"));
        assert_eq!(within("/etc/siskin/../shadow"), None);
        assert_eq!(within("/srv/a.toml"), None);
        assert_eq!(name_within(Path::new(""), Path::new("site.toml")).as_deref(), Some("site.toml"));
    }
}
