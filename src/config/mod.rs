//! The site file: from TOML text to a checked [`Site`], or to every problem it has.
//!
//! Two stages: [`raw`] mirrors the file and keeps where each thing stands; [`resolve`] builds typed
//! plans and collects *all* problems. [`doubts`] then looks for what can be run but was hardly
//! meant. Nothing here opens a file: the caller hands in [`Sources`], through which the site file
//! and the profiles it names are read.

mod doubts;
mod problem;
mod profiles;
mod raw;
mod reference;
mod resolve;
mod settings;
mod site;

use std::io;
use std::path::Path;

use toml::de::DeTable;

pub use problem::{Located, Problems, Severity};
use problem::{Problem, Span, Texts};
pub use raw::{Describes, duration, schema};
use raw::{Reader, Root, Shape};
pub use reference::reference;
pub use resolve::table_and_item;
pub use site::{
    Asks, ControlSpec, DeviceSpec, Framing, HistorySpec, HttpSpec, LineSpec, Parity, Port, PushButtonSpec,
    Rs485, ScadaSpec, SerialSettings, Site,
};

/// The longest site file or profile, in bytes.
pub const FILE_BYTES_MAX: usize = 1 << 20;

/// Where the texts come from: the disk for the daemon, a map for a test.
pub trait Sources {
    /// The text at `path`: the site file's path as it was given to [`load`], or a profile's, joined
    /// to the site file's directory.
    ///
    /// # Errors
    /// Whatever keeps the text from being read; it is told to the person.
    fn read(&self, path: &Path) -> io::Result<String>;
}

/// The checked site of the file at `path`.
///
/// # Errors
/// Every problem of the file and its profiles.
pub fn load(path: &Path, sources: &dyn Sources) -> Result<Site, Problems> {
    load_with_doubts(path, sources).map(|(site, _)| site)
}

/// As [`load`], with every doubt about a site that has no problem.
///
/// # Errors
/// Every problem of the file and its profiles.
pub fn load_with_doubts(path: &Path, sources: &dyn Sources) -> Result<(Site, Problems), Problems> {
    let name = path.display().to_string();
    let text = sources.read(path).map_err(|cause| Problems::unreadable(&name, &cause))?;
    let mut texts = Texts::default();
    let mut problems = Vec::new();
    let root = root(path, texts.add(name, text), sources, &mut texts, &mut problems);
    let site = root.as_ref().and_then(|root| resolve::site(root, &texts, &mut problems));
    match (root, site) {
        (Some(root), Some(site)) if problems.is_empty() => {
            let doubts = doubts::about(&root, &site);
            Ok((site, Problems::new(texts, Severity::Doubt, doubts)))
        }
        (_, _) => Err(Problems::new(texts, Severity::Error, problems)),
    }
}

/// Everything the site file and its profiles say, defaults put in.
fn root(
    path: &Path,
    file: usize,
    sources: &dyn Sources,
    texts: &mut Texts,
    problems: &mut Vec<Problem>,
) -> Option<Root> {
    let table = parsed(texts.content(file), file, problems)?;
    let mut root = Root::of(&mut Reader { file, problems }, table)?;
    profiles::lay_under(&mut root, path, sources, texts, problems);
    root.complete(problems);
    Some(root)
}

/// The TOML tree of a text. Text that is not TOML gives one problem, at the place where it stops
/// being so: what comes after cannot be judged.
fn parsed<'a>(text: &'a str, file: usize, problems: &mut Vec<Problem>) -> Option<DeTable<'a>> {
    if text.len() > FILE_BYTES_MAX {
        let label = format!("{} bytes, at most {FILE_BYTES_MAX} are read", text.len());
        problems.push(Problem::new(Span::new(file, 0..0), "the file is too long", label));
        return None;
    }
    match DeTable::parse(text) {
        Ok(table) => Some(table.into_inner()),
        Err(error) => {
            let span = Span::new(file, error.span().unwrap_or(0..0));
            problems.push(Problem::new(span, "this is not TOML", error.message()));
            None
        }
    }
}
