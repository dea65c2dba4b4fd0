//! `verify`: reads and hashes every copy on the drives again. Works on a read-only drive too; what is found
//! is written into the drive's ledger where that can be written.

use super::select_station;
use super::state::State;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::{self, verify::Verified};
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::disk::{Access, ErrorKind};
use crate::job::catalogue::{Catalogue, Log, LogDamage};
use crate::job::replica::PresentDrives;
use crate::job::replica::verify::{verify, verify_logs};
use crate::job::{DriveRef, Unwatched, sync_drive};
use crate::model::Finding;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, CliError> {
    let mut resolved = Resolved::load(config, scope)?;
    let drives = resolved.need_drives()?;
    if resolved.configured.is_none() {
        // As on a computer that never saw these drives: what is on them decides.
        let named = resolved.asked_for.is_some();
        resolved.station = select_station::station(&resolved, named, &drives, !scope.json, output)?;
    }
    let state = State::open(&resolved, output)?;
    let catalogue = &state.catalogue;
    let present_drives = PresentDrives::default();
    let drives: Vec<_> = drives
        .iter()
        .map(|drive| verify_one(catalogue, &resolved, drive, &present_drives, output))
        .collect();
    for drive in &drives {
        for finding in &drive.findings {
            output.warn(format!("{}: {}", drive.label, notices::finding(finding)));
        }
    }
    match scope.json {
        true => output.json(&report::verify::json(&drives)),
        false => report::verify::text(output, &drives),
    }
    if drives.iter().all(|drive| drive.outcome.is_err()) {
        return Ok(Exit::Failed);
    }
    let whole = |drive: &Verified| {
        let copies =
            drive.outcome.as_ref().is_ok_and(|r| r.damaged.is_empty() && r.missing.is_empty());
        copies && drive.logs.is_empty()
    };
    Ok(Exit::safe(drives.iter().all(whole)))
}

fn verify_one(
    catalogue: &Catalogue,
    resolved: &Resolved,
    drive: &DriveRef,
    present_drives: &PresentDrives,
    output: &Output,
) -> Verified {
    let clock = SystemClock::new();
    let mut verified = Verified {
        label: drive.label.clone(),
        id: None,
        findings: Vec::new(),
        logs: Vec::new(),
        logs_damaged: false,
        outcome: Ok(crate::job::replica::verify::VerifyReport::default()),
    };
    let open = |access| {
        sync_drive::open(catalogue, &resolved.station, drive, access, present_drives, &clock)
    };
    // Only an existing drive is verified: it is checked first, so that none is created here.
    let opened = open(Access::Read).and_then(|_| match open(Access::Write) {
        Ok(admitted) => Ok((admitted, true)),
        Err(error)
            if matches!(
                error.trouble(),
                ErrorKind::ReadOnly
                    | ErrorKind::Denied
                    | ErrorKind::NotAccepted
                    | ErrorKind::Untrusted
            ) =>
        {
            Ok((open(Access::Read)?, false))
        }
        Err(error) => Err(error),
    });
    verified.outcome = opened.and_then(|(mut admitted, record)| {
        verified.id = Some(admitted.id);
        verified.findings = std::mem::take(&mut admitted.findings);
        verified.logs = verify_logs(catalogue, &admitted, &Unwatched)?;
        if record && verified.logs.iter().any(|damage| !damage.unreadable) {
            // What rotted is written again when the drive is opened anew: before its copies are compared with it.
            drop(admitted);
            admitted = open(Access::Write)?;
            verified.findings.append(&mut admitted.findings);
        }
        // What was lost of the ledger's end was seen, and written again, when the drive was opened.
        let lost = verified.findings.iter().filter_map(|finding| match *finding {
            Finding::LedgerLinesLost { offset, lines } => {
                Some(LogDamage { log: Log::Ledger, offset, lines, unreadable: false })
            }
            _ => None,
        });
        verified.logs.extend(lost);
        verified.logs_damaged = !catalogue.log_damage(admitted.state.row)?.is_empty();
        let (messages, _) = catalogue.replica_totals(admitted.state.row)?;
        let bar = Bar::new(output, "reading", messages);
        let report = verify(catalogue, &mut admitted, &clock, &bar, record);
        bar.end();
        if admitted.state.recorded_through == 0 {
            catalogue.save_replica(&admitted.state)?;
        }
        report
    });
    verified
}
