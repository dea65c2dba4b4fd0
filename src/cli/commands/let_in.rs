//! `drives add --next`: the next new stick is let in without a name, where only known ones are used. The first that
//! comes ends it, and so does the time, or a boot. One that is plugged in already did not come next.

use super::state::state_to_read;
use crate::cli::Exit;
use crate::cli::config::Accept;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::cli::span;
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Answer, Request, ask};
use crate::disk::Access;
use crate::job::catalogue::Catalogue;
use crate::model::limits::{ANSWER_PATIENCE, LET_IN_LONGEST};
use serde::Serialize;
use std::time::Duration;

/// The JSON of `drives add --next`.
#[derive(Serialize)]
struct LetInJson {
    next_stick_seconds: u64,
}

pub(super) fn run(
    resolved: &Resolved,
    within: Duration,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    match resolved.config.drives.accept {
        Accept::Known => {}
        Accept::Any => {
            return Err(CliError::usage(
                "--next: any new stick is used already (accept = \"any\" in the config)",
            ));
        }
        Accept::Named => {
            return Err(CliError::usage(
                "--next: only named folders are used, and no stick (accept = \"named\", or --drive)",
            ));
        }
    }
    if within < Duration::from_secs(1) || within > LET_IN_LONGEST {
        return Err(CliError::usage("--next: give a time from 1s to 24h, as 10m"));
    }
    notices::must_be_remembered(&resolved.state)?;
    // What cannot be opened cannot be let in either: when it can, it is another mount, or has been away.
    let mounts =
        resolved.find()().into_iter().map(|(_, drive)| drive.volume_source.open(Access::Read));
    let before: Vec<_> = mounts.flatten().map(|volume| volume.facts().mount.clone()).collect();
    let request = Request::LetNextIn { seconds: within.as_secs(), before: before.clone() };
    let state = state_to_read(resolved).0;
    match ask(&state, &request, ANSWER_PATIENCE)? {
        Some(Answer::Refused(why)) => return Err(CliError::failed(why)),
        Some(_) => {}
        None => {
            let (catalogue, _) = Catalogue::open(&state)?;
            catalogue.let_next_in(within, before, &SystemClock::new())?;
        }
    }
    match as_json {
        true => output.json(&LetInJson { next_stick_seconds: within.as_secs() }),
        false => output.say(format!(
            "The next new stick is let in, if it is plugged in within {}. One that is here already: counterfoil drives \
             add DIR",
            span::written(within)
        )),
    }
    Ok(Exit::Safe)
}
