//! Whole pieces of work as a command or the daemon requests them: bring one drive up to date, inspect the drives
//! without writing, audit. Each ends in values, never in words.

use super::catalogue::{Catalogue, DriveRowId, KnownHow};
use super::mirror::{OpenMailbox, Pass, PassReport};
use super::replica::{
    Acceptance, NewDrivePolicy, OpenOptions, PresentDrives, Replica, check_acceptance,
    check_refused, check_serial, compare, note_lost_pages, open_replica, refuse_forgotten,
    session_of,
};
use super::report::audit::{Audit, AuditOptions, audit};
use super::report::verdict::Counts;
use super::scan::mailboxes::ConfirmedMailbox;
use super::{DriveRef, JobError, Progress};
use crate::disk::{Access, DiskError, ErrorKind, Volume};
use crate::job::catalogue::MailboxRowId;
use crate::model::airtime::RadioLink;
use crate::model::limits::RESERVE_BYTES;
use crate::model::{Clock, DriveId, Finding, Reason, RelName, StationName, bag};

/// How a sync of one drive ended.
pub struct SyncOutcome {
    /// The drive's name for a person.
    pub label: String,
    /// Its id and its row, once they were known.
    pub drive: Option<(DriveId, DriveRowId)>,
    /// What was found while the drive was opened.
    pub findings: Vec<Finding>,
    /// What the pass did, or why it could not.
    pub outcome: Result<PassReport, JobError>,
}

impl SyncOutcome {
    /// The drive's state after the sync, as the catalogue stores it.
    pub fn state(&self) -> &'static str {
        match &self.outcome {
            Ok(report) if report.failed.iter().any(|f| f.reason == Reason::DriveFull) => "full",
            Ok(report) if report.batches > 0 => "settling",
            Ok(_) => "safe",
            Err(error) => state_of(error),
        }
    }
}

/// The state of a drive that could not be used.
pub fn state_of(error: &JobError) -> &'static str {
    match error.trouble() {
        _ if matches!(error, JobError::Forgotten { .. }) => "forgotten",
        ErrorKind::Gone => "away",
        ErrorKind::Full => "full",
        ErrorKind::ReadOnly => "read-only",
        ErrorKind::Busy => "busy",
        ErrorKind::Stopped => "copying",
        ErrorKind::NotAccepted => "left-alone",
        ErrorKind::Untrusted => "untrusted",
        _ => "failed",
    }
}

/// Brings one drive up to date: opens it, then records everything that it lacks. Closes the drive on return.
pub fn mirror_drive(
    catalogue: &Catalogue,
    station: &StationName,
    mailboxes: &[OpenMailbox],
    drive: &DriveRef,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> SyncOutcome {
    let mut sync = SyncOutcome {
        label: drive.label.clone(),
        drive: None,
        findings: Vec::new(),
        outcome: Ok(PassReport::default()),
    };
    let opened = open(catalogue, station, drive, Access::Write, present_drives, clock);
    sync.outcome = opened.and_then(|mut admitted| {
        sync.drive = Some((admitted.id, admitted.state.drive));
        sync.findings = std::mem::take(&mut admitted.findings);
        if catalogue.change_no()? != admitted.state.recorded_through {
            catalogue.set_drive_state(admitted.state.drive, "copying", "")?;
        }
        if admitted.state.is_used_up() {
            sync.findings.push(Finding::NumbersUsedUp);
        }
        let pass = Pass { catalogue, mailboxes, clock, progress };
        let mount = session_of(&clock.event_time(), &*admitted.volume);
        let done = pass.run(&mut admitted).and_then(|mut report| {
            report.is_complete &= !is_some_away(&pass)?;
            if !report.stopped {
                pass.repair_from_peers(&mut admitted, present_drives, &mut report)?;
            }
            Ok(report)
        });
        let done = done.inspect_err(|error| note_lost_pages(catalogue, error, &mount));
        // Also if it was pulled in the middle: it has copies now.
        note_copied(catalogue, drive, &admitted, clock)?;
        catalogue.end_announcements(clock)?;
        // A pulled stick answers with read and write errors; the kernel knows whether it is still there.
        done.map_err(|error| match admitted.volume.present() {
            Err(_) if error.may_be_a_pull() => {
                let at = admitted.volume.facts().shown.clone();
                JobError::PulledOut { path: at, while_doing: error.to_string() }
            }
            _ => error,
        })
    });
    if sync.drive.is_none() {
        sync.drive = catalogue.drive_at(&drive.path).ok().flatten().map(|row| (row.id, row.row));
    }
    if let Some((_, row)) = sync.drive {
        let detail = sync.outcome.as_ref().err().map(ToString::to_string).unwrap_or_default();
        record_health(catalogue, row, &sync.outcome);
        // Only for display: a failure to store this must not hide what happened.
        if let Err(error) = catalogue.set_drive_state(row, sync.state(), &detail) {
            tracing::debug!(%error, "the state of a drive could not be kept");
        }
    }
    sync
}

/// Makes a drive known that got a copy while any drive was accepted, so that it stays accepted when only known ones
/// are.
fn note_copied(
    catalogue: &Catalogue,
    drive: &DriveRef,
    admitted: &Replica,
    clock: &dyn Clock,
) -> Result<(), JobError> {
    let may_begin = matches!(drive.begin, NewDrivePolicy::OnDevice | NewDrivePolicy::InFolder);
    let serial = admitted.volume.facts().serial.as_deref();
    let has_less = match catalogue.known_as(admitted.id)? {
        None => true,
        // It was copied to before its serial number could be read, as happens early in a boot.
        Some(known) => known.how == KnownHow::Copied && known.serial.is_none() && serial.is_some(),
    };
    if !may_begin || !has_less || !catalogue.has_good_copies(admitted.state.row)? {
        return Ok(());
    }
    let of = (admitted.id, drive.label.as_str());
    catalogue.make_known(of, serial, KnownHow::Copied, clock.event_time().time)
}

/// Whether a mailbox in force could not be opened for this pass: its changes are not recorded on the drive, and its row
/// says so.
fn is_some_away(pass: &Pass<'_>) -> Result<bool, JobError> {
    let is_away = |row: &MailboxRowId| !pass.mailboxes.iter().any(|open| open.row == *row);
    Ok(pass.catalogue.kept_in_force()?.iter().any(is_away))
}

/// Stores what a sync says of a drive's health. For display: a failure to store it must not hide what happened.
fn record_health(catalogue: &Catalogue, drive: DriveRowId, outcome: &Result<PassReport, JobError>) {
    let kept = match outcome {
        Ok(PassReport { room: Some(room), .. }) => catalogue.record_free_space(drive, *room),
        Err(error) if error.trouble() == ErrorKind::Failing => {
            catalogue.mark_worn(drive, "it answered with an error")
        }
        _ => Ok(()),
    };
    if let Err(error) = kept {
        tracing::debug!(%error, "the health of a drive could not be kept");
    }
}

/// Opens a drive for a station, after every check of whether it may be used.
pub fn open(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    access: Access,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
) -> Result<Replica, JobError> {
    let volume = drive.volume_source.open(access)?;
    let mount = session_of(&clock.event_time(), &*volume);
    let opened = || -> Result<Replica, JobError> {
        let mut copied = None;
        let here = &|| present_drives.ids_except(&drive.volume_source);
        if access == Access::Write {
            refuse_forgotten(catalogue, &*volume)?;
            check_writable(&*volume)?;
        }
        check_refused(catalogue, &*volume)?;
        check_serial(catalogue, drive, &*volume)?;
        let acceptance = check_acceptance(catalogue, drive, &*volume, access, here, clock)?;
        match (access, acceptance) {
            (Access::Write, Acceptance::As(NewDrivePolicy::Known)) => {
                present_drives.register_known(drive, &*volume)?
            }
            (Access::Write, _) => {
                copied = present_drives.resolve(catalogue, drive, &*volume, clock)?
            }
            (Access::Read, _) => present_drives.register_read_only(catalogue, drive, &*volume)?,
        }
        let begin = acceptance.begin();
        let (label, at) = (drive.label.as_str(), drive.path.as_slice());
        let options =
            OpenOptions { station, access, begin, label, path: at, taken_for: None, here, clock };
        let mut admitted = open_replica(catalogue, volume, &options)?;
        present_drives.note(admitted.id, drive, admitted.volume.facts());
        admitted.findings.extend(copied);
        if access == Access::Write {
            admitted.findings.extend(acceptance.note(catalogue, &admitted, drive, clock)?);
        }
        Ok(admitted)
    };
    opened().inspect_err(|error| note_lost_pages(catalogue, error, &mount))
}

/// Whether the owner and the mount allow writing to a drive.
fn check_writable(volume: &dyn Volume) -> Result<(), JobError> {
    let path = &volume.facts().shown;
    if is_skipped(volume) {
        return Err(JobError::SkipFile { path: path.clone() });
    }
    if volume.facts().read_only {
        return Err(DiskError::new("write to", path, rustix::io::Errno::ROFS).into());
    }
    Ok(())
}

/// Whether a drive's owner has marked it as not to be written; anything of that name does so.
pub fn is_skipped(volume: &dyn Volume) -> bool {
    match volume.length(&RelName::fixed(bag::SKIP_FILE)) {
        Ok(length) => length.is_some(),
        // A folder or a link of that name.
        Err(error) => error.trouble == ErrorKind::Refused,
    }
}

/// An inspected drive, or why it could not be opened.
pub struct InspectedDrive {
    /// Its name for a person.
    pub label: String,
    /// Its path in raw bytes.
    pub path: Vec<u8>,
    /// The drive, open.
    pub drive: Result<Replica, JobError>,
    /// Why it takes no messages, if it takes none.
    pub trouble: Option<Reason>,
}

/// Inspects every drive without writing: reads what is new in their ledgers. An error of a drive stays with that drive;
/// an error of the catalogue ends the inspection.
pub fn inspect_drives(
    catalogue: &Catalogue,
    station: &StationName,
    drives: &[DriveRef],
    clock: &dyn Clock,
) -> Result<Vec<InspectedDrive>, JobError> {
    let present_drives = PresentDrives::default();
    let inspect = |drive: &DriveRef| {
        let opened = match open(catalogue, station, drive, Access::Read, &present_drives, clock) {
            Err(error @ JobError::Catalogue(_)) => return Err(error),
            Err(JobError::NoDrive { path: at })
                if matches!(drive.begin, NewDrivePolicy::Never | NewDrivePolicy::Known) =>
            {
                Err(JobError::NotAccepted { path: at })
            }
            opened => opened,
        };
        let trouble = match &opened {
            Ok(admitted) if is_skipped(&*admitted.volume) => Some(Reason::NoDrive),
            Ok(admitted) if catalogue.distrust_reason(admitted.state.drive)?.is_some() => {
                Some(Reason::DriveFailed)
            }
            Ok(admitted) if admitted.frozen || admitted.volume.facts().read_only => {
                Some(Reason::DriveFailed)
            }
            Ok(admitted) => match admitted.volume.room() {
                Ok(room) if room < RESERVE_BYTES => Some(Reason::DriveFull),
                Ok(_) => None,
                Err(_) => Some(Reason::DriveFailed),
            },
            // A folder that is no drive yet becomes one at the next mirror pass.
            Err(JobError::NoDrive { .. }) => None,
            Err(_) => Some(Reason::DriveFailed),
        };
        let (label, at) = (drive.label.clone(), drive.path.clone());
        Ok(InspectedDrive { label, path: at, drive: opened, trouble })
    };
    let inspected = drives.iter().map(inspect).collect::<Result<Vec<_>, _>>()?;
    // All ledgers are read now.
    for drive in inspected.iter().filter_map(|inspected| inspected.drive.as_ref().ok()) {
        compare(drive.bag(catalogue), &drive.state, (drive.id, false))?;
    }
    Ok(inspected)
}

/// After drives were brought up to date side by side: compares what one of them says of another that was read before
/// it.
pub fn compare_drives(
    catalogue: &Catalogue,
    station: &StationName,
    drives: &[DriveRef],
    syncs: &[SyncOutcome],
    clock: &dyn Clock,
) -> Result<(), JobError> {
    for (id, row) in syncs.iter().filter_map(|sync| sync.drive) {
        let replica = catalogue.replica(row, station)?;
        if !catalogue.witnesses_to_compare(&replica, id, false)?.is_empty() {
            return inspect_drives(catalogue, station, drives, clock).map(drop);
        }
    }
    Ok(())
}

/// Whether a drive's copies do not count, for a reason other than distrust.
pub fn is_left_out(catalogue: &Catalogue, drive: DriveRowId) -> Result<bool, JobError> {
    Ok(!catalogue.counts(drive)? && catalogue.distrust_reason(drive)?.is_none())
}

/// The input of an audit.
#[derive(Debug, Clone, Copy)]
pub struct AuditRequest<'a> {
    /// Its bag on a drive is `counterfoil/STATION/`.
    pub station: &'a StationName,
    /// Copies that a message needs to be safe.
    pub wanted_copies: u32,
    /// The radio link on which a lost message would be requested again.
    pub link: RadioLink,
    /// Messages of each kind that are listed one by one; more are only counted.
    pub list_at_most: usize,
    /// The mailboxes, as scanned.
    pub mailboxes: &'a [ConfirmedMailbox],
}

/// The audit over scanned mailboxes and inspected drives. `others` are present and were not inspected: for each, why it
/// takes no messages.
pub fn audit_now(
    catalogue: &Catalogue,
    request: &AuditRequest<'_>,
    inspected: &[InspectedDrive],
    others: &[Option<Reason>],
) -> Result<Audit, JobError> {
    let AuditRequest { station, wanted_copies, link, list_at_most, mailboxes } = *request;
    let mut present = others.to_vec();
    let mut longest_file = u64::MAX;
    let mut room = others.contains(&None).then_some(u64::MAX);
    for drive in inspected {
        match &drive.drive {
            // Its copies count; that it takes no more is its owner's decision.
            Ok(_) if drive.trouble == Some(Reason::NoDrive) => {}
            // What is copied to it makes nothing safe.
            Ok(admitted) if is_left_out(catalogue, admitted.state.drive)? => {}
            Ok(admitted) => {
                longest_file = longest_file.min(admitted.volume.facts().longest_file);
                present.push(drive.trouble);
                if drive.trouble.is_none() {
                    room = room.max(admitted.volume.room().ok());
                }
            }
            Err(JobError::NoDrive { .. }) => {
                present.push(None);
                room = Some(u64::MAX);
            }
            Err(error) if matches!(error.trouble(), ErrorKind::Gone | ErrorKind::NotAccepted) => {}
            Err(_) => present.push(drive.trouble),
        }
    }
    let room = room.unwrap_or(0);
    let options = AuditOptions {
        station,
        wanted_copies,
        present: &present,
        longest_file,
        room,
        link,
        list_at_most,
        mailboxes,
    };
    catalogue.read_transaction(|| {
        let counts = Counts::count(catalogue, station, wanted_copies, mailboxes)?;
        audit(catalogue, &options, counts)
    })
}
