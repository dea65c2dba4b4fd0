//! `restore`: put the mailbox back from drives alone. Needs no catalogue and no config; uses the config
//! only for where drives and mailboxes are.

use crate::cli::Exit;
use crate::cli::args::Restore;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report;
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::disk::{Access, host};
use crate::job::restore::{Gathered, Goal, Plan, gather, repair, restore};
use crate::job::{DriveRef, drive};
use crate::model::{RelName, StationName, bag, escape};
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Restore,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::load(config, &args.scope)?;
    let drives = setup.need_drives()?;
    let station = choose_station(&setup, args.scope.station.is_some(), &drives)?;
    let clock = SystemClock::new();
    let gathered = gather(&drives, &station, &clock)?;
    for (at, error) in &gathered.failed {
        output.warn(format!("{at}: {error}"));
    }
    for drive in &gathered.drives {
        for finding in &drive.findings {
            output.warn(format!("{}: {}", drive.volume.facts().shown, notices::finding(finding)));
        }
    }
    if gathered.drives.is_empty() {
        return Err(Problem::failed(format!("no drive here holds station {station}")));
    }
    let goals = goals(&setup, args, &gathered)?;
    if let Some(path) = &args.repair {
        return repair_one(&gathered, &goals, path, args.scope.json, output);
    }
    for goal in &goals {
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
    let bar = Bar::new(output, "restoring", gathered.catalogue.paths_told(&station)?);
    let plan = Plan {
        goals: goals.clone(),
        with_removed: args.with_removed,
        dry_run: args.dry_run,
        progress: &bar,
    };
    let report = restore(&gathered, &plan)?;
    bar.end();
    match args.scope.json {
        true => output.json(&report::restore::json(&report)),
        false => report::restore::text(output, &report, &goals, args.dry_run),
    }
    Ok(Exit::safe(report.is_whole() && gathered.failed.is_empty()))
}

/// Repairs the one message that is named by its file, or by its mailbox and its path in it.
fn repair_one(
    gathered: &Gathered,
    goals: &[Goal],
    named: &Path,
    as_json: bool,
    output: &Output,
) -> Result<Exit, Problem> {
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
            "{shown} lies in no mailbox known here: give its file, or MAILBOX/PATH"
        )));
    };
    let path = RelName::new(below.as_os_str().as_bytes())
        .map_err(|error| Problem::usage(format!("{shown}: {error}")))?;
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

/// The station named; else the only one the drives hold; else this one's own, if they hold it.
fn choose_station(setup: &Setup, named: bool, drives: &[DriveRef]) -> Result<StationName, Problem> {
    if named {
        return Ok(setup.station.clone());
    }
    let mut found = Vec::new();
    for place in drives {
        let volume = place.door.open(Access::Read);
        if let Ok(stations) = volume.map_err(Into::into).and_then(|v| drive::stations(&*v)) {
            found.extend(stations);
        }
    }
    found.sort();
    found.dedup();
    let list = || found.iter().map(StationName::as_str).collect::<Vec<_>>().join(", ");
    match found.as_slice() {
        [] => Err(Problem::failed(format!(
            "no copies of any station are on {}: is the right drive mounted?",
            drives.iter().map(|d| d.door.shown()).collect::<Vec<_>>().join(", ")
        ))),
        [only] => Ok(only.clone()),
        many if many.contains(&setup.station) => Ok(setup.station.clone()),
        _ => Err(Problem::usage(format!(
            "the drives hold several stations ({}): give --station NAME",
            list()
        ))),
    }
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

/// Where each mailbox goes: `--into`, else where the config or the command line has it, else where it was.
fn goals(setup: &Setup, args: &Restore, gathered: &Gathered) -> Result<Vec<Goal>, Problem> {
    let told = gathered.catalogue.mailboxes_told(&gathered.station)?;
    let several = told.len() > 1;
    let mut goals = Vec::new();
    for (row, name) in told {
        let named = setup.mailboxes.iter().find(|m| m.name == name).map(|m| m.path.clone());
        let was = || -> Result<Option<PathBuf>, Problem> {
            let root = gathered.catalogue.last_root(&gathered.station, row)?;
            let root = root.map(|raw| PathBuf::from(std::ffi::OsStr::from_bytes(&raw)));
            Ok(root.filter(|path| path.is_absolute()))
        };
        let path = match (&args.into, named) {
            (Some(into), _) if several => into.join(name.as_str()),
            (Some(into), _) => into.clone(),
            (None, Some(named)) => named,
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
        // Ledger lost: only numbers are known, and one goal takes them.
        let Some(into) = &args.into else {
            return Err(Problem::usage(
                "the ledger is lost, so where the mailbox was is not known: give --into DIR",
            ));
        };
        let name = "mailbox".parse().map_err(|e| Problem::failed(format!("{e}")))?;
        let row = gathered.catalogue.mailbox(&name, None)?;
        goals.push(Goal { row, name, path: into.clone() });
    }
    Ok(goals)
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
