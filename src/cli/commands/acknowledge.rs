//! `acknowledge`: the operator decides that missing messages, or those that a stick alone has, are not wanted back.

use super::survey::{Depth, Survey};
use super::whereabouts::one_of;
use crate::cli::args::Acknowledge;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::report::count;
use crate::cli::setup::Setup;
use crate::cli::{Exit, named};
use crate::daemon::clock::SystemClock;
use crate::job::acknowledge::{Acknowledged, acknowledge_lacking, acknowledge_missing};
use crate::job::catalogue::{Catalogue, MissingRow};
use crate::model::escape;
use serde_json::json;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Acknowledge,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = &Setup::with_mailbox(config, &args.scope)?;
    notices::must_be_remembered(&setup.state)?;
    // What is decided about is what the last look found: mirror and the service look first.
    let (catalogue, _) = Catalogue::open(&setup.state)?;
    let clock = SystemClock::new();
    let mut done = Acknowledged::default();
    if args.missing {
        done = acknowledge_missing(&catalogue, |row| !row.damaged, &clock)?;
    }
    for path in &args.paths {
        let mut one = Acknowledged::default();
        for (mailbox, key) in locations(setup, &catalogue, path)? {
            let is_meant = |row: &MissingRow| row.mailbox == mailbox && row.key == key;
            one = acknowledge_missing(&catalogue, is_meant, &clock)?;
            if one.count() > 0 {
                break;
            }
        }
        if one.count() == 0 {
            return Err(Problem::failed(format!(
                "{}: no message is missing or damaged there: counterfoil audit lists them",
                escape::shown_path(path)
            )));
        }
        done.missing += one.missing;
        done.damaged += one.damaged;
    }
    if let Some(name) = &args.only_on {
        let survey = Survey::take(setup, Depth::Brief, output)?;
        let drive = one_of(&survey.drives, name)?;
        let id = drive.row.id;
        done.lacking = acknowledge_lacking(&catalogue, &setup.station, id, &clock)?.lacking;
    }
    match args.scope.json {
        true => output.json(&json!({
            "schema": 1,
            "missing": done.missing,
            "damaged": done.damaged,
            "lacking": done.lacking,
        })),
        false => tell(done, output),
    }
    Ok(Exit::Safe)
}

/// The locations that may be meant by a message's file, or by its mailbox and its path in it; the likeliest first.
fn locations(
    setup: &Setup,
    catalogue: &Catalogue,
    typed: &Path,
) -> Result<Vec<(i64, Vec<u8>)>, Problem> {
    let mailboxes: Vec<_> =
        setup.mailboxes.iter().map(|mailbox| (&mailbox.name, &*mailbox.path)).collect();
    let mut locations = Vec::new();
    for reading in named::readings(typed) {
        let Some((at, path)) = named::message(&reading, &mailboxes) else { continue };
        let path = path.map_err(|error| bad_path(typed, &error))?;
        locations.push((catalogue.mailbox(mailboxes[at].0, None)?, path.key()));
    }
    match locations.is_empty() {
        true => Err(notices::in_no_mailbox(typed)),
        false => Ok(locations),
    }
}

fn bad_path(typed: &Path, error: &str) -> Problem {
    Problem::usage(format!("{}: {error}", escape::shown_path(typed)))
}

fn tell(done: Acknowledged, output: &Output) {
    if done.count() == 0 {
        output.say("Nothing to acknowledge: nothing is missing, as far as the last look knows.");
        return;
    }
    let lines = [
        (done.missing, "that was missing: not wanted back"),
        (done.damaged, "that the card has damaged: it is taken as it is now"),
        (done.lacking, "that only a stick has: not wanted here"),
    ];
    for (number, what) in lines.into_iter().filter(|(number, _)| *number > 0) {
        output.say(format!("{} {what}.", count(number, "message")));
    }
    output.say(
        "No copy is deleted. The sticks are told the next time mail is copied; until then nothing else changes.",
    );
    output.say("To get them back all the same, type: counterfoil restore --with-removed");
}
