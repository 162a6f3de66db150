//! `siskin manual`: manual pages and shell completions, made from the definitions that `--help` is made
//! from, so that they cannot tell anything else.
//!
//! Packagers run it while the package is built; that is why `siskin --help` does not list it. It says
//! nothing that the help of the commands does not say: more is told in `docs/`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::CommandFactory;
use clap_complete::Shell;

use crate::cli::{Cli, CliError, Common, Outcome};

/// The shells that completions are made for, each with what its file is called where that shell looks.
const COMPLETIONS: [(Shell, &str); 3] =
    [(Shell::Bash, "siskin"), (Shell::Zsh, "_siskin"), (Shell::Fish, "siskin.fish")];

/// What `siskin manual` takes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where to write them: `man1/`, `bash/`, `zsh/` and `fish/` below it
    #[arg(value_name = "DIR")]
    directory: PathBuf,
}

/// Writes everything below the directory, which is made when it is not there.
///
/// # Errors
/// [`CliError::Unreachable`] with the path that cannot be written.
pub fn run(args: &Args, _common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let pages = args.directory.join("man1");
    let command = Cli::command();
    make(&pages, |pages| clap_mangen::generate_to(command, pages))?;
    for (shell, file) in COMPLETIONS {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut Cli::command(), "siskin", &mut text);
        make(&args.directory.join(shell.to_string()), |folder| std::fs::write(folder.join(file), text))?;
    }
    writeln!(out, "manual pages and shell completions are in {}", args.directory.display())?;
    Ok(Outcome::Done)
}

/// Makes a folder and what belongs into it.
fn make(folder: &Path, fill: impl FnOnce(&Path) -> io::Result<()>) -> Result<(), CliError> {
    std::fs::create_dir_all(folder)
        .and_then(|()| fill(folder))
        .map_err(|error| CliError::Unreachable(format!("cannot write into {}: {error}", folder.display())))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use clap::Parser;

    #[test]
    fn every_command_has_a_page_and_is_completed_in_every_shell() {
        let dir = tempfile::tempdir().unwrap();
        let asked = ["siskin", "manual", dir.path().to_str().unwrap()];
        let Cli { common, command } = Cli::try_parse_from(asked).unwrap();
        crate::cli::carry_out(&command, &common, &mut Vec::new()).unwrap();
        let read = |path: &str| std::fs::read_to_string(dir.path().join(path)).unwrap();
        let completions = COMPLETIONS.map(|(shell, file)| read(&format!("{shell}/{file}")));
        let mut pages = 1;
        for command in Cli::command().get_subcommands().filter(|command| !command.is_hide_set()) {
            let name = command.get_name();
            let page = read(&format!("man1/siskin-{name}.1"));
            assert!(page.contains("exit codes") || page.contains(".SH SYNOPSIS"), "{name}: {page}");
            for told in &completions {
                assert!(told.contains(name), "{name} is not completed");
            }
            pages += 1;
        }
        assert!(read("man1/siskin.1").contains("Not a safety system"));
        let written = std::fs::read_dir(dir.path().join("man1")).unwrap().count();
        assert!(written >= pages, "{written} pages for {pages} commands");
    }
}
