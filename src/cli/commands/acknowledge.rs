//! `acknowledge`: the operator decides that missing messages, or those that a stick alone has, are not wanted back.

use super::drive_location::one_of;
use super::inspect::{Depth, Inspection};
use crate::cli::args::AcknowledgeArgs;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::report::{count, is_or_are, it_or_them, was_or_were};
use crate::cli::resolved::Resolved;
use crate::cli::{Exit, named};
use crate::daemon::clock::SystemClock;
use crate::job::acknowledge::{
    Acknowledged, Lacked, acknowledge_lacking, acknowledge_missing, lacking_messages,
};
use crate::job::catalogue::{Catalogue, MailboxRowId, MissingRow};
use crate::job::sync_drive::InspectedDrive;
use crate::model::escape;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &AcknowledgeArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let resolved = &Resolved::with_mailbox(config, &args.scope)?;
    notices::must_be_remembered(&resolved.state)?;
    // The decision is about what the last scan found; mirror and the service scan first.
    let (catalogue, _) = Catalogue::open(&resolved.state)?;
    let clock = SystemClock::new();
    let (mut done, mut only_on) = (Acknowledged::default(), None);
    if args.missing {
        done = acknowledge_missing(&catalogue, |row| !row.damaged, &clock)?;
    }
    for path in &args.paths {
        let mut one = Acknowledged::default();
        for (mailbox, key) in locations(resolved, &catalogue, path)? {
            let is_meant = |row: &MissingRow| row.mailbox == mailbox && row.key == key;
            one = acknowledge_missing(&catalogue, is_meant, &clock)?;
            if one.count() > 0 {
                break;
            }
        }
        if one.count() == 0 {
            return Err(CliError::failed(format!(
                "{}: no message is missing or damaged there: counterfoil audit lists them",
                escape::shown_path(path)
            )));
        }
        done.missing += one.missing;
        done.damaged += one.damaged;
    }
    if let Some(name) = &args.only_on {
        let (lacked, label) = lacking_on(resolved, name, output)?;
        let one = acknowledge_lacking(&catalogue, &lacked, &clock)?;
        (done.lacking, done.here_only) = (one.lacking, one.here_only);
        only_on = Some(label);
    }
    match args.scope.json {
        true => output.json(&done),
        false => print(done, only_on.as_deref(), output),
    }
    Ok(Exit::Safe)
}

/// The locations that may be meant by a message's file, or by its mailbox and its path in it; the likeliest first.
fn locations(
    resolved: &Resolved,
    catalogue: &Catalogue,
    typed: &Path,
) -> Result<Vec<(MailboxRowId, Vec<u8>)>, CliError> {
    let mailboxes: Vec<_> =
        resolved.mailboxes.iter().map(|mailbox| (&mailbox.name, &*mailbox.path)).collect();
    let mut locations = Vec::new();
    for message in named::messages(typed, &mailboxes) {
        let (at, path) = message?;
        locations.push((catalogue.mailbox(mailboxes[at].0, None)?, path.key()));
    }
    match locations.is_empty() {
        true => Err(notices::in_no_mailbox(typed)),
        false => Ok(locations),
    }
}

/// What a stick alone has, as the verdict counts it, and the label of the stick.
fn lacking_on(
    resolved: &Resolved,
    name: &str,
    output: &Output,
) -> Result<(Vec<Lacked>, String), CliError> {
    let more = |catalogue: &Catalogue, _: &[InspectedDrive]| {
        let mut all = Vec::new();
        for drive in catalogue.drives()? {
            all.push((drive.id, lacking_messages(catalogue, &resolved.station, drive.id)?));
        }
        Ok(all)
    };
    let (inspection, all) = Inspection::inspect_with(resolved, Depth::Counts, output, &more)?;
    let (_, id, drive) = one_of(&inspection.drives, name)?;
    let of = all.into_iter().find(|(of, _)| *of == id);
    let lacked = of.map(|(_, lacked)| lacked).unwrap_or_default();
    let label = escape::shown(drive.row.label.as_bytes());
    if lacked.is_empty() && !drive.mounted {
        return Err(CliError::failed(format!(
            "{label} is not plugged in, and when it was last seen it had nothing that this card lacks; what is on it \
             now is not known: plug it in and type the same command again"
        )));
    }
    Ok((lacked, label))
}

fn print(done: Acknowledged, only_on: Option<&str>, output: &Output) {
    if done.count() == 0 {
        match only_on {
            Some(label) => output
                .say(format!("Nothing to acknowledge: {label} has nothing that this card lacks.")),
            None => output
                .say("Nothing to acknowledge: nothing is missing, as far as the last look knows."),
        }
        return;
    }
    let lines = [
        (done.missing, format!("that {} missing: not wanted back", was_or_were(done.missing))),
        (done.damaged, "damaged by the card: taken as found now".to_owned()),
        (done.lacking, format!("that only {} has: not wanted here", only_on.unwrap_or("a stick"))),
    ];
    for (number, what) in lines.into_iter().filter(|(number, _)| *number > 0) {
        output.say(format!("{} {what}.", count(number, "message")));
    }
    if done.count() > done.here_only {
        output.say(
            "No copy is deleted. The sticks record it the next time mail is copied; until then nothing else changes.",
        );
    }
    if done.here_only > 0 {
        output.say(format!(
            "{} {} on the list of another card too: this is noted on this card only, and a restore onto any other card \
             still brings {} back.",
            count(done.here_only, "message"),
            is_or_are(done.here_only),
            it_or_them(done.here_only)
        ));
    }
    output.say("To get them back all the same, type: counterfoil restore --with-removed");
}
