//! `mirror`: one pass over every drive, all drives at once, then exit.

use super::config_check::in_force;
use super::survey::scan_findings;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::config::Carry;
use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::{self, index::Index, mirror::sums};
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::disk::{Trouble, host, library};
use crate::job::carry::{Cargo, Pages, carry_on};
use crate::job::catalogue::{Catalogue, DriveRow};
use crate::job::drive::Claims;
use crate::job::mirror::PassReport;
use crate::job::round::{self, DriveRound};
use crate::job::upkeep::Upkeep;
use crate::job::{DriveRef, JobError, Unwatched};
use std::path::Path;
use std::sync::Arc;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, Problem> {
    let setup = Setup::with_mailbox(config, scope)?;
    let drives = setup.need_drives()?;
    let (catalogue, _lock) = open_state(&setup, output)?;
    let (catalogue, present, rounds) = match pass(&setup, &drives, &catalogue, output) {
        Err(error) if error.is_damaged_catalogue() => {
            drop(catalogue);
            output.warn(notices::set_aside(Catalogue::set_aside(&setup.state, &error)?.as_ref()));
            let (anew, _) = Catalogue::open(&setup.state)?;
            let (present, rounds) = pass(&setup, &drives, &anew, output)?;
            (anew, present, rounds)
        }
        done => {
            let (present, rounds) = done?;
            (catalogue, present, rounds)
        }
    };

    let sums = sums(&rounds, present);
    let known =
        rounds.iter().map(|round| known(&catalogue, round)).collect::<Result<Vec<_>, _>>()?;
    if scope.json {
        output.json(&report::mirror::json(&rounds, &known, sums));
    } else {
        report::mirror::text(output, &rounds);
    }
    report::mirror::notices(output, &rounds, &known);
    let all_failed = rounds.iter().all(|round| round.outcome.is_err());
    // One that is forgotten is left out by its operator's word.
    let failed = |error: &JobError| !matches!(error, JobError::Forgotten { .. });
    let any_failed = rounds.iter().any(|round| round.outcome.as_ref().is_err_and(failed));
    if all_failed {
        return Ok(Exit::Failed);
    }
    let safe = is_safe(&setup, &catalogue, &rounds)?;
    if !safe {
        output.warn(notices::NOT_ALL_SAFE);
    }
    Ok(Exit::safe(!any_failed && safe))
}

/// Takes in the mailboxes and brings every drive up to date: how many messages there are, and how it
/// went on each drive.
fn pass(
    setup: &Setup,
    drives: &[DriveRef],
    catalogue: &Catalogue,
    output: &Output,
) -> Result<(u64, Vec<DriveRound>), JobError> {
    let clock = SystemClock::new();
    catalogue.count_same_device(setup.count_same_device)?;
    let taken =
        round::take_in(catalogue, &setup.station(), &setup.ignore, round::Held::TakeIn, &clock)?;
    scan_findings(&taken).iter().for_each(|note| note.say(output));
    let present: u64 = taken.iter().map(|(_, report)| report.files).sum();
    let bar = Bar::new(output, "copying", present * drives.len() as u64);
    let mut rounds = every_drive(setup, drives, &bar, output)?;
    bar.end();
    let damaged = |r: &DriveRound| r.outcome.as_ref().is_err_and(JobError::is_damaged_catalogue);
    if let Some(at) = rounds.iter().position(damaged) {
        rounds.swap_remove(at).outcome?;
    }
    Ok((present, rounds))
}

/// Whether every message has the copies wanted. Counting them all takes a while; where enough drives
/// were told of everything, only what could not be read at all is left to look for.
fn is_safe(setup: &Setup, catalogue: &Catalogue, rounds: &[DriveRound]) -> Result<bool, Problem> {
    let told_all = |round: &&DriveRound| {
        round.outcome.as_ref().is_ok_and(|r| r.told_all && r.failed.is_empty())
    };
    let mut holding_all = 0;
    for round in rounds.iter().filter(told_all) {
        holding_all += usize::from(known(catalogue, round)?.is_some_and(|row| row.counts));
    }
    if holding_all >= setup.wanted_copies as usize {
        return Ok(!catalogue.has_unsettled()?);
    }
    let totals = catalogue.totals(&setup.station, setup.wanted_copies)?;
    Ok(totals.mirrored == totals.messages)
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
    if aside.is_some() {
        output.warn(notices::set_aside(aside.as_ref()));
    }
    Ok((catalogue, lock))
}

/// What a drive is to carry beside the copies.
pub(super) fn cargo(setup: &Setup) -> Cargo {
    let carries = |what| setup.carry.contains(&what);
    Cargo {
        config: carries(Carry::Config).then(|| in_force(setup)),
        pages: carries(Carry::Index).then(|| Arc::new(Index) as Arc<dyn Pages>),
        programs: if carries(Carry::Program) { library::programs() } else { Vec::new() },
    }
}

/// One thread a drive, so that a slow or hung one holds up no other.
fn every_drive(
    setup: &Setup,
    drives: &[DriveRef],
    bar: &Bar,
    output: &Output,
) -> Result<Vec<DriveRound>, JobError> {
    let station = setup.station();
    let cargo = cargo(setup);
    let claims = Claims::default();
    let one = |drive: &DriveRef| -> Result<DriveRound, JobError> {
        let (catalogue, _) = Catalogue::open(&setup.state)?;
        let clock = SystemClock::new();
        let mut mailboxes = Vec::new();
        for mailbox in &station.mailboxes {
            mailboxes.push(crate::job::mirror::OpenMailbox::open(&catalogue, mailbox)?);
        }
        let name = &station.name;
        let upkeep = Upkeep {
            catalogue: &catalogue,
            station: name,
            mailboxes: &mailboxes,
            claims: &claims,
            prune: setup.prunes(),
            clock: &clock,
            progress: bar,
        };
        let round = upkeep.bring_up_to_date(drive);
        let holds_all = |r: &PassReport| r.copied > 0 && r.told_all && r.failed.is_empty();
        if round.outcome.as_ref().is_ok_and(holds_all) {
            let carried = carry_on(&catalogue, name, drive, &claims, &clock, &cargo, &Unwatched);
            // The messages are safe all the same.
            if let Err(error) = carried {
                output.notice(notices::not_carried(&drive.label, &error));
            }
        }
        Ok(round)
    };
    let rounds = std::thread::scope(|scope| {
        let workers: Vec<_> = drives.iter().map(|drive| scope.spawn(|| one(drive))).collect();
        workers.into_iter().map(std::thread::ScopedJoinHandle::join).collect::<Vec<_>>()
    });
    let ended = |(drive, joined): (&DriveRef, std::thread::Result<_>)| match joined {
        Ok(round) => round,
        // The other drives' rounds stand.
        Err(_) => Ok(DriveRound {
            label: drive.label.clone(),
            drive: None,
            findings: Vec::new(),
            outcome: Err(JobError::Broken("its worker ended in a fault of the program".into())),
        }),
    };
    drives.iter().zip(rounds).map(ended).collect()
}

/// What the catalogue knows of a drive after its round; nothing of one that was never met.
fn known(catalogue: &Catalogue, round: &DriveRound) -> Result<Option<DriveRow>, JobError> {
    match round.drive {
        Some((id, _)) => catalogue.drive(id),
        None => Ok(None),
    }
}
