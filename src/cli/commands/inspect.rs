//! What the commands that only read share: a copy of the catalogue, brought up to the mailbox and the drives.
//! Writes nothing anywhere.

use super::state::state_to_read;
use crate::cli::notices::{self, CliError, Note, StateNotKept};
use crate::cli::output::Output;
use crate::cli::report::drives::DriveView;
use crate::cli::resolved::Resolved;
use crate::cli::which_drive;
use crate::daemon::DriveState;
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Answer, DriveStatus, Request, ask};
use crate::disk::{ErrorKind, host};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow};
use crate::job::report::audit::Audit;
use crate::job::report::card_use::CardUse;
use crate::job::report::statistics::{Statistics, compute};
use crate::job::scan::mailboxes::{ConfirmedMailbox, HeldBackPolicy, scan_mailboxes};
use crate::job::sync_drive::{self, InspectedDrive};
use crate::model::limits::{ANSWER_PATIENCE, LISTED_MAX, TABLE_ROWS_MAX};
use crate::model::{Clock as _, EventTime, Finding, Reason, Timestamp};
use std::path::Path;
use std::time::Duration;

/// What else a command reads from the catalogue and the open drives.
type ExtraQuery<'a, T> = dyn Fn(&Catalogue, &[InspectedDrive]) -> Result<T, JobError> + 'a;

/// How much is worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// What is safe and what is not.
    Counts,
    /// And all figures of a report.
    Whole,
    /// And every message that is not safe, as many as a table may have.
    Listed,
}

/// Everything an audit and a status need.
pub(in crate::cli) struct Inspection {
    pub audit: Audit,
    /// Figures in addition, if they were asked for.
    pub statistics: Statistics,
    pub drives: Vec<DriveView>,
    pub now: EventTime,
    /// When a restore was last rehearsed and brought everything back.
    pub rehearsed: Option<Timestamp>,
    /// Whether a daemon, or another command, is writing.
    pub daemon: bool,
    /// Why nothing is remembered in the state folder, if it is not.
    pub unkept: Option<StateNotKept>,
    /// For how long the next new stick is let in, if it is.
    pub next_let_in: Option<Duration>,
    /// What is written to the card, and how worn it is.
    pub card: CardUse,
    /// Sentences on what was found on the way.
    notes: Vec<Note>,
}

impl Inspection {
    /// First with the catalogue itself, opened read-only: enough where nothing has changed since it was
    /// last written. Else on a copy of it in memory; and where it is damaged, on one made from the
    /// mailbox and the drives alone.
    pub(super) fn inspect(
        resolved: &Resolved,
        depth: Depth,
        output: &Output,
    ) -> Result<Self, CliError> {
        Ok(Self::inspect_with(resolved, depth, output, &|_, _| Ok(()))?.0)
    }

    /// The same, and what `more` reads while the drives are open.
    pub(super) fn inspect_with<T>(
        resolved: &Resolved,
        depth: Depth,
        output: &Output,
        more: &ExtraQuery<'_, T>,
    ) -> Result<(Self, T), CliError> {
        // A worker may begin to write while this reads: then everything is read once more, without that drive.
        let (state, unkept) = state_to_read(resolved);
        let is_kept = unkept.is_none();
        let before = daemon_drives(&state);
        let (inspection, answer) =
            Self::with_live(resolved, (&state, is_kept), depth, &before, more)?;
        let after = daemon_drives(&state);
        let began = |drive: &DriveStatus| {
            is_at_work(drive) && !before.iter().any(|b| b.path == drive.path && is_at_work(b))
        };
        let (inspection, answer) = match after.iter().any(began) {
            true => Self::with_live(resolved, (&state, is_kept), depth, &after, more)?,
            false => (inspection, answer),
        };
        inspection.notes.iter().for_each(|note| note.say(output));
        let card = resolved.mailboxes.first();
        let card = card.map_or_else(CardUse::default, |m| CardUse::of(&m.path, written(&state)));
        let mut inspection = Self { unkept, card, ..inspection };
        inspection.audit.counts.is_unkept = unkept.is_some();
        Ok((inspection, answer))
    }

    fn with_live<T>(
        resolved: &Resolved,
        (state, is_kept): (&Path, bool),
        depth: Depth,
        live: &[DriveStatus],
        more: &ExtraQuery<'_, T>,
    ) -> Result<(Self, T), CliError> {
        let with = |catalogue: &Catalogue| {
            Self::with(catalogue, resolved, (state, is_kept), depth, live, more)
        };
        let anew = || {
            let anew = Catalogue::in_memory()?;
            anew.recall_forgotten(state)?;
            anew.recall_known(state)?;
            Ok(with(&anew)?)
        };
        match Catalogue::read_only(state).as_ref().map(with) {
            Some(Err(JobError::Catalogue(_))) | None => {}
            Some(inspection) => return Ok(inspection?),
        }
        match Catalogue::snapshot(state).and_then(|copy| with(&copy)) {
            Err(error) if error.is_damaged_catalogue() => anew(),
            // The system's folder for temporary files is on the same card.
            Err(error) if error.state_trouble().is_some() => {
                match Catalogue::snapshot_in_memory(state).and_then(|copy| with(&copy)) {
                    Err(error) if error.is_damaged_catalogue() => anew(),
                    inspection => Ok(inspection?),
                }
            }
            inspection => Ok(inspection?),
        }
    }

    fn with<T>(
        catalogue: &Catalogue,
        resolved: &Resolved,
        (state, is_kept): (&Path, bool),
        depth: Depth,
        live: &[DriveStatus],
        more: &ExtraQuery<'_, T>,
    ) -> Result<(Self, T), JobError> {
        let clock = SystemClock::new();
        let station = resolved.station();
        catalogue.count_same_device(resolved.config.drives.count_same_device)?;
        if !is_kept {
            catalogue.believe_ledgers()?;
        }
        let taken =
            scan_mailboxes(catalogue, &station, &resolved.ignore, HeldBackPolicy::Leave, &clock)?;
        let renamed = resolved.host_renamed.iter();
        let renamed =
            renamed.map(|host| Note::plain(notices::host_renamed(&resolved.station, host)));
        let mut notes: Vec<_> = renamed.chain(scan_findings(&taken)).collect();
        // What is read of a drive that is being written to may not be synced yet, and one that does not answer
        // would hang this too. So a mounted drive that the daemon serves is not touched: it was read when it
        // came, and the kernel says whether it is still there. A folder is opened unless the daemon is writing to it.
        let mounted = resolved.find()().into_iter().map(|(_, drive)| drive);
        let (left, mut drives): (Vec<_>, Vec<_>) =
            mounted.partition(|drive| live.iter().any(|d| d.path == drive.path));
        let is_left =
            |d: &&DriveStatus| is_at_work(d) || left.iter().any(|drive| drive.path == d.path);
        let live: Vec<DriveStatus> = live.iter().filter(is_left).cloned().collect();
        let folders = resolved.folder_refs().into_iter();
        drives.extend(folders.filter(|drive| live.iter().all(|d| d.path != drive.path)));
        let mut left = Vec::new();
        for drive in &live {
            if is_in_use(drive) && !is_left_out(catalogue, drive)? {
                left.push(trouble_of(drive));
            }
        }
        let inspected = sync_drive::inspect_drives(catalogue, &resolved.station, &drives, &clock)?;
        for drive in &inspected {
            let findings = drive.drive.iter().flat_map(|d| &d.findings);
            notes.extend(findings.map(|found| Note::of_finding(&drive.label, found)));
            let unused = drive.drive.as_ref().err().filter(|error| {
                matches!(
                    error.trouble(),
                    ErrorKind::NotAccepted | ErrorKind::Refused | ErrorKind::Failing
                )
            });
            notes.extend(unused.map(|error| Note::failed(&drive.label, error)));
        }
        let daemon = host::is_locked(&state.join("lock"));
        let seen = Inspected { mailboxes: taken, inspected, left, live, daemon };
        // One state of the catalogue for everything that is reported.
        let (inspection, answer) = catalogue.read_transaction(|| {
            Ok((
                Self::evaluate(catalogue, resolved, depth, &seen)?,
                more(catalogue, &seen.inspected)?,
            ))
        })?;
        Ok((Self { notes, ..inspection }, answer))
    }

    /// Adds what the catalogue knows.
    fn evaluate(
        catalogue: &Catalogue,
        resolved: &Resolved,
        depth: Depth,
        seen: &Inspected,
    ) -> Result<Self, JobError> {
        let request = sync_drive::AuditRequest {
            station: &resolved.station,
            wanted_copies: resolved.config.drives.wanted_copies,
            link: resolved.link,
            list_at_most: if depth == Depth::Listed { TABLE_ROWS_MAX } else { LISTED_MAX },
            mailboxes: &seen.mailboxes,
        };
        let mut audit = sync_drive::audit_now(catalogue, &request, &seen.inspected, &seen.left)?;
        let now = SystemClock::new().event_time();
        let statistics = match depth {
            Depth::Counts => Statistics::default(),
            Depth::Whole | Depth::Listed => {
                compute(catalogue, &resolved.station, &resolved.link, now.time)?
            }
        };
        let mut drives = shown(&audit, &seen.inspected, seen.daemon, &seen.live);
        let here = drives.iter().filter(|drive| drive.mounted).filter_map(|drive| drive.ids);
        audit.counts.note_here(catalogue, &here.map(|(row, _)| row).collect::<Vec<_>>())?;
        for drive in &mut drives {
            let Some((row, _)) = drive.ids else { continue };
            drive.carried = catalogue.extras_bytes(row)?;
            drive.history = catalogue.drive_history(row)?;
            let about = audit.counts.contradictions.iter().filter(|c| c.row == row);
            drive.contradicts = about.cloned().collect();
        }
        note_new(catalogue, &mut drives)?;
        let next_let_in = catalogue.next_let_in(&SystemClock::new())?;
        for drive in &mut drives {
            let Some((row, _)) = drive.ids else { continue };
            drive.days_left = catalogue.days_left(row, &now)?;
            for (replica, station) in catalogue.replicas_of(row)? {
                if station == resolved.station {
                    drive.unread = catalogue.read_elsewhere(replica)?;
                    drive.logs = catalogue.log_damage(replica)?;
                }
            }
        }
        let rehearsed = catalogue.rehearsed()?;
        let (daemon, unkept, notes, card) = (seen.daemon, None, Vec::new(), CardUse::default());
        Ok(Self {
            audit,
            statistics,
            drives,
            now,
            rehearsed,
            daemon,
            unkept,
            notes,
            next_let_in,
            card,
        })
    }
}

/// What was found of mailboxes and drives, before the catalogue is read.
struct Inspected {
    mailboxes: Vec<ConfirmedMailbox>,
    inspected: Vec<InspectedDrive>,
    /// What keeps each drive that is left to the daemon from taking messages, if anything does.
    left: Vec<Option<Reason>>,
    /// The drives that are left to the daemon.
    live: Vec<DriveStatus>,
    daemon: bool,
}

/// What scanning found. Whether a mailbox could be scanned is said with the verdict.
pub(super) fn scan_findings(taken: &[ConfirmedMailbox]) -> Vec<Note> {
    let notes = taken.iter().flat_map(|mailbox| {
        let moved = mailbox.was_at.as_ref();
        let moved =
            moved.map(|was_at| Note::plain(notices::moved(&mailbox.name, was_at, &mailbox.path)));
        let is_root = |f: &&Finding| matches!(f, Finding::FolderUnreadable { path: None, .. });
        let findings = mailbox.report.findings.iter().filter(move |f| !is_root(f));
        let findings = findings.map(|f| Note::of_finding(&mailbox.name, f));
        moved.into_iter().chain(findings)
    });
    notes.collect()
}

/// The states of drives that a running daemon reports; none without one.
fn daemon_drives(state: &Path) -> Vec<DriveStatus> {
    match ask(state, &Request::Drives, ANSWER_PATIENCE) {
        Ok(Some(Answer::Drives(drives))) => drives,
        Ok(_) => Vec::new(),
        Err(error) => {
            tracing::debug!(%error, "the daemon cannot be asked");
            Vec::new()
        }
    }
}

/// Bytes that a running daemon has written, if one says so.
fn written(state: &Path) -> Option<u64> {
    match ask(state, &Request::Written, ANSWER_PATIENCE) {
        Ok(Some(Answer::Written(bytes))) => bytes,
        Ok(_) | Err(_) => None,
    }
}

fn is_at_work(drive: &DriveStatus) -> bool {
    drive.state == DriveState::Copying.as_str() || drive.stalled_seconds.is_some()
}

/// The drives known, with what was seen of them just now.
fn shown(
    audit: &Audit,
    inspected: &[InspectedDrive],
    daemon: bool,
    live: &[DriveStatus],
) -> Vec<DriveView> {
    let show = |(row, messages, bytes): &(DriveRow, u64, u64)| {
        let seen =
            inspected.iter().find(|l| l.drive.as_ref().is_ok_and(|d| d.state.drive == row.row));
        // While the daemon works, its state of a drive that is there is the latest.
        let live = live.iter().find(|drive| is_row(drive, row));
        let state = match seen {
            _ if live.is_some_and(|drive| drive.stalled_seconds.is_some()) => "stalled",
            _ if row.forgotten.is_some() => {
                row.forgotten.as_ref().map_or("", |gone| gone.why.given_up())
            }
            _ if live.is_some() => live.map_or("", |drive| drive.state.as_str()),
            None if row.replaced.as_ref().is_some_and(|r| r.how.is_sure()) => "replaced",
            None => "away",
            Some(_) if row.distrust.is_some() => "untrusted",
            Some(_) if daemon && !row.state.is_empty() => row.state.as_str(),
            Some(l) => match (l.trouble, &l.drive) {
                // As the last pass left it: reading alone does not show that a drive takes no more.
                (None, _) if matches!(row.state.as_str(), "failed" | "full" | "read-only") => {
                    row.state.as_str()
                }
                (None, _) => "safe",
                (Some(Reason::DriveFull), _) => "full",
                (Some(_), Ok(d)) if d.frozen || d.volume.facts().read_only => "read-only",
                (Some(_), _) => "failed",
            },
        };
        let mounted = seen.is_some() || live.is_some();
        DriveView::new(row.clone(), mounted, state.to_owned(), (*messages, *bytes))
    };
    let mut drives: Vec<_> = audit.drives.iter().map(show).collect();
    let seen = |at: &[u8]| audit.drives.iter().any(|(row, ..)| row.path == at);
    let known = |drive: &DriveStatus| audit.drives.iter().any(|(row, ..)| is_row(drive, row));
    drives.extend(inspected.iter().filter(|l| !seen(&l.path)).filter_map(view_without_row));
    let never_used =
        |drive: &DriveStatus| DriveView::never_used(&drive.label, &drive.path, drive.state.clone());
    drives.extend(live.iter().filter(|drive| !known(drive)).map(never_used));
    drives
}

/// Which drives are ours, and which are still announced as new.
fn note_new(catalogue: &Catalogue, drives: &mut [DriveView]) -> Result<(), JobError> {
    let clock = SystemClock::new();
    let labels: Vec<_> = drives.iter().map(|drive| drive.row.label.clone()).collect();
    for drive in drives {
        let Some((_, id)) = drive.ids else { continue };
        let row = &drive.row;
        drive.known = catalogue.known_as(id)?;
        if row.forgotten.is_none() && catalogue.is_announced(id, &clock)? {
            let alike = labels.iter().filter(|label| **label == row.label).count() > 1;
            drive.announced = Some(which_drive::announcement(id, &row.label, alike));
        }
    }
    Ok(())
}

/// Whether a drive is the catalogue's. Before its id was read, it is the one that was last at its place.
fn is_row(drive: &DriveStatus, row: &DriveRow) -> bool {
    match &drive.id {
        Some(id) => *id == row.id.to_string(),
        None => drive.path == row.path,
    }
}

/// A drive that is here and not in the catalogue: nothing was ever written to it.
fn view_without_row(found: &InspectedDrive) -> Option<DriveView> {
    let state = match found.drive.as_ref().err()? {
        JobError::NoDrive { .. } => "",
        error if error.trouble() == ErrorKind::Gone => return None,
        error => sync_drive::state_of(error),
    };
    Some(DriveView::never_used(&found.label, &found.path, state.to_owned()))
}

/// Whether a drive that is left to the daemon is one whose copies count for nothing.
fn is_left_out(catalogue: &Catalogue, drive: &DriveStatus) -> Result<bool, JobError> {
    let id = drive.id.as_ref().and_then(|id| id.parse().ok());
    match id.map(|id| catalogue.drive(id)).transpose()?.flatten() {
        Some(known) => sync_drive::is_left_out(catalogue, known.row),
        None => Ok(false),
    }
}

/// Whether a drive that is left to the daemon is to be used.
fn is_in_use(drive: &DriveStatus) -> bool {
    !matches!(drive.state.as_str(), "away" | "left-alone" | "released" | "forgotten")
}

/// What keeps such a drive from taking messages, if anything does.
fn trouble_of(drive: &DriveStatus) -> Option<Reason> {
    match drive.state.as_str() {
        "full" => Some(Reason::DriveFull),
        "read-only" | "failed" | "untrusted" => Some(Reason::DriveFailed),
        _ => None,
    }
}
