//! `mirror`: one pass over every drive, all drives at once, then exit.

use super::carry::carry;
use super::inspect::scan_findings;
use super::state::State;
use crate::cli::Exit;
use crate::cli::args::Scope;
use crate::cli::notices::{self, CliError, StateNotKept};
use crate::cli::output::{Output, Style};
use crate::cli::progress::Bar;
use crate::cli::report::{self, mirror::sums, verdict::Summary};
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::job::catalogue::{Catalogue, DriveRow, ScanFollower};
use crate::job::replica::PresentDrives;
use crate::job::report::verdict::{Counts, Verdict};
use crate::job::scan::mailboxes::{ConfirmedMailbox, HeldBackPolicy, StationScan, open_all};
use crate::job::sync_drive::{SyncOutcome, compare_drives};
use crate::job::sync_job::SyncJob;
use crate::job::{DriveRef, JobError, Progress};
use std::path::Path;
use std::sync::Arc;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    scope: &Scope,
    output: &Output,
) -> Result<Exit, CliError> {
    let resolved = Resolved::with_mailbox(config, scope)?;
    let drives = resolved.need_drives()?;
    let mut state = State::open(&resolved, output)?;
    let mut done = pass(&resolved, &drives, &state, output);
    // Once with a new catalogue where it was damaged, once with one in memory where it could not be written.
    for _ in 0..2 {
        let Err(error) = done else { break };
        state = state.after(error, &resolved, output)?;
        done = pass(&resolved, &drives, &state, output);
    }
    let done = done?;
    let (name, wanted) = (&resolved.station, resolved.config.drives.wanted_copies);
    let mut counts = Counts::count(&state.catalogue, name, wanted, &done.mailboxes)?;
    counts.is_unkept = state.unkept.is_some();
    let here = done.outcomes.iter().filter_map(|sync| sync.drive.map(|(_, row)| row));
    counts.note_here(&state.catalogue, &here.collect::<Vec<_>>())?;
    let known = done.outcomes.iter().map(|sync| known(&state.catalogue, sync));
    let known = known.collect::<Result<Vec<_>, _>>()?;
    print(&resolved, scope.json, (&done, &known), &counts, state.unkept, output);
    let exit = ended(&counts, &done.outcomes);
    carry(&resolved, &drives, &done.outcomes, state.folder(), exit, output);
    Ok(exit)
}

/// What a pass did.
struct MirrorResult {
    /// The mailboxes, as they were scanned.
    mailboxes: Vec<ConfirmedMailbox>,
    /// The outcome on each drive; on none where no mailbox could be scanned.
    outcomes: Vec<SyncOutcome>,
}

fn print(
    resolved: &Resolved,
    as_json: bool,
    (done, known): (&MirrorResult, &[Option<DriveRow>]),
    counts: &Counts,
    unkept: Option<StateNotKept>,
    output: &Output,
) {
    let present: u64 = done.mailboxes.iter().map(|taken| taken.report.files).sum();
    let outcomes = &done.outcomes;
    let summary = Summary::of(resolved, counts, unkept);
    match as_json {
        true => {
            output.json(&report::mirror::json(outcomes, known, sums(outcomes, present), &summary))
        }
        false => report::mirror::text(output, outcomes),
    }
    report::mirror::notices(output, outcomes);
    if as_json || output.is_quiet() {
        let lines = summary.lines().into_iter().filter(|(style, _)| *style == Style::Bad);
        lines.for_each(|(_, line)| output.warn(line));
    } else {
        summary.say(output);
    }
    if counts.verdict() != Verdict::Safe {
        output.warn(notices::see_audit(&resolved.options));
    }
}

/// The verdict's exit code, unless the work itself failed.
fn ended(counts: &Counts, outcomes: &[SyncOutcome]) -> Exit {
    // One that is forgotten is left out, as its operator said.
    let failed = |error: &JobError| !matches!(error, JobError::Forgotten { .. });
    // What stands in the place of one that is known is not written to before its operator has said what it is.
    let undone = |error: &JobError| !matches!(error, JobError::EmptyStick { .. });
    let has_failed = outcomes.iter().any(|sync| sync.outcome.as_ref().is_err_and(failed));
    match Exit::of(counts) {
        _ if outcomes.iter().all(|sync| sync.outcome.as_ref().is_err_and(undone)) => Exit::Failed,
        Exit::Safe if has_failed => Exit::Unsafe,
        by_verdict => by_verdict,
    }
}

/// Scans the mailboxes and brings every drive up to date. Where no mailbox can be scanned, no drive is touched.
fn pass(
    resolved: &Resolved,
    drives: &[DriveRef],
    state: &State,
    output: &Output,
) -> Result<MirrorResult, JobError> {
    let (clock, catalogue) = (SystemClock::new(), &state.catalogue);
    catalogue.count_same_device(resolved.config.drives.count_same_device)?;
    let (ignore, held) = (&resolved.ignore, HeldBackPolicy::Read);
    let walked =
        StationScan { catalogue, ignore, held, clock: &clock }.walk(&resolved.station())?;
    let drives = if walked.any_scanned() { drives } else { &[] };
    let bar = Bar::new(output, "copying", walked.files() * drives.len() as u64);
    let done = every_drive(resolved, state, drives, &bar, || walked.confirm());
    bar.end();
    let (mailboxes, mut outcomes) = done?;
    scan_findings(&mailboxes).iter().for_each(|note| note.say(output));
    let is_states = |e: &JobError| e.is_damaged_catalogue() || e.state_trouble().is_some();
    let is_states = |sync: &SyncOutcome| sync.outcome.as_ref().is_err_and(is_states);
    if let Some(at) = outcomes.iter().position(is_states) {
        outcomes.swap_remove(at).outcome?;
    }
    compare_drives(catalogue, &resolved.station, drives, &outcomes, &clock)?;
    Ok(MirrorResult { mailboxes, outcomes })
}

/// A drive that follows the scan of the mailboxes.
struct Following<'a> {
    bar: &'a Bar,
    scan: ScanFollower,
}

impl Progress for Following<'_> {
    fn advance(&self, messages: u64, bytes: u64) {
        self.bar.advance(messages, bytes);
    }

    fn begin_run(&self) -> bool {
        self.scan.begin_run()
    }

    fn wait_for_more(&self) {
        self.scan.wait_for_more();
    }
}

/// Reads what is new in the mailboxes, while each drive follows on a thread of its own, so that a slow or hung one
/// holds up no other.
fn every_drive(
    resolved: &Resolved,
    state: &State,
    drives: &[DriveRef],
    bar: &Bar,
    scan: impl FnOnce() -> Result<Vec<ConfirmedMailbox>, JobError>,
) -> Result<(Vec<ConfirmedMailbox>, Vec<SyncOutcome>), JobError> {
    let station = resolved.station();
    let present_drives = PresentDrives::default();
    let (folder, messages) = (state.folder(), Arc::clone(state.catalogue.messages()));
    let one = |drive: &DriveRef, progress: &dyn Progress| -> Result<SyncOutcome, JobError> {
        let (mut catalogue, _) = Catalogue::open(folder)?;
        catalogue.share_messages(&messages);
        let clock = SystemClock::new();
        let mailboxes = open_all(&catalogue, &station.mailboxes)?;
        let name = &station.name;
        let job = SyncJob {
            catalogue: &catalogue,
            station: name,
            mailboxes: &mailboxes,
            present_drives: &present_drives,
            prune: resolved.prunes(),
            clock: &clock,
            progress,
        };
        Ok(job.bring_up_to_date(drive))
    };
    let (scanning, followers) = messages.begin_scan(drives.len());
    let (mailboxes, outcomes) = std::thread::scope(|scope| {
        let follow = |(drive, scan)| {
            let one = &one;
            scope.spawn(move || one(drive, &Following { bar, scan }))
        };
        let workers: Vec<_> = drives.iter().zip(followers).map(follow).collect();
        let mailboxes = scan();
        drop(scanning);
        let join = std::thread::ScopedJoinHandle::join;
        (mailboxes, workers.into_iter().map(join).collect::<Vec<_>>())
    });
    // What was done on the other drives stays done.
    let ended = |(drive, joined): (_, std::thread::Result<_>)| {
        joined.unwrap_or_else(|_| Ok(panicked(drive)))
    };
    let mailboxes = mailboxes?;
    let mut outcomes: Vec<SyncOutcome> =
        drives.iter().zip(outcomes).map(ended).collect::<Result<_, _>>()?;
    second_passes(drives, &mut outcomes, |drive| one(drive, bar))?;
    Ok((mailboxes, outcomes))
}

/// Brings every drive up to date once more, if one of them has shown of a message what the others may lack: their
/// passes were under way, or over.
fn second_passes(
    drives: &[DriveRef],
    outcomes: &mut [SyncOutcome],
    one: impl Fn(&DriveRef) -> Result<SyncOutcome, JobError>,
) -> Result<(), JobError> {
    let needs_second_pass =
        |sync: &SyncOutcome| sync.outcome.as_ref().is_ok_and(|report| report.others_need_pass);
    if !outcomes.iter().any(needs_second_pass) {
        return Ok(());
    }
    for (drive, sync) in drives.iter().zip(outcomes) {
        let Ok(first) = &sync.outcome else { continue };
        // A drive that had everything when its pass ended may lack what was found out since.
        if first.stopped {
            continue;
        }
        let mut again = one(drive)?;
        if let Ok(report) = &mut again.outcome {
            report.add_earlier_run(first);
        }
        again.findings.splice(0..0, std::mem::take(&mut sync.findings));
        *sync = again;
    }
    Ok(())
}

/// The outcome of a drive whose thread panicked.
fn panicked(drive: &DriveRef) -> SyncOutcome {
    SyncOutcome {
        label: drive.label.clone(),
        drive: None,
        findings: Vec::new(),
        outcome: Err(JobError::Broken("its worker ended in a fault of the program".into())),
    }
}

/// What the catalogue knows of a drive after its sync; `None` if it has no id yet.
fn known(catalogue: &Catalogue, sync: &SyncOutcome) -> Result<Option<DriveRow>, JobError> {
    match sync.drive {
        Some((id, _)) => catalogue.drive(id),
        None => Ok(None),
    }
}
