//! Reading the site file anew while the daemon runs, when SIGHUP asks for it.
//!
//! A file with errors changes nothing: each error goes into the log, and all of them into the journal.

use std::path::Path;

use crate::cli::service_notice::{Notice, tell};
use crate::cli::site_file::Files;
use crate::config::{self, Located, Problems};
use crate::daemon;

/// Reads the site file `config` and puts it in force, if it has no errors.
pub async fn reload(daemon: &mut daemon::Running, config: &Path) {
    tell(Notice::Reloading);
    match config::load(config, &Files) {
        Ok(site) => match daemon.reload(site).await {
            Ok(done) => tracing::info!("{}: in force: {}", config.display(), summary(&done)),
            Err(refused) => tracing::error!("{}: not in force: {refused}", config.display()),
        },
        Err(problems) => {
            let problems = one_line_each(&problems);
            for problem in &problems {
                tracing::error!("{}: not in force: {problem}", config.display());
            }
            daemon.tell_refused(problems);
        }
    }
    tell(Notice::Ready);
}

fn summary(done: &daemon::Reloaded) -> String {
    let settings = match done.settings {
        0 => "no setting differs".to_owned(),
        1 => "1 setting differs".to_owned(),
        number => format!("{number} settings differ"),
    };
    match done.lines.as_slice() {
        [] => settings,
        lines => format!("{settings}; started anew: line {}", lines.join(", line ")),
    }
}

fn one_line_each(problems: &Problems) -> Vec<String> {
    problems.located().map(|problem| one_line(&problem)).collect()
}

fn one_line(Located { line, column, title, label, .. }: &Located) -> String {
    let place = line.zip(*column).map_or_else(String::new, |(line, column)| format!("{line}:{column}: "));
    let label = if label.is_empty() { String::new() } else { format!(": {label}") };
    format!("{place}{title}{label}")
}
