//! Reads everything on a drive again in one go: a scrub without steps, for a person who waits. Repairs nothing: the
//! next mirror pass makes a damaged copy again, under a new number.

use super::log_check::{LogCheck, Logs};
use super::open::Replica;
use super::scrub::Scrubber;
use crate::job::catalogue::{Catalogue, CopyStatus, LogDamage};
use crate::job::{JobError, Progress};
use crate::model::ledger::Event;
use crate::model::limits::NUMBER_MAX;
use crate::model::{Clock, Digest, PayloadName, RelName};

/// Copies read from the catalogue, and recorded, at a time.
const PAGE: u32 = 256;

/// A copy that is not what it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadCopy {
    /// The copy's file.
    pub payload: PayloadName,
    /// The hash that it should have.
    pub expected: Digest,
    /// Where its message is, or was, in the mailbox; none if the catalogue does not know.
    pub path: Option<RelName>,
}

/// The result of a verify.
#[derive(Debug, Default)]
pub struct VerifyReport {
    /// Copies read.
    pub checked: u64,
    /// Copies that are what they should be.
    pub good: u64,
    /// Damaged copies of messages that this drive has no other good copy of.
    pub damaged: Vec<BadCopy>,
    /// Missing copies of such messages.
    pub missing: Vec<BadCopy>,
    /// Bad copies whose message has a good one on this drive under a later number.
    pub superseded: u64,
    /// It ended early, on request.
    pub stopped: bool,
}

/// Reads both logs of an open replica from their first byte to their last, and returns what of them is damaged. The
/// damage counts from now on; it is written again when the drive is next opened for writing. A check that is stopped
/// finds nothing.
pub fn verify_logs(
    catalogue: &Catalogue,
    drive: &Replica,
    progress: &dyn Progress,
) -> Result<Vec<LogDamage>, JobError> {
    let mut check = LogCheck::new(&drive.state);
    let logs = Logs { bag: drive.bag(catalogue), replica: &drive.state };
    while check.damage_found().is_none() && !progress.stop() {
        check.advance(&logs, u64::MAX, &|| progress.stop())?;
    }
    check.save(&logs)?;
    Ok(check.damage_found().unwrap_or_default().to_vec())
}

/// Reads all copies of an open replica. With `record`, the results go into the drive's ledger.
pub fn verify(
    catalogue: &Catalogue,
    drive: &mut Replica,
    clock: &dyn Clock,
    progress: &dyn Progress,
    record: bool,
) -> Result<VerifyReport, JobError> {
    Scrubber { catalogue, mailboxes: &[], clock, progress, record }.verify(drive)
}

impl Scrubber<'_> {
    fn verify(&self, drive: &mut Replica) -> Result<VerifyReport, JobError> {
        let (catalogue, replica) = (self.catalogue, drive.state.row);
        let mut report = VerifyReport::default();
        let mut bad = Vec::new();
        let (mut after, mut read_error) = (0, false);
        while !report.stopped {
            let page = catalogue.payloads_after(replica, after, PAGE)?;
            let Some(last) = page.last() else { break };
            after = last.name.number;
            let mut verdicts = Vec::new();
            for copy in page.into_iter().filter(|copy| !copy.state.is_given_up()) {
                report.stopped = self.progress.stop();
                if report.stopped {
                    break;
                }
                let found = drive.hash(copy.name, copy.identity.bytes)?;
                let verdict = self.judge(drive, &copy, found)?;
                report.checked += 1;
                report.good += u64::from(verdict.is_good());
                read_error |= verdict.is_read_error();
                bad.extend(verdict.is_loss().then_some(verdict));
                verdicts.push(verdict);
            }
            self.save_verdicts(drive, &verdicts, None)?;
        }
        if !report.stopped {
            catalogue.read_here(replica, 0..=NUMBER_MAX)?;
            let unreadable = catalogue.log_damage(replica)?.iter().any(|log| log.unreadable);
            if !read_error && !unreadable {
                catalogue.clear_worn(drive.state.drive)?;
            }
        }
        // Whether a message has a good copy elsewhere on the drive is known only after all were read.
        for verdict in bad {
            let copy = verdict.copy();
            if matches!(catalogue.copy_status(replica, copy.content)?, CopyStatus::Good(_)) {
                report.superseded += 1;
                continue;
            }
            let path = catalogue.path_of(copy.content)?;
            let list = if verdict.is_absent() { &mut report.missing } else { &mut report.damaged };
            list.push(BadCopy { payload: copy.name, expected: copy.identity.digest, path });
        }
        let (damaged, absent) = (report.damaged.len() as u64, report.missing.len() as u64);
        if damaged + absent > 0 {
            drive.state.recorded_through = 0;
        }
        if self.record && !report.stopped {
            let event = Event::Verified { checked: report.checked, damaged, absent };
            drive.record(catalogue, &self.clock.event_time(), vec![event])?;
        }
        Ok(report)
    }
}
