//! From a site file's path to a checked [`Site`], or to every problem it has, told on standard error.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use crate::cli::CliError;
use crate::cli::terminal::count;
use crate::config::{self, FILE_BYTES_MAX, Problems, Site, Sources};

/// Site files and profiles as they lie on the disk.
pub struct Files;

impl Sources for Files {
    fn read(&self, path: &Path) -> io::Result<String> {
        // One byte more than is allowed, so that a longer file is noticed without being read whole.
        let limit = u64::try_from(FILE_BYTES_MAX).unwrap_or(u64::MAX).saturating_add(1);
        let mut text = String::new();
        File::open(path)?.take(limit).read_to_string(&mut text)?;
        Ok(text)
    }
}

/// The checked site of the file at `path`.
///
/// # Errors
/// [`CliError::Unreachable`] when the file cannot be read, [`CliError::BadInput`] when it is wrong.
pub fn load(path: &Path) -> Result<Site, CliError> {
    config::load(path, &Files).map_err(|problems| told(path, &problems))
}

/// Every problem as one error for the person.
pub(super) fn told(path: &Path, problems: &Problems) -> CliError {
    if problems.is_unreadable() {
        let cause: Vec<String> = problems.located().map(|problem| problem.title).collect();
        return CliError::Unreachable(format!("{}; name a site file with --config FILE", cause.join("; ")));
    }
    let summary = summary(path, problems.len(), problems.severity().word());
    CliError::BadInput(format!("{summary}\n\n{}", problems.to_string().trim_end()))
}

/// How many of them the file has.
pub(super) fn summary(path: &Path, number: usize, thing: &str) -> String {
    format!("{} has {}", path.display(), count(number, thing))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_file_that_is_no_text_is_bad_input_and_one_that_is_not_there_cannot_be_reached() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("site.toml");
        assert!(matches!(load(&path), Err(CliError::Unreachable(_))));
        std::fs::write(&path, [0xC3, 0x28]).unwrap();
        assert!(matches!(load(&path), Err(CliError::BadInput(_))));
    }
}
