//! `restore`: put the mailbox back from drives alone. Needs no catalogue and no config; uses the config
//! only for where drives and mailboxes are, and the catalogue for which sticks are known.

use super::config_back::{AcceptedConfig, config_on_sticks};
use super::own_card::{NotHere, OwnCard};
use super::sources::Sources;
use super::targets::{TargetRequest, named_targets, targets, with_links_resolved};
use super::{repair, select_station, test_restore};
use crate::cli::Exit;
use crate::cli::args::RestoreArgs;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::contradictions::{self, ContradictionJson};
use crate::cli::report::{self, wait};
use crate::cli::resolved::Resolved;
use crate::cli::whose::{PathUse, TouchedPaths, work_as_owner};
use crate::daemon::clock::SystemClock;
use crate::disk::host;
use crate::job::DriveRef;
use crate::job::catalogue::{Contradiction, MailboxRowId};
use crate::job::report::inventory::inventory;
use crate::job::restore::{
    MailboxTarget, RestoreOptions, RestoreReport, RestoreSources, open_sources, pace, restore,
};
use crate::model::{bag, escape};
use serde::Serialize;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &RestoreArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let resolved = Resolved::load_for(config, &args.scope, &touches(args))?;
    let mut sources = Sources::of(&resolved, args, output)?;
    let named = args.scope.station.is_some();
    let station =
        select_station::station(&resolved, named, &sources.drives, !args.scope.json, output)?;
    let clock = SystemClock::new();
    let restore_sources = open_sources(&sources.drives, &station, &clock)?;
    print_sources(&restore_sources, &sources.drives, output)?;
    if args.into.is_none() && holds_nothing(&restore_sources)? {
        return Err(notices::nothing_kept(&station));
    }
    let carried = config_on_sticks(&restore_sources);
    let agreed = match args.with_config {
        true => AcceptedConfig::to(carried.as_ref(), &resolved, args, &mut sources, output)?,
        false => None,
    };
    let mailboxes = agreed.as_ref().map_or(&[][..], |agreed| &agreed.mailboxes);
    let mut asked = TargetRequest {
        resolved: &resolved,
        args,
        restore_sources: &restore_sources,
        sources: &mut sources,
        agreed: mailboxes,
    };
    if let Some(path) = &args.repair {
        let to = named_targets(&asked)?;
        work_as_their_owner(&to)?;
        sources.confirm(&resolved, args, &station, output)?;
        return repair::run(&resolved, &restore_sources, &to, path, args.scope.json, output);
    }
    let to = targets(&mut asked, output)?;
    let own = if asked.leaves_own_mailboxes_out() { &[][..] } else { &resolved.mailboxes };
    if !args.rehearse {
        work_as_their_owner(&to)?;
    }
    let own_card = OwnCard::of(&resolved, &restore_sources, &to)?;
    if let Some(own_card) = &own_card {
        own_card.leave_out()?;
    }
    if args.rehearse {
        refuse_the_copies_themselves(&to, &sources.drives)?;
        return test_restore::run(&resolved, &restore_sources, &to, own, args.scope.json, output);
    }
    sources.confirm(&resolved, args, &station, output)?;
    refuse_the_copies_themselves(&to, &sources.drives)?;
    // Where the place was named on the command line, only a person at a terminal needs to read the plan first.
    let talks = !args.scope.json && (args.into.is_none() || output.is_watched());
    if talks {
        print_plan(&restore_sources, &to, &sources.drives, &clock, output)?;
    }
    let named = args.versions.as_deref();
    let named = named.map(|typed| asked_for(typed, &restore_sources, &to, output)).transpose()?;
    let is_unknown = named.as_ref().is_some_and(|named| !named.is_known);
    let versions = named.map(|named| (named.mailbox_target.row, named.path.key()));
    let led = with_links_resolved(&resolved, &to)?;
    let report = put_back(&restore_sources, args, led, versions, output)?;
    let not_here = own_card.map(|card| card.not_here()).transpose()?.unwrap_or_default();
    let back = agreed.as_ref().map(|agreed| agreed.write(&resolved, output)).transpose()?.flatten();
    let back = back.map(|path| escape::shown_path(&path));
    let contradictions = restore_sources.contradictions()?;
    let found = RestoreResult { report, back, is_unknown, not_here, contradictions };
    found.print(args, &to, output);
    if found.not_here.messages == 0 && talks && !args.dry_run {
        let offers_config =
            carried.is_some() && !args.with_config && resolved.config_file.is_none();
        report::restore::next(output, &to, offers_config);
    }
    Ok(Exit::safe(found.is_whole() && restore_sources.failed.is_empty()))
}

/// What became of a restore.
struct RestoreResult {
    report: RestoreReport,
    /// Where the config was put back.
    back: Option<String>,
    /// Versions were asked for of a message that no drive lists.
    is_unknown: bool,
    not_here: NotHere,
    contradictions: Vec<Contradiction>,
}

/// The JSON of `restore`.
#[derive(Serialize)]
struct RestoreJson<'a> {
    #[serde(flatten)]
    report: &'a RestoreReport,
    config: Option<&'a str>,
    versions_told: Option<bool>,
    not_on_these: u64,
    contradictions: Vec<ContradictionJson<'a>>,
}

impl RestoreResult {
    fn is_whole(&self) -> bool {
        self.report.is_whole()
            && !self.is_unknown
            && self.not_here.messages == 0
            && self.contradictions.is_empty()
    }

    fn print(&self, args: &RestoreArgs, mailbox_targets: &[MailboxTarget], output: &Output) {
        match args.scope.json {
            true => output.json(&RestoreJson {
                report: &self.report,
                config: self.back.as_deref(),
                versions_told: args.versions.as_ref().map(|_| !self.is_unknown),
                not_on_these: self.not_here.messages,
                contradictions: contradictions::json(&self.contradictions),
            }),
            false => report::restore::text(output, &self.report, mailbox_targets, args.dry_run),
        }
        if self.not_here.messages > 0 {
            output.warn(not_on_these(&self.not_here));
        }
    }
}

/// The message whose older versions are asked for; warns if no drive lists it.
fn asked_for<'g>(
    typed: &Path,
    restore_sources: &RestoreSources,
    mailbox_targets: &'g [MailboxTarget],
    output: &Output,
) -> Result<repair::NamedMessage<'g>, CliError> {
    let named = repair::message_named(restore_sources, mailbox_targets, typed)?;
    if !named.is_known {
        output.warn(notices::no_versions_of(&named.mailbox_target.name, &named.path));
    }
    Ok(named)
}

/// Whether nothing was ever kept on these drives, and nothing of it is lost: no message, and nothing amiss.
fn holds_nothing(restore_sources: &RestoreSources) -> Result<bool, CliError> {
    if restore_sources.catalogue.asserted_paths(&restore_sources.station)? > 0
        || !restore_sources.failed.is_empty()
    {
        return Ok(false);
    }
    for drive in &restore_sources.drives {
        // A new stick has an empty ledger; where copies were, a list of them or a copy is left.
        let is_sound = drive.ledger_whole || drive.state.ledger_bytes == 0 && !drive.frozen;
        let is_sound = is_sound && drive.findings.is_empty();
        if !is_sound || restore_sources.catalogue.has_copies(drive.state.row)? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What this card misses and no drive of this restore has, and which one does.
fn not_on_these(not_here: &NotHere) -> String {
    let on: Vec<_> = not_here.on.iter().map(crate::cli::which_drive::label_and_sight).collect();
    let NotHere { messages, .. } = *not_here;
    let (what, are, them) = (
        report::count(messages, "message"),
        report::is_or_are(messages),
        report::it_or_them(messages),
    );
    let said = format!("{what} that this card lacks {are} not on these sticks");
    match on.is_empty() {
        true => format!("{said}, and no other stick is known to have {them}"),
        false => {
            let (those, with) =
                if on.len() == 1 { ("that stick", "it") } else { ("those sticks", "them") };
            let on = on.join(", ");
            format!(
                "{said}: {on} had {them}. Plug in {those}, and run the same command with {with}"
            )
        }
    }
}

fn put_back(
    restore_sources: &RestoreSources,
    args: &RestoreArgs,
    mailbox_targets: Vec<MailboxTarget>,
    versions: Option<(MailboxRowId, Vec<u8>)>,
    output: &Output,
) -> Result<RestoreReport, CliError> {
    let bar = Bar::new(
        output,
        "restoring",
        restore_sources.catalogue.asserted_paths(&restore_sources.station)?,
    );
    let plan = RestoreOptions {
        mailbox_targets,
        with_removed: args.with_removed,
        versions,
        with_doubtful: args.with_doubtful,
        dry_run: args.dry_run,
        progress: &bar,
    };
    let report = restore(restore_sources, &plan)?;
    bar.end();
    Ok(report)
}

/// What it touches: the state is only read, unless a rehearsal is to be remembered.
fn touches(args: &RestoreArgs) -> TouchedPaths<'_> {
    let state = if args.rehearse { PathUse::State } else { PathUse::StateToRead };
    let mailboxes = args.into.is_none() || args.rehearse;
    TouchedPaths { state, mailboxes, into: args.into.as_deref(), ..TouchedPaths::default() }
}

/// Where mailboxes go is known only now, so root becomes their owner only now.
fn work_as_their_owner(mailbox_targets: &[MailboxTarget]) -> Result<(), CliError> {
    let targets = mailbox_targets
        .iter()
        .map(|mailbox_target| (PathUse::Target, mailbox_target.path.clone()))
        .collect();
    work_as_owner(targets, false)
}

/// What was found on the way; an error if no drive holds the station.
fn print_sources(
    restore_sources: &RestoreSources,
    drives: &[DriveRef],
    output: &Output,
) -> Result<(), CliError> {
    for (at, error) in &restore_sources.failed {
        output.warn(format!("{at}: {error}"));
    }
    let all = restore_sources.contradictions()?;
    for found in contradictions::each_once(&all) {
        output.warn(contradictions::sentence_for_restore(found));
    }
    for drive in &restore_sources.drives {
        for finding in &drive.findings {
            output.warn(format!("{}: {}", drive.volume.facts().shown, notices::finding(finding)));
        }
    }
    if restore_sources.drives.is_empty() {
        let there: Vec<_> =
            select_station::stations_on(drives).iter().map(ToString::to_string).collect();
        let there = match there.is_empty() {
            true => "any".to_owned(),
            false => format!("it; they hold {}", there.join(", ")),
        };
        return Err(CliError::failed(format!(
            "no copies of station {} are here: no drive holds {there}",
            restore_sources.station
        )));
    }
    Ok(())
}

fn refuse_the_copies_themselves(
    mailbox_targets: &[MailboxTarget],
    drives: &[DriveRef],
) -> Result<(), CliError> {
    for mailbox_target in mailbox_targets {
        let into = host::resolved(&mailbox_target.path);
        let own = drives.iter().map(|drive| {
            host::resolved(Path::new(std::ffi::OsStr::from_bytes(&drive.path))).join(bag::HOME)
        });
        if let Some(home) = own.into_iter().find(|home| into.starts_with(home)) {
            let home = escape::shown(home.as_os_str().as_bytes());
            return Err(CliError::usage(format!(
                "a mailbox is not restored into {home}: the copies themselves are there; give another --into DIR"
            )));
        }
    }
    Ok(())
}

/// What is on the drives, where it goes, and about how long that takes.
fn print_plan(
    restore_sources: &RestoreSources,
    mailbox_targets: &[MailboxTarget],
    drives: &[DriveRef],
    clock: &SystemClock,
    output: &Output,
) -> Result<(), CliError> {
    let inventory = inventory(restore_sources)?;
    let places: Vec<_> = inventory.drives.iter().map(|drive| drive.at.as_str()).collect();
    output.say(format!("Station {} on {}:", inventory.station, places.join(", ")));
    for mailbox in &inventory.mailboxes {
        output.say(format!("  {}", report::inventory::mailbox(mailbox)));
        let mailbox_target =
            mailbox_targets.iter().find(|mailbox_target| mailbox_target.row == mailbox.row);
        if let Some(mailbox_target) = mailbox_target {
            output.say(format!("    goes to {}", escape::shown_path(&mailbox_target.path)));
        }
    }
    let others =
        select_station::stations_on(drives).into_iter().filter(|other| *other != inventory.station);
    let others: Vec<_> = others.map(|other| other.to_string()).collect();
    if !others.is_empty() {
        output.say(format!("Also on these drives, by --station NAME: {}.", others.join(", ")));
    }
    if let Some(pace) = pace(restore_sources, inventory.messages, clock)? {
        let about = match pace.as_secs() {
            0..=1 => "a second or two".to_owned(),
            seconds => wait(seconds),
        };
        output.say(format!("Reading it takes about {about}, by the pace of the first copies."));
    }
    Ok(())
}
