//! Reads every copy on a drive again and records what is found in the drive's own ledger.
//! Never mends: a damaged copy is made anew by the next mirror pass, under a new number.

use super::catalogue::{Catalogue, CopyRow, CopyState, CopyStatus, LogDamage, ReplicaRowId};
use super::replica::{CopyCheck, LogCheck, Logs, READ_ERROR, Replica, hash_copy};
use super::{JobError, Progress};
use crate::model::ledger::Event;
use crate::model::limits::NUMBER_MAX;
use crate::model::{Clock, Digest, PayloadName, RelName};

/// Copies read at a time.
const PAGE: u32 = 256;

/// A copy that is not what it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadCopy {
    /// The copy.
    pub payload: PayloadName,
    /// What it should hash to.
    pub expected: Digest,
    /// Where its message is, or was, in the mailbox, as far as known.
    pub path: Option<RelName>,
}

/// What was found on a drive.
#[derive(Debug, Default)]
pub struct VerifyReport {
    /// Copies read.
    pub checked: u64,
    /// Copies that are what they should be.
    pub good: u64,
    /// Copies that are not, of messages this drive has no other good copy of.
    pub damaged: Vec<BadCopy>,
    /// Copies that are not there, likewise.
    pub missing: Vec<BadCopy>,
    /// Bad copies whose message has a good one on this drive under a later number.
    pub superseded: u64,
    /// It ended early, because it was asked to.
    pub stopped: bool,
}

/// Reads both logs of an admitted drive from their first byte to their last: what of them is damaged. That counts from
/// now on, and is written again when the drive is next admitted to be written. Ended early it has found nothing.
pub fn verify_logs(
    catalogue: &Catalogue,
    drive: &Replica,
    progress: &dyn Progress,
) -> Result<Vec<LogDamage>, JobError> {
    let replica = &drive.state;
    let mut check = LogCheck::new(replica);
    let logs = Logs { catalogue, volume: &*drive.volume, dir: &drive.dir, replica };
    while check.found().is_none() && !progress.stop() {
        check.go_on(&logs, u64::MAX, &|| progress.stop())?;
    }
    let Some(found) = check.found() else { return Ok(Vec::new()) };
    if found.iter().any(|damage| damage.unreadable) {
        catalogue.mark_worn(replica.drive, READ_ERROR)?;
    }
    catalogue.set_log_damage(replica.row, found)?;
    Ok(found.to_vec())
}

/// Reads all copies of an admitted drive. With `record`, what was found goes into the ledger.
pub fn verify(
    catalogue: &Catalogue,
    drive: &mut Replica,
    clock: &dyn Clock,
    progress: &dyn Progress,
    record: bool,
) -> Result<VerifyReport, JobError> {
    let mut report = VerifyReport::default();
    let mut events = Vec::new();
    let mut bad: Vec<(CopyRow, CopyCheck)> = Vec::new();
    let (mut after, mut failing) = (0, false);
    'all: loop {
        let page = catalogue.payloads_after(drive.state.row, after, PAGE)?;
        let Some(last) = page.last() else { break };
        after = last.name.number;
        for copy in page {
            if copy.state.is_given_up() {
                continue;
            }
            if progress.stop() {
                report.stopped = true;
                break 'all;
            }
            let found = hash_copy(&*drive.volume, &drive.dir, copy.name, copy.identity.bytes)?;
            report.checked += 1;
            failing |= found.is_failing();
            progress.advance(1, copy.identity.bytes);
            let judged = judge(catalogue, drive, &copy, found)?;
            report.good += u64::from(judged.good);
            events.extend(judged.event);
            if let Some(state) = judged.state {
                catalogue.set_payload_state(drive.state.row, copy.name.number, state)?;
            }
            // Debris is nobody's message: that it is gone, as after a failed sync, is no loss.
            if !judged.good && copy.state != CopyState::Debris {
                bad.push((copy, found));
            }
        }
    }
    if !report.stopped {
        catalogue.read_here(drive.state.row, 0..=NUMBER_MAX)?;
        let unreadable = catalogue.log_damage(drive.state.row)?.iter().any(|log| log.unreadable);
        if !failing && !unreadable {
            catalogue.clear_worn(drive.state.drive)?;
        }
    }
    split_superseded(catalogue, drive.state.row, bad, &mut report)?;
    if !report.damaged.is_empty() || !report.missing.is_empty() {
        drive.state.recorded_through = 0;
    }
    if record && !report.stopped {
        events.push(Event::Verified {
            checked: report.checked,
            damaged: report.damaged.len() as u64,
            absent: report.missing.len() as u64,
        });
    }
    if record && !events.is_empty() {
        let stamp = clock.stamp();
        drive.record(catalogue, &stamp, events)?;
    }
    Ok(report)
}

/// What a copy turned out to be.
pub(super) struct Judged {
    /// It is what it should be.
    pub good: bool,
    /// How it stands from now on, if that is another way than before.
    pub state: Option<CopyState>,
    /// What the ledger is to be told.
    pub event: Option<Event>,
}

/// Judges what was read of a copy, and what that says of its drive.
pub(super) fn judge(
    catalogue: &Catalogue,
    drive: &Replica,
    copy: &CopyRow,
    found: CopyCheck,
) -> Result<Judged, JobError> {
    if found == CopyCheck::Is(copy.identity) {
        let known = copy.state.is_whole() || copy.state == CopyState::Debris;
        let (state, event) = match known {
            true => (None, None),
            false => (Some(CopyState::Good), Some(Event::Sound { payload: copy.name })),
        };
        return Ok(Judged { good: true, state, event });
    }
    let replica = &drive.state;
    if let CopyCheck::Is(other) = found {
        catalogue.note_wrong(
            replica.drive,
            replica.row,
            copy.name.number,
            &copy.identity,
            &other,
        )?;
    }
    if found.is_failing() {
        catalogue.mark_worn(replica.drive, READ_ERROR)?;
    }
    let state = match found {
        CopyCheck::Absent => CopyState::Missing,
        _ => CopyState::Damaged,
    };
    let (state, event) = match copy.state == state {
        true => (None, None),
        false => (Some(state), Some(found.event(copy.name))),
    };
    Ok(Judged { good: false, state, event })
}

/// Tells the copies that are missed from those whose message has a good one beside them.
fn split_superseded(
    catalogue: &Catalogue,
    replica: ReplicaRowId,
    bad: Vec<(CopyRow, CopyCheck)>,
    report: &mut VerifyReport,
) -> Result<(), JobError> {
    for (copy, found) in bad {
        if matches!(catalogue.held(replica, copy.content)?, CopyStatus::Good(_)) {
            report.superseded += 1;
            continue;
        }
        let path = catalogue.path_of(copy.content)?;
        let bad = BadCopy { payload: copy.name, expected: copy.identity.digest, path };
        match found {
            CopyCheck::Absent => report.missing.push(bad),
            _ => report.damaged.push(bad),
        }
    }
    Ok(())
}
