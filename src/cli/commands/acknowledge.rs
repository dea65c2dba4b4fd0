//! `acknowledge`: the operator decides that missing messages, or those that a stick alone has, are not wanted back.

use super::survey::{Depth, Survey};
use super::whereabouts::one_of;
use crate::cli::Exit;
use crate::cli::args::Acknowledge;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::report::count;
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::job::acknowledge::{Acknowledged, acknowledge_lacking, acknowledge_missing};
use crate::job::catalogue::Catalogue;
use crate::model::{RelName, escape};
use serde_json::json;
use std::os::unix::ffi::OsStrExt as _;
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
        let (mailbox, key) = location(setup, &catalogue, path)?;
        let one = acknowledge_missing(
            &catalogue,
            |row| row.mailbox == mailbox && row.key == key,
            &clock,
        )?;
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

/// The location that is named by a message's file, or by its mailbox and its path in it.
fn location(setup: &Setup, catalogue: &Catalogue, named: &Path) -> Result<(i64, Vec<u8>), Problem> {
    let shown = escape::shown_path(named);
    let below = setup.mailboxes.iter().find_map(|mailbox| {
        let below = named
            .strip_prefix(&mailbox.path)
            .or_else(|_| named.strip_prefix(mailbox.name.as_str()));
        below.ok().map(|below| (mailbox, below))
    });
    let Some((mailbox, below)) = below else {
        return Err(Problem::usage(format!(
            "{shown} lies in no mailbox known here: give its file, or MAILBOX/PATH"
        )));
    };
    let path = RelName::new(below.as_os_str().as_bytes())
        .map_err(|error| Problem::usage(format!("{shown}: {error}")))?;
    Ok((catalogue.mailbox(&mailbox.name, None)?, path.key()))
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
