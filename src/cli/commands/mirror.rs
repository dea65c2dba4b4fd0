//! `mirror`: one pass over every drive, all drives at once, then exit.

use super::survey::scan_findings;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::{self, mirror::sums};
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::disk::{Trouble, host};
use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::job::round::{self, DriveRound};
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::with_mailbox(config, scope)?;
    if setup.drives.is_empty() {
        return Err(notices::no_drive_named());
    }
    let (catalogue, _lock) = open_state(&setup, output)?;
    let clock = SystemClock::new();
    let station = setup.station();
    let taken = round::take_in(&catalogue, &station, &setup.ignore, &clock)?;
    scan_findings(output, &taken);
    warn_same_medium(&setup, output);
    let present: u64 = taken.iter().map(|(_, report)| report.files).sum();

    let bar = Bar::new(output, "copying", present * setup.drives.len() as u64);
    let rounds = every_drive(&setup, &bar)?;
    bar.end();

    let sums = sums(&rounds, present);
    if scope.json {
        output.json(&report::mirror::json(&rounds, sums));
    } else {
        report::mirror::text(output, &rounds);
    }
    report::mirror::notices(output, &rounds);
    let totals = catalogue.totals(&setup.station, setup.wanted_copies)?;
    let all_failed = rounds.iter().all(|round| round.outcome.is_err());
    let any_failed = rounds.iter().any(|round| round.outcome.is_err());
    Ok(match all_failed {
        true => Exit::Failed,
        false => Exit::safe(!any_failed && totals.mirrored == totals.messages),
    })
}

/// Opens the catalogue to write, under its lock.
pub(super) fn open_state(
    setup: &Setup,
    output: &Output,
) -> Result<(Catalogue, host::Lock), Problem> {
    host::make_dirs(&setup.state)?;
    let lock = host::lock(&setup.lock_file()).map_err(|error| match error.trouble {
        Trouble::Busy => notices::state_in_use(&setup.state),
        _ => error.into(),
    })?;
    let (catalogue, aside) = Catalogue::open(&setup.state)?;
    if let Some(aside) = aside {
        output.warn(format!(
            "the catalogue was damaged ({}) and is set aside as {}; it is built anew from mailbox and drives",
            aside.why,
            aside.path.display()
        ));
    }
    Ok((catalogue, lock))
}

/// One thread a drive, so that a slow or hung one holds up no other.
fn every_drive(setup: &Setup, bar: &Bar) -> Result<Vec<DriveRound>, Problem> {
    let station = setup.station();
    let one = |drive| -> Result<DriveRound, JobError> {
        let (catalogue, _) = Catalogue::open(&setup.state)?;
        let clock = SystemClock::new();
        let mut mailboxes = Vec::new();
        for mailbox in &station.mailboxes {
            mailboxes.push(crate::job::mirror::OpenMailbox::open(&catalogue, mailbox)?);
        }
        Ok(round::mirror_drive(&catalogue, &station.name, &mailboxes, &drive, &clock, bar))
    };
    let rounds = std::thread::scope(|scope| {
        let workers: Vec<_> =
            setup.drive_refs().into_iter().map(|drive| scope.spawn(|| one(drive))).collect();
        workers.into_iter().map(std::thread::ScopedJoinHandle::join).collect::<Vec<_>>()
    });
    rounds
        .into_iter()
        .map(|joined| match joined {
            Ok(round) => Ok(round?),
            Err(_) => Err(Problem::failed("a drive's worker ended in a fault of the program")),
        })
        .collect()
}

fn warn_same_medium(setup: &Setup, output: &Output) {
    let mailboxes: Vec<_> =
        setup.mailboxes.iter().filter_map(|m| host::device_of(&m.path)).collect();
    for drive in setup.drive_refs() {
        let device = drive.door.open(crate::disk::Access::Read).map(|v| v.facts().device);
        if device.is_ok_and(|device| mailboxes.contains(&device)) {
            output.notice(notices::same_medium(&drive.label));
        }
    }
}
