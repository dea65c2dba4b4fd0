//! Whole rounds of work as a command or the daemon asks for them: take in the mailboxes, bring one
//! drive up to date, look at the drives without writing. Each ends in values, never in words.

use super::audit::{Audit, Question, audit};
use super::catalogue::{Catalogue, FileState};
use super::drive::{Admission, Admitted, Begin, admit, drive_id};
use super::mirror::{OpenMailbox, Pass, PassReport};
use super::scan::{ScanReport, ScanRules, scan};
use super::{DriveRef, JobError, Progress, Station};
use crate::disk::{Access, Trouble};
use crate::model::limits::RESERVE_BYTES;
use crate::model::{Clock, DriveId, Finding, Reason, RelName, StationName};
use globset::GlobSet;

/// What was taken in of one mailbox.
pub type Taken = (OpenMailbox, ScanReport);

/// What to do with versions that a daemon holds back since they keep changing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// Take them in: somebody asks for a copy now.
    TakeIn,
    /// Leave them as they are: somebody only looks.
    Leave,
}

/// Scans every mailbox, reading at once whatever is new. A mailbox that cannot be opened is an error:
/// without it nothing true can be said.
pub fn take_in(
    catalogue: &Catalogue,
    station: &Station,
    ignore: &GlobSet,
    held: Held,
    clock: &dyn Clock,
) -> Result<Vec<Taken>, JobError> {
    let hold = |_: &RelName, state| held == Held::Leave && state == FileState::Changing;
    let rules = ScanRules { ignore, settle: 0, seen_gone: &[], hold: &hold, clock };
    catalogue.begin_run(clock)?;
    let mut taken = Vec::new();
    for mailbox in &station.mailboxes {
        let open = OpenMailbox::open(catalogue, mailbox)?;
        let report = scan(catalogue, open.row, &open.dir, &rules)?;
        taken.push((open, report));
    }
    Ok(taken)
}

/// How a round on one drive ended.
pub struct DriveRound {
    /// How the drive is called.
    pub label: String,
    /// Its id and its row, once it was known.
    pub drive: Option<(DriveId, i64)>,
    /// What was found on the way.
    pub findings: Vec<Finding>,
    /// What was done, or why it could not be.
    pub outcome: Result<PassReport, JobError>,
}

impl DriveRound {
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
        Trouble::Gone => "away",
        Trouble::Full => "full",
        Trouble::ReadOnly => "read-only",
        Trouble::Busy => "busy",
        _ => "failed",
    }
}

/// For each drive, why it must be left alone: an earlier one in the list has its id. The catalogue holds
/// one ledger an id; two drives taken for one would be written where the other one's ledger ends.
pub fn second_times(drives: &[DriveRef]) -> Vec<Option<JobError>> {
    let mut seen = Vec::new();
    let look = |drive: &DriveRef| {
        let id = drive.door.open(Access::Read).ok().and_then(|v| drive_id(&*v).ok().flatten())?;
        if seen.contains(&id) {
            return Some(JobError::SecondTime { at: drive.door.shown(), id });
        }
        seen.push(id);
        None
    };
    drives.iter().map(look).collect()
}

/// Brings one drive up to date: admission, then everything it has not been told. The drive is closed
/// when this returns.
pub fn mirror_drive(
    catalogue: &Catalogue,
    station: &StationName,
    mailboxes: &[OpenMailbox],
    drive: &DriveRef,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> DriveRound {
    let mut round = DriveRound {
        label: drive.label.clone(),
        drive: None,
        findings: Vec::new(),
        outcome: Ok(PassReport::default()),
    };
    let outcome = open(catalogue, station, drive, Access::Write, clock).and_then(|mut admitted| {
        round.drive = Some((admitted.id, admitted.book.drive));
        round.findings = std::mem::take(&mut admitted.findings);
        if catalogue.tick()? != admitted.book.told {
            catalogue.set_drive_state(admitted.book.drive, "copying", "")?;
        }
        Pass { catalogue, mailboxes, clock, progress }.run(&mut admitted)
    });
    round.outcome = outcome;
    if round.drive.is_none() {
        round.drive = catalogue.drive_at(&drive.at).ok().flatten().map(|row| (row.id, row.row));
    }
    if let Some((_, row)) = round.drive {
        let detail = round.outcome.as_ref().err().map(ToString::to_string).unwrap_or_default();
        // Only for display: that it cannot be kept must not hide what happened.
        if let Err(error) = catalogue.set_drive_state(row, round.state(), &detail) {
            tracing::debug!(%error, "the state of a drive could not be kept");
        }
    }
    round
}

/// A round on a drive that was left alone.
pub fn left_alone(drive: &DriveRef, why: JobError) -> DriveRound {
    DriveRound { label: drive.label.clone(), drive: None, findings: Vec::new(), outcome: Err(why) }
}

/// Opens and admits a drive.
pub fn open(
    catalogue: &Catalogue,
    station: &StationName,
    drive: &DriveRef,
    access: Access,
    clock: &dyn Clock,
) -> Result<Admitted, JobError> {
    let volume = drive.door.open(access)?;
    if access == Access::Write && volume.facts().read_only {
        return Err(crate::disk::DiskError::new(
            "write to",
            &volume.facts().shown,
            rustix::io::Errno::ROFS,
        )
        .into());
    }
    let begin = match access {
        Access::Write => Begin::IfNew,
        Access::Read => Begin::Never,
    };
    let (label, at) = (drive.label.as_str(), drive.at.as_slice());
    admit(catalogue, volume, &Admission { station, access, begin, label, at, clock })
}

/// A drive as it was looked at, or why it could not be.
pub struct Looked {
    /// How it is called.
    pub label: String,
    /// The drive, open.
    pub drive: Result<Admitted, JobError>,
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
) -> Result<Vec<Looked>, JobError> {
    let look = |(drive, second): (&DriveRef, Option<JobError>)| {
        let opened = match second {
            Some(error) => Err(error),
            None => match open(catalogue, station, drive, Access::Read, clock) {
                Err(error @ JobError::Catalogue(_)) => return Err(error),
                opened => opened,
            },
        };
        let trouble = match &opened {
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
        Ok(Looked { label: drive.label.clone(), drive: opened, trouble })
    };
    drives.iter().zip(second_times(drives)).map(look).collect()
}

/// The audit over mailboxes taken in and drives looked at.
pub fn audit_now(
    catalogue: &Catalogue,
    station: &StationName,
    wanted_copies: u32,
    looked: &[Looked],
) -> Result<Audit, JobError> {
    let mut present = Vec::new();
    let mut longest_file = u64::MAX;
    let mut room = None;
    for drive in looked {
        match &drive.drive {
            Ok(admitted) => {
                longest_file = longest_file.min(admitted.volume.facts().longest_file);
                present.push((admitted.book.drive, drive.trouble));
                if drive.trouble.is_none() {
                    room = room.max(admitted.volume.room().ok());
                }
            }
            Err(JobError::NoDrive { .. }) => {
                present.push((0, None));
                room = Some(u64::MAX);
            }
            Err(error) if error.trouble() == Trouble::Gone => {}
            Err(_) => present.push((0, drive.trouble)),
        }
    }
    let room = room.unwrap_or(0);
    audit(catalogue, &Question { station, wanted_copies, present: &present, longest_file, room })
}
