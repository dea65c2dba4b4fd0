//! `restore --repair`: puts back the good version of one message that the card has damaged.

use super::targets::allowed;
use crate::cli::Exit;
use crate::cli::notices::Problem;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::setup::Setup;
use crate::disk::host;
use crate::job::restore::{Gathered, Goal, repair};
use crate::model::{RelName, escape};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Repairs the one message that is named by its file, or by its mailbox and its path in it.
pub(super) fn run(
    setup: &Setup,
    gathered: &Gathered,
    goals: &[Goal],
    named: &Path,
    as_json: bool,
    output: &Output,
) -> Result<Exit, Problem> {
    let (goal, path) = message_named(goals, named)?;
    let goal = &Goal { path: allowed(setup, &goal.path)?, ..goal.clone() };
    let done = repair(gathered, goal, &path)?;
    match as_json {
        true => output.json(&report::restore::repaired_json(goal, &path, &done)),
        false => output.say(format!(
            "{}: {path} is good again ({}); the damaged file is kept as {}",
            goal.name,
            report::size(done.good.bytes),
            done.beside
        )),
    }
    Ok(Exit::Safe)
}

/// The message that is named by its file, or by its mailbox and its path in it.
pub(super) fn message_named<'g>(
    goals: &'g [Goal],
    named: &Path,
) -> Result<(&'g Goal, RelName), Problem> {
    let file = host::resolved(named.parent().unwrap_or(named));
    let file = file.join(named.file_name().unwrap_or_default());
    let by_file = goals.iter().find_map(|goal| {
        let below = file.strip_prefix(host::resolved(&goal.path)).ok()?;
        Some((goal, below.to_owned()))
    });
    let by_name = goals.iter().find_map(|goal| {
        let below = named.strip_prefix(goal.name.as_str()).ok()?;
        Some((goal, below.to_owned()))
    });
    let shown = escape::shown_path(named);
    let Some((goal, below)) = by_file.or(by_name) else {
        return Err(Problem::usage(format!(
            "{shown} lies in no mailbox that the config or --mailbox NAME=DIR names: name its mailbox, and give its \
             file or MAILBOX/PATH"
        )));
    };
    let path = RelName::new(below.as_os_str().as_bytes())
        .map_err(|error| Problem::usage(format!("{shown}: {error}")))?;
    Ok((goal, path))
}
