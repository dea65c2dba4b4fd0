//! `restore`: put the mailbox back from drives alone. Needs no catalogue and no config; uses the config
//! only for where drives and mailboxes are.

use super::own_card::{NotHere, OwnCard};
use super::{choice, rehearse, repair};
use crate::cli::args::Restore;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::{self, wait};
use crate::cli::setup::{Setup, place_for_config};
use crate::cli::{Exit, config};
use crate::daemon::clock::SystemClock;
use crate::disk::host;
use crate::job::DriveRef;
use crate::job::carry::carried_config;
use crate::job::restore::{Gathered, Goal, Plan, gather, offer, pace, restore};
use crate::model::{bag, escape};
use serde_json::json;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Restore,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::load(config, &args.scope)?;
    let drives = setup.need_drives()?;
    let named = args.scope.station.is_some();
    let station = choice::station(&setup, named, &drives, !args.scope.json, output)?;
    let clock = SystemClock::new();
    let gathered = gather(&drives, &station, &clock)?;
    tell_of(&gathered, &drives, output)?;
    if args.into.is_none() && holds_nothing(&gathered)? {
        return Err(notices::nothing_kept(&station));
    }
    let goals = goals(&setup, args, &gathered)?;
    if let Some(path) = &args.repair {
        return repair::run(&gathered, &goals, path, args.scope.json, output);
    }
    refuse_the_copies_themselves(&goals, &drives)?;
    let own_card = OwnCard::of(&setup, &gathered, &goals)?;
    if let Some(own_card) = &own_card {
        own_card.leave_out()?;
    }
    if args.rehearse {
        let mailboxes = match is_of_another(&setup, args, &gathered) {
            true => &[][..],
            false => &setup.mailboxes,
        };
        return rehearse::run(&setup, &gathered, &goals, mailboxes, args.scope.json, output);
    }
    // Whoever names the place has seen to it; where it all goes by itself, it is said before.
    let talks = !args.scope.json && (args.into.is_none() || output.is_watched());
    if talks {
        say_before(&gathered, &goals, &drives, &clock, output)?;
    }
    let bar = Bar::new(output, "restoring", gathered.catalogue.paths_told(&station)?);
    let asked = args.versions.as_deref();
    let asked = asked.map(|typed| asked_for(typed, &gathered, &goals, output)).transpose()?;
    let is_unknown = asked.as_ref().is_some_and(|named| !named.is_told);
    let plan = Plan {
        goals: goals.clone(),
        with_removed: args.with_removed,
        versions: asked.map(|named| (named.goal.row, named.path.key())),
        with_doubtful: args.with_doubtful,
        dry_run: args.dry_run,
        progress: &bar,
    };
    let report = restore(&gathered, &plan)?;
    bar.end();
    let not_here = own_card.map(|card| card.not_here()).transpose()?.unwrap_or_default();
    let carried = carried_config_of(&gathered);
    let back = args.with_config.then(|| config_back(carried.as_deref(), &setup, output));
    let back = back.transpose()?.flatten();
    match args.scope.json {
        true => {
            let mut object = report::restore::json(&report);
            object["config"] = json!(back.as_deref().map(escape::shown_path));
            object["versions_told"] = json!(args.versions.as_ref().map(|_| !is_unknown));
            object["not_on_these"] = json!(not_here.messages);
            output.json(&object);
        }
        false => report::restore::text(output, &report, &goals, args.dry_run),
    }
    if not_here.messages > 0 {
        output.warn(not_on_these(&not_here));
    } else if talks && !args.dry_run {
        let offers_config = carried.is_some() && !args.with_config && setup.config_file.is_none();
        report::restore::next(output, &goals, offers_config);
    }
    Ok(Exit::safe(
        report.is_whole() && gathered.failed.is_empty() && !is_unknown && not_here.messages == 0,
    ))
}

/// The message whose older versions are asked for; said, if no drive tells of it.
fn asked_for<'g>(
    typed: &Path,
    gathered: &Gathered,
    goals: &'g [Goal],
    output: &Output,
) -> Result<repair::Named<'g>, Problem> {
    let named = repair::message_named(gathered, goals, typed)?;
    if !named.is_told {
        output.warn(notices::not_told_of(&named.goal.name, &named.path));
    }
    Ok(named)
}

/// Whether nothing was ever kept on these drives, and nothing of it is lost: no message, and nothing amiss.
fn holds_nothing(gathered: &Gathered) -> Result<bool, Problem> {
    if gathered.catalogue.paths_told(&gathered.station)? > 0 || !gathered.failed.is_empty() {
        return Ok(false);
    }
    for drive in &gathered.drives {
        // A new stick has an empty ledger; where copies were, a list of them or a copy is left.
        let is_sound = drive.ledger_whole || drive.book.ledger_bytes == 0 && !drive.newer;
        let is_sound = is_sound && drive.findings.is_empty();
        if !is_sound || gathered.catalogue.has_copies(drive.book.row)? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What this card misses and no drive of this restore has, and which one does.
fn not_on_these(not_here: &NotHere) -> String {
    let on: Vec<_> = not_here.on.iter().map(crate::cli::which_drive::label_and_sight).collect();
    let NotHere { messages, .. } = *not_here;
    let (what, are, them) =
        (report::count(messages, "message"), report::are(messages), report::them(messages));
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

/// What was found on the way; an error if no drive holds the station.
fn tell_of(gathered: &Gathered, drives: &[DriveRef], output: &Output) -> Result<(), Problem> {
    for (at, error) in &gathered.failed {
        output.warn(format!("{at}: {error}"));
    }
    for drive in &gathered.drives {
        for finding in &drive.findings {
            output.warn(format!("{}: {}", drive.volume.facts().shown, notices::finding(finding)));
        }
    }
    if gathered.drives.is_empty() {
        let there: Vec<_> = choice::on(drives).iter().map(ToString::to_string).collect();
        let there = match there.is_empty() {
            true => "any".to_owned(),
            false => format!("it; they hold {}", there.join(", ")),
        };
        return Err(Problem::failed(format!(
            "no copies of station {} are here: no drive holds {there}",
            gathered.station
        )));
    }
    Ok(())
}

fn refuse_the_copies_themselves(goals: &[Goal], drives: &[DriveRef]) -> Result<(), Problem> {
    for goal in goals {
        let into = host::resolved(&goal.path);
        let own = drives.iter().map(|drive| {
            host::resolved(Path::new(std::ffi::OsStr::from_bytes(&drive.at))).join(bag::HOME)
        });
        if let Some(home) = own.into_iter().find(|home| into.starts_with(home)) {
            let home = escape::shown(home.as_os_str().as_bytes());
            return Err(Problem::usage(format!(
                "a mailbox is not restored into {home}: the copies themselves are there; give another --into DIR"
            )));
        }
    }
    Ok(())
}

/// What is on the drives, where it goes, and about how long that takes.
fn say_before(
    gathered: &Gathered,
    goals: &[Goal],
    drives: &[DriveRef],
    clock: &SystemClock,
    output: &Output,
) -> Result<(), Problem> {
    let offer = offer(gathered)?;
    let places: Vec<_> = offer.drives.iter().map(|(at, _)| at.as_str()).collect();
    output.say(format!("Station {} on {}:", offer.station, places.join(", ")));
    for mailbox in &offer.mailboxes {
        output.say(format!("  {}", report::offer::mailbox(mailbox)));
        let goal = goals.iter().find(|goal| goal.row == mailbox.row);
        if let Some(goal) = goal {
            output.say(format!("    goes to {}", escape::shown_path(&goal.path)));
        }
    }
    let others = choice::on(drives).into_iter().filter(|other| *other != offer.station);
    let others: Vec<_> = others.map(|other| other.to_string()).collect();
    if !others.is_empty() {
        output.say(format!("Also on these drives, by --station NAME: {}.", others.join(", ")));
    }
    if let Some(pace) = pace(gathered, offer.messages(), clock)? {
        let about = match pace.as_secs() {
            0..=1 => "a second or two".to_owned(),
            seconds => wait(seconds),
        };
        output.say(format!("Reading it takes about {about}, by the pace of the first copies."));
    }
    Ok(())
}

/// The config that the drives carry for the station: of several the one of the latest card.
fn carried_config_of(gathered: &Gathered) -> Option<String> {
    let mut drives: Vec<_> = gathered.drives.iter().collect();
    drives.sort_by_key(|drive| std::cmp::Reverse(drive.book.chain.seq));
    // One that cannot be read is one that is not there: the messages are what counts.
    drives
        .into_iter()
        .find_map(|drive| carried_config(&*drive.volume, &gathered.station).ok().flatten())
}

/// The same, or that no drive has one.
fn config_back(
    carried: Option<&str>,
    setup: &Setup,
    output: &Output,
) -> Result<Option<PathBuf>, Problem> {
    match carried {
        Some(text) => put_config_back(text, setup, output),
        None => {
            output.warn("no drive here carries a whole config of this station: none was put back");
            Ok(None)
        }
    }
}

/// Where it was put, if it was.
fn put_config_back(text: &str, setup: &Setup, output: &Output) -> Result<Option<PathBuf>, Problem> {
    if let Some(there) = &setup.config_file {
        let there = escape::shown_path(there);
        output.warn(format!("there is a config already, {there}: it is left as it is"));
        return Ok(None);
    }
    let Some(path) = place_for_config() else {
        output.warn("there is a config already, or no place for one: none was put back");
        return Ok(None);
    };
    // What cannot be read would be refused at the next command, for all that is right in it.
    config::parse(text, &path).map_err(|error| {
        Problem::failed(format!(
            "the config on the drive cannot be used, and was left there: {error}"
        ))
    })?;
    if let Some(folder) = path.parent() {
        crate::disk::make_dirs(folder)?;
    }
    host::write_new(&path, text.as_bytes())?;
    output.notice(format!("the config is back in {}", escape::shown_path(&path)));
    Ok(Some(path))
}

/// Where a drive says a mailbox was is the drive's word alone, and a drive may be prepared by an enemy: a
/// place where new files could do harm must be named by the operator.
fn may_be_a_mailbox(path: &Path, root: bool) -> bool {
    const USUAL: [&str; 9] = [
        "/home",
        "/root",
        "/srv",
        "/mnt",
        "/media",
        "/run/media",
        "/tmp",
        "/var/mail",
        "/var/spool/mail",
    ];
    let plain = |part: Component<'_>| match part {
        Component::RootDir => true,
        // Hidden folders hold settings and keys.
        Component::Normal(name) => !name.as_bytes().starts_with(b"."),
        _ => false,
    };
    let usual = USUAL.iter().any(|place| path.starts_with(place) && path != Path::new(place));
    path.is_absolute() && path.components().all(plain) && (usual || !root)
}

/// Whether the mailboxes of the config are another station's: its mail never goes into this one's because both are
/// called alike.
fn is_of_another(setup: &Setup, args: &Restore, gathered: &Gathered) -> bool {
    let is_another = setup.configured.as_ref().is_some_and(|own| *own != gathered.station);
    is_another && args.scope.mailbox.is_empty()
}

/// Where each mailbox goes: `--into`, else where the config or the command line has it, else where it was.
fn goals(setup: &Setup, args: &Restore, gathered: &Gathered) -> Result<Vec<Goal>, Problem> {
    let told = gathered.catalogue.mailboxes_told(&gathered.station)?;
    let several = told.len() > 1;
    let is_another = setup.configured.as_ref().is_some_and(|own| *own != gathered.station);
    let mut goals = Vec::new();
    for (row, name) in told {
        let named = setup.mailboxes.iter().find(|m| m.name == name).map(|m| m.path.clone());
        let named = named.filter(|_| !is_of_another(setup, args, gathered));
        let was = || -> Result<Option<PathBuf>, Problem> {
            let root = gathered.catalogue.last_root(&gathered.station, row)?;
            let root = root.map(|raw| PathBuf::from(std::ffi::OsStr::from_bytes(&raw)));
            Ok(root.filter(|path| path.is_absolute()))
        };
        let path = match (&args.into, named) {
            (Some(into), _) if several => into.join(name.as_str()),
            (Some(into), _) => into.clone(),
            (None, Some(named)) => named,
            (None, None) if is_another => {
                return Err(Problem::usage(format!(
                    "station {} is not this one: give --into DIR, so that its mail is kept apart",
                    gathered.station
                )));
            }
            (None, None) => match was()? {
                Some(path) if may_be_a_mailbox(&path, host::is_root()) => path,
                Some(path) => {
                    let shown = escape::shown(path.as_os_str().as_bytes());
                    return Err(Problem::usage(format!(
                        "the drive says that mailbox {name} was in {shown}, which is no usual place for \
                         mail: give --into DIR, or --mailbox {name}=DIR if it is right"
                    )));
                }
                None => {
                    return Err(Problem::usage(format!(
                        "where mailbox {name} was is not known any more: give --into DIR"
                    )));
                }
            },
        };
        goals.push(Goal { row, name, path });
    }
    if goals.is_empty() {
        goals.push(goal_of_numbers(setup, args, gathered)?);
    }
    Ok(goals)
}

/// Ledger lost: only numbers are known, and one goal takes them.
fn goal_of_numbers(setup: &Setup, args: &Restore, gathered: &Gathered) -> Result<Goal, Problem> {
    let first = setup.mailboxes.first().filter(|_| args.rehearse);
    let (name, path) = match (first, &args.into) {
        (Some(first), _) => (first.name.clone(), first.path.clone()),
        (None, Some(into)) => {
            let name = "mailbox".parse().map_err(|e| Problem::failed(format!("{e}")))?;
            (name, into.clone())
        }
        (None, None) => {
            let give = if args.rehearse { "--mailbox" } else { "--into" };
            return Err(Problem::usage(format!(
                "the ledger is lost, so where the mailbox was is not known: give {give} DIR"
            )));
        }
    };
    let row = gathered.catalogue.mailbox(&name, None)?;
    Ok(Goal { row, name, path })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drives_word_leads_to_no_place_where_new_files_do_harm() {
        let cases = [
            ("/home/op/mail", true, true),
            ("/var/mail/op", true, true),
            ("/etc/cron.d", true, false),
            ("/home", true, false),
            ("/home/op/.ssh", true, false),
            ("/home/op/.config/autostart", false, false),
            ("/home/../etc", true, false),
            ("/opt/mail", false, true),
            ("mail", false, false),
        ];
        for (path, root, expected) in cases {
            assert_eq!(may_be_a_mailbox(Path::new(path), root), expected, "{path} {root}");
        }
    }
}
