//! Whole rounds of work as a command or the daemon asks for them: bring one drive up to date, look at the drives
//! without writing, audit. Each ends in values, never in words.

use super::audit::{Audit, AuditOptions, audit};
use super::catalogue::{Catalogue, DriveRowId, KnownHow};
use super::mailboxes::ConfirmedMailbox;
use super::mirror::{OpenMailbox, Pass, PassReport};
use super::replica::{
    Begin, Newcomer, OpenOptions, PresentDrives, Replica, compare, may_come_in, not_as_another,
    note_lost_pages, open_replica, refuse_forgotten, serial_is_read, session_of,
};
use super::verdict::Counts;
use super::{DriveRef, JobError, Progress};
use crate::disk::{Access, DiskError, Trouble, Volume};
use crate::job::catalogue::MailboxRowId;
use crate::model::airtime::Link;
use crate::model::limits::RESERVE_BYTES;
use crate::model::{Clock, DriveId, Finding, Reason, RelName, StationName, bag};

/// How a round on one drive ended.
pub struct SyncOutcome {
    /// How the drive is called.
    pub label: String,
    /// Its id and its row, once it was known.
    pub drive: Option<(DriveId, DriveRowId)>,
    /// What was found on the way.
    pub findings: Vec<Finding>,
    /// What was done, or why it could not be.
    pub outcome: Result<PassReport, JobError>,
}

impl SyncOutcome {
    /// The word for the drive's state after the round, as kept in the catalogue.
    pub fn state(&self) -> &'static str {
        match &self.outcome {
            Ok(report) if report.failed.iter().any(|f| f.reason == Reason::DriveFull) => "full",
            Ok(report) if report.batches > 0 => "settling",
            Ok(_) => "safe",
            Err(error) => state_of(error),
        }
    }
}

/// The word for the state of a drive that could not be worked on.
pub fn state_of(error: &JobError) -> &'static str {
    match error.trouble() {
        _ if matches!(error, JobError::Forgotten { .. }) => "forgotten",
        Trouble::Gone => "away",
        Trouble::Full => "full",
        Trouble::ReadOnly => "read-only",
        Trouble::Busy => "busy",
        Trouble::Stopped => "copying",
        Trouble::Unwanted => "left-alone",
        Trouble::Untrusted => "untrusted",
        _ => "failed",
    }
}

/// Brings one drive up to date: admission, then everything it has not been told. The drive is closed
/// when this returns.
pub fn mirror_drive(
    catalogue: &Catalogue,
    station: &StationName,
    mailboxes: &[OpenMailbox],
    drive: &DriveRef,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> SyncOutcome {
    let mut round = SyncOutcome {
        label: drive.label.clone(),
        drive: None,
        findings: Vec::new(),
        outcome: Ok(PassReport::default()),
    };
    let opened = open(catalogue, station, drive, Access::Write, present_drives, clock);
    round.outcome = opened.and_then(|mut admitted| {
        round.drive = Some((admitted.id, admitted.state.drive));
        round.findings = std::mem::take(&mut admitted.findings);
        if catalogue.change_no()? != admitted.state.recorded_through {
            catalogue.set_drive_state(admitted.state.drive, "copying", "")?;
        }
        if admitted.state.is_used_up() {
            round.findings.push(Finding::NumbersUsedUp);
        }
        let pass = Pass { catalogue, mailboxes, clock, progress };
        let mount = session_of(&clock.stamp(), &*admitted.volume);
        let done = pass.run(&mut admitted).and_then(|mut report| {
            report.told_all &= !is_some_away(&pass)?;
            if !report.stopped {
                pass.repair_from_peers(&mut admitted, present_drives, &mut report)?;
            }
            Ok(report)
        });
        let done = done.inspect_err(|error| note_lost_pages(catalogue, error, &mount));
        // Also where it was pulled in the middle: it has copies now.
        note_copied(catalogue, drive, &admitted, clock)?;
        catalogue.end_announcements(clock)?;
        // A pulled stick answers with read and write errors: what it is, the kernel knows.
        done.map_err(|error| match admitted.volume.present() {
            Err(_) if error.may_be_a_pull() => {
                let at = admitted.volume.facts().shown.clone();
                JobError::PulledOut { at, while_doing: error.to_string() }
            }
            _ => error,
        })
    });
    if round.drive.is_none() {
        round.drive = catalogue.drive_at(&drive.at).ok().flatten().map(|row| (row.id, row.row));
    }
    if let Some((_, row)) = round.drive {
        let detail = round.outcome.as_ref().err().map(ToString::to_string).unwrap_or_default();
        note_health(catalogue, row, &round.outcome);
        // Only for display: that it cannot be kept must not hide what happened.
        if let Err(error) = catalogue.set_drive_state(row, round.state(), &detail) {
            tracing::debug!(%error, "the state of a drive could not be kept");
        }
    }
    round
}

/// A drive that got a copy while any was used is one of ours also when only known ones are.
fn note_copied(
    catalogue: &Catalogue,
    drive: &DriveRef,
    admitted: &Replica,
    clock: &dyn Clock,
) -> Result<(), JobError> {
    let may_begin = matches!(drive.begin, Begin::OnDevice | Begin::InFolder);
    let serial = admitted.volume.facts().serial.as_deref();
    let has_less = match catalogue.known_as(admitted.id)? {
        None => true,
        // Copied to before its serial number could be read, as early in a boot.
        Some(known) => known.how == KnownHow::Copied && known.serial.is_none() && serial.is_some(),
    };
    if !may_begin || !has_less || !catalogue.has_good_copies(admitted.state.row)? {
        return Ok(());
    }
    let of = (admitted.id, drive.label.as_str());
    catalogue.make_known(of, serial, KnownHow::Copied, clock.stamp().time)
}

/// Whether some mailbox could not be opened for this pass: of that one the drive was told nothing, and its row says so.
fn is_some_away(pass: &Pass<'_>) -> Result<bool, JobError> {
    let is_away = |row: &MailboxRowId| !pass.mailboxes.iter().any(|open| open.row == *row);
    Ok(pass.catalogue.kept_in_force()?.iter().any(is_away))
}

/// Keeps what a round says of a drive's health. For a person: that it cannot be kept must not hide what happened.
fn note_health(catalogue: &Catalogue, drive: DriveRowId, outcome: &Result<PassReport, JobError>) {
    let kept = match outcome {
        Ok(PassReport { room: Some(room), .. }) => catalogue.record_free_space(drive, *room),
        Err(error) if error.trouble() == Trouble::Failing => {
            catalogue.mark_worn(drive, "it answered with an error")
        }
        _ => Ok(()),
    };
    if let Err(error) = kept {
        tracing::debug!(%error, "the health of a drive could not be kept");
    }
}

/// Opens and admits a drive.
pub fn open(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    access: Access,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
) -> Result<Replica, JobError> {
    let volume = drive.volume_source.open(access)?;
    let mount = session_of(&clock.stamp(), &*volume);
    admitted(catalogue, station, drive, volume, access, present_drives, clock)
        .inspect_err(|error| note_lost_pages(catalogue, error, &mount))
}

fn admitted(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    volume: Box<dyn Volume>,
    access: Access,
    present_drives: &PresentDrives,
    clock: &dyn Clock,
) -> Result<Replica, JobError> {
    let mut copied = None;
    let here = &|| present_drives.here(&drive.volume_source);
    if access == Access::Write {
        refuse_forgotten(catalogue, &*volume)?;
        may_be_written(&*volume)?;
    }
    not_as_another(catalogue, &*volume)?;
    serial_is_read(catalogue, drive, &*volume)?;
    let comes = may_come_in(catalogue, drive, &*volume, access, here, clock)?;
    match (access, comes) {
        (Access::Write, Newcomer::As(Begin::Known)) => {
            present_drives.meet_known(drive, &*volume)?
        }
        (Access::Write, _) => copied = present_drives.resolve(catalogue, drive, &*volume, clock)?,
        (Access::Read, _) => present_drives.meet_to_look(catalogue, drive, &*volume)?,
    }
    let begin = comes.begin();
    let (label, at) = (drive.label.as_str(), drive.at.as_slice());
    let asked = OpenOptions { station, access, begin, label, at, taken_for: None, here, clock };
    let mut admitted = open_replica(catalogue, volume, &asked)?;
    present_drives.note(admitted.id, drive, admitted.volume.facts());
    admitted.findings.extend(copied);
    if access == Access::Write {
        admitted.findings.extend(comes.note(catalogue, &admitted, drive, clock)?);
    }
    Ok(admitted)
}

/// Whether the owner and the mount let a drive be written to.
fn may_be_written(volume: &dyn Volume) -> Result<(), JobError> {
    let at = &volume.facts().shown;
    if is_skipped(volume) {
        return Err(JobError::SkipFile { at: at.clone() });
    }
    if volume.facts().read_only {
        return Err(DiskError::new("write to", at, rustix::io::Errno::ROFS).into());
    }
    Ok(())
}

/// Whether a drive's owner has marked it as not to be written. Whatever has that name will do.
pub fn is_skipped(volume: &dyn Volume) -> bool {
    match volume.length(&RelName::fixed(bag::SKIP_FILE)) {
        Ok(length) => length.is_some(),
        // A folder or a link of that name.
        Err(error) => error.trouble == Trouble::Refused,
    }
}

/// A drive as it was looked at, or why it could not be.
pub struct InspectedDrive {
    /// How it is called.
    pub label: String,
    /// Where it is, raw.
    pub at: Vec<u8>,
    /// The drive, open.
    pub drive: Result<Replica, JobError>,
    /// What keeps it from taking messages, if anything does.
    pub trouble: Option<Reason>,
}

/// Looks at every drive without writing: reads what is new in their ledgers. Trouble with a drive is
/// that drive's; trouble with the catalogue ends the look.
pub fn look_at_drives(
    catalogue: &Catalogue,
    station: &StationName,
    drives: &[DriveRef],
    clock: &dyn Clock,
) -> Result<Vec<InspectedDrive>, JobError> {
    let present_drives = PresentDrives::default();
    let look = |drive: &DriveRef| {
        let opened = match open(catalogue, station, drive, Access::Read, &present_drives, clock) {
            Err(error @ JobError::Catalogue(_)) => return Err(error),
            Err(JobError::NoDrive { at }) if matches!(drive.begin, Begin::Never | Begin::Known) => {
                Err(JobError::NotAccepted { at })
            }
            opened => opened,
        };
        let trouble = match &opened {
            Ok(admitted) if is_skipped(&*admitted.volume) => Some(Reason::NoDrive),
            Ok(admitted) if catalogue.distrust(admitted.state.drive)?.is_some() => {
                Some(Reason::DriveFailed)
            }
            Ok(admitted) if admitted.newer || admitted.volume.facts().read_only => {
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
        let (label, at) = (drive.label.clone(), drive.at.clone());
        Ok(InspectedDrive { label, at, drive: opened, trouble })
    };
    let looked = drives.iter().map(look).collect::<Result<Vec<_>, _>>()?;
    // Now that all of them are read.
    for drive in looked.iter().filter_map(|looked| looked.drive.as_ref().ok()) {
        compare(catalogue, &*drive.volume, &drive.dir, &drive.state, (drive.id, false))?;
    }
    Ok(looked)
}

/// After drives were brought up to date side by side: what one of them says of another that was read before it is
/// compared now.
pub fn compare_drives(
    catalogue: &Catalogue,
    station: &StationName,
    drives: &[DriveRef],
    rounds: &[SyncOutcome],
    clock: &dyn Clock,
) -> Result<(), JobError> {
    for (id, row) in rounds.iter().filter_map(|round| round.drive) {
        let replica = catalogue.replica(row, station)?;
        if !catalogue.to_be_compared(&replica, id, false)?.is_empty() {
            return look_at_drives(catalogue, station, drives, clock).map(drop);
        }
    }
    Ok(())
}

/// Whether a drive's copies count for nothing, by other reasons than that it failed.
pub fn is_left_out(catalogue: &Catalogue, drive: DriveRowId) -> Result<bool, JobError> {
    Ok(!catalogue.counts(drive)? && catalogue.distrust(drive)?.is_none())
}

/// For whom an audit is made.
#[derive(Debug, Clone, Copy)]
pub struct AuditRequest<'a> {
    /// The station.
    pub station: &'a StationName,
    /// Copies a message needs to be safe.
    pub wanted_copies: u32,
    /// The link on which a lost message would be asked for again.
    pub link: Link,
    /// Messages of each kind listed one by one; more are counted.
    pub list_at_most: usize,
    /// The mailboxes, as they were taken in.
    pub mailboxes: &'a [ConfirmedMailbox],
}

/// The audit over mailboxes taken in and drives looked at. `others` are here and were not looked at:
/// what keeps each from taking messages.
pub fn audit_now(
    catalogue: &Catalogue,
    wish: &AuditRequest<'_>,
    looked: &[InspectedDrive],
    others: &[Option<Reason>],
) -> Result<Audit, JobError> {
    let AuditRequest { station, wanted_copies, link, list_at_most, mailboxes } = *wish;
    let mut present = others.to_vec();
    let mut longest_file = u64::MAX;
    let mut room = others.contains(&None).then_some(u64::MAX);
    for drive in looked {
        match &drive.drive {
            // What it holds counts; that it takes no more is its owner's will.
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
            Err(error) if matches!(error.trouble(), Trouble::Gone | Trouble::Unwanted) => {}
            Err(_) => present.push(drive.trouble),
        }
    }
    let room = room.unwrap_or(0);
    let question = AuditOptions {
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
        let counts = Counts::take(catalogue, station, wanted_copies, mailboxes)?;
        audit(catalogue, &question, counts)
    })
}
