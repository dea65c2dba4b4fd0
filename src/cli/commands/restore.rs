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
use crate::job::restore::{Gathered, Goal, Plan, gather, restore};
use crate::job::{DriveRef, drive};
use crate::model::{StationName, bag, escape};
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Restore,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::load(config, &args.scope)?;
    if setup.drives.is_empty() {
        return Err(notices::no_drive_named());
    }
    let drives = setup.drive_refs();
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
    for goal in &goals {
        let into = host::resolved(&goal.path);
        let own = setup.drives.iter().map(|drive| host::resolved(drive).join(bag::HOME));
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
        let path = match &args.into {
            Some(into) if several => into.join(name.as_str()),
            Some(into) => into.clone(),
            None => named.map_or_else(was, |path| Ok(Some(path)))?.ok_or_else(|| {
                Problem::usage(format!(
                    "where mailbox {name} was is not known any more: give --into DIR"
                ))
            })?,
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
