//! The site file: from TOML text to a checked [`Site`], or to every problem it has.
//!
//! Two stages: `raw` mirrors the file and keeps where each thing stands; `resolve` builds typed
//! plans and collects *all* problems. Nothing here opens a file: the caller hands in [`Sources`],
//! through which the site file and the profiles it names are read.

mod problem;
mod site;

use std::io;
use std::path::Path;

pub use problem::{Located, Problems, Severity};
pub use site::{
    ControlSpec, DeviceSpec, Framing, HistorySpec, HttpSpec, LineSpec, Parity, Port, SerialSettings, Site,
};

/// Where the texts come from: the disk for the daemon, a map for a test.
pub trait Sources {
    /// The text at `path`: the site file's path as it was given to [`load`], or a profile's, joined
    /// to the site file's directory.
    fn read(&self, path: &Path) -> io::Result<String>;
}

/// The checked site, or every problem of its file and its profiles.
pub fn load(path: &Path, sources: &dyn Sources) -> Result<Site, Problems> {
    load_with_doubts(path, sources).map(|(site, _)| site)
}

/// As [`load`], with every doubt about a site that has no problem.
pub fn load_with_doubts(path: &Path, sources: &dyn Sources) -> Result<(Site, Problems), Problems> {
    let name = path.display().to_string();
    let text = sources.read(path).map_err(|cause| Problems::unreadable(name, &cause))?;
    drop(text);
    Err(Problems::unreadable(path.display().to_string(), &io::Error::other("not built yet")))
}
