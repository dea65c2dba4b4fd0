//! What the looking commands share: a copy of the catalogue, brought up to the mailbox and the drives.
//! Writes nothing anywhere.

use crate::cli::notices::{self, Problem};
use crate::cli::output::Output;
use crate::cli::report::drives::Shown;
use crate::cli::setup::Setup;
use crate::daemon::DriveState;
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Answer, Request, Served, ask};
use crate::disk::{Trouble, host};
use crate::job::audit::Audit;
use crate::job::catalogue::Catalogue;
use crate::job::round::{self, Looked, Taken};
use crate::job::{DriveRef, JobError};
use crate::model::limits::ANSWER_PATIENCE;
use crate::model::{Clock as _, Stamp};

/// Everything an audit and a status need.
pub(super) struct Survey {
    pub audit: Audit,
    pub drives: Vec<Shown>,
    pub now: Stamp,
    /// Whether a daemon, or another command, is writing.
    pub daemon: bool,
    /// What was found on the way, in words.
    notes: Vec<String>,
}

impl Survey {
    /// First on the catalogue itself, open to look only: enough where nothing has changed since it was
    /// last written. Else on a copy of it in memory; and where it is damaged, on one made from the
    /// mailbox and the drives alone.
    pub(super) fn take(setup: &Setup, output: &Output) -> Result<Self, Problem> {
        // A worker may begin to write while this looks: then its drive is looked at once more, without
        // believing what may not be synced yet.
        let before = served(setup);
        let survey = Self::beside(setup, &before)?;
        let after = served(setup);
        let began = |drive: &Served| {
            is_written(drive) && !before.iter().any(|b| b.at == drive.at && is_written(b))
        };
        let survey = match after.iter().any(began) {
            true => Self::beside(setup, &after)?,
            false => survey,
        };
        survey.notes.iter().for_each(|note| output.warn(note));
        Ok(survey)
    }

    fn beside(setup: &Setup, live: &[Served]) -> Result<Self, Problem> {
        let first = Catalogue::read_only(&setup.state).map(|own| Self::with(&own, setup, live));
        Ok(match first {
            Some(Err(JobError::Catalogue(_))) | None => {
                let copy = Catalogue::snapshot(&setup.state)?;
                match Self::with(&copy, setup, live) {
                    Err(error) if error.is_damaged_catalogue() => {
                        Self::with(&Catalogue::in_memory()?, setup, live)?
                    }
                    survey => survey?,
                }
            }
            Some(survey) => survey?,
        })
    }

    fn with(catalogue: &Catalogue, setup: &Setup, live: &[Served]) -> Result<Self, JobError> {
        let clock = SystemClock::new();
        let station = setup.station();
        let taken = round::take_in(catalogue, &station, &setup.ignore, round::Held::Leave, &clock)?;
        let mut notes = scan_findings(&taken);
        // A drive that does not answer would hang this too.
        let stalled =
            |drive: &DriveRef| live.iter().any(|d| d.at == drive.at && d.stalled_seconds.is_some());
        let mut drives = setup.drives_here();
        drives.retain(|drive| !stalled(drive));
        for drive in &mut drives {
            drive.being_written = live.iter().any(|d| d.at == drive.at && is_written(d));
        }
        let looked = round::look_at_drives(catalogue, &setup.station, &drives, &clock)?;
        for drive in &looked {
            let findings = drive.drive.iter().flat_map(|d| &d.findings);
            notes.extend(findings.map(|f| format!("{}: {}", drive.label, notices::finding(f))));
            let unused = drive.drive.as_ref().err().filter(|error| {
                matches!(error.trouble(), Trouble::Unwanted | Trouble::Refused | Trouble::Failing)
            });
            notes.extend(unused.map(|error| format!("{}: {error}", drive.label)));
        }
        let audit = round::audit_now(catalogue, &setup.station, setup.wanted_copies, &looked)?;
        let daemon = host::is_locked(&setup.lock_file());
        let drives = shown(&audit, &looked, daemon, live);
        Ok(Self { audit, drives, now: clock.stamp(), daemon, notes })
    }
}

/// What scanning found, in words.
pub(super) fn scan_findings(taken: &[Taken]) -> Vec<String> {
    let words = taken.iter().flat_map(|(mailbox, report)| {
        report.findings.iter().map(move |f| format!("{}: {}", mailbox.name, notices::finding(f)))
    });
    words.collect()
}

/// How a running daemon says its drives are; without one, none.
fn served(setup: &Setup) -> Vec<Served> {
    match ask(&setup.state, &Request::Drives, ANSWER_PATIENCE) {
        Ok(Some(Answer::Drives(drives))) => drives,
        Ok(_) => Vec::new(),
        Err(error) => {
            tracing::debug!(%error, "the daemon cannot be asked");
            Vec::new()
        }
    }
}

fn is_written(drive: &Served) -> bool {
    drive.state == DriveState::Copying.as_str()
}

/// The drives known, with what was seen of them just now.
fn shown(audit: &Audit, looked: &[Looked], daemon: bool, live: &[Served]) -> Vec<Shown> {
    let show = |(row, messages, bytes): &(crate::job::catalogue::DriveRow, u64, u64)| {
        let seen = looked.iter().find(|l| l.drive.as_ref().is_ok_and(|d| d.book.drive == row.row));
        // While the daemon works, its own word on a drive that is there is the latest.
        let live = live.iter().find(|drive| drive.at == row.at);
        let state = match seen {
            _ if live.is_some_and(|drive| drive.stalled_seconds.is_some()) => "stalled",
            Some(_) if live.is_some_and(|drive| drive.state == "released") => "released",
            None => "away",
            Some(_) if daemon && !row.state.is_empty() => row.state.as_str(),
            Some(l) => match (l.trouble, &l.drive) {
                // As the last pass left it: a look alone does not show that a drive takes no more.
                (None, _) if matches!(row.state.as_str(), "failed" | "full") => row.state.as_str(),
                (None, _) => "safe",
                (Some(crate::model::Reason::DriveFull), _) => "full",
                (Some(_), Ok(d)) if d.newer || d.volume.facts().read_only => "read-only",
                (Some(_), _) => "failed",
            },
        };
        Shown {
            row: row.clone(),
            mounted: seen.is_some() || state == "stalled",
            state: state.to_owned(),
            messages: *messages,
            bytes: *bytes,
        }
    };
    let mut drives: Vec<_> = audit.drives.iter().map(show).collect();
    let seen = |at: &[u8]| audit.drives.iter().any(|(row, ..)| row.at == at);
    drives.extend(looked.iter().filter(|l| !seen(&l.at)).filter_map(|l| strange(l, live)));
    drives
}

/// A drive that is here and not in the catalogue: nothing was ever written to it.
fn strange(looked: &Looked, live: &[Served]) -> Option<Shown> {
    let error = looked.drive.as_ref().err()?;
    let gone = error.trouble() == Trouble::Gone && !matches!(error, JobError::NoDrive { .. });
    if gone {
        return None;
    }
    let by_daemon = live.iter().find(|drive| drive.at == looked.at);
    let state = match (by_daemon, error) {
        (Some(drive), _) if drive.state != DriveState::Away.as_str() => drive.state.clone(),
        (_, JobError::NoDrive { .. }) => String::new(),
        _ => round::state_of(error).to_owned(),
    };
    Some(Shown::never_used(&looked.label, &looked.at, state))
}
