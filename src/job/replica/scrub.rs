//! Reads a drive again while nobody needs it, in steps: its logs, its copies, and the same messages on the card. Keeps
//! nothing open between two steps, and writes no copy: a pass makes bad ones again.

use super::copy::{CopyCheck, HashStep, PartialHash, hash_piece};
use super::judge::CopyVerdict;
use super::log_check::{LogCheck, Logs, finding};
use super::open::{Replica, session_of};
use crate::job::catalogue::{Catalogue, CopyRow, FileRow, ReplicaRowId};
use crate::job::scan::OpenMailbox;
use crate::job::{JobError, Progress};
use crate::model::ledger::Event;
use crate::model::limits::{SCRUB_DUE_EIGHTHS, SCRUB_STEP_BYTES, SCRUB_STEP_COPIES};
use crate::model::{Clock, Finding, MailboxName, PayloadName};
use std::time::Duration;

/// How often and how fast copies are read again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScrubRules {
    /// Every copy is read within this span; zero: never.
    pub every: Duration,
    /// At most this many bytes a second.
    pub max_rate: u64,
}

impl ScrubRules {
    /// The time until the next step of a replica is due; `None`: never.
    pub fn due(
        &self,
        catalogue: &Catalogue,
        replica: ReplicaRowId,
        clock: &dyn Clock,
    ) -> Result<Option<Duration>, JobError> {
        if self.every.is_zero() {
            return Ok(None);
        }
        catalogue.scrub_due(replica, self.every / 8 * SCRUB_DUE_EIGHTHS, clock).map(Some)
    }

    /// The least time that reading this many bytes may take.
    pub fn time_for(&self, bytes: u64) -> Duration {
        Duration::from_secs_f64(bytes as f64 / self.max_rate.max(1) as f64)
    }
}

/// What a step left in the middle.
pub struct Unfinished {
    /// The mount in which it began: in another one it is void.
    mount: String,
    target: ScrubTarget,
    part: PartialHash,
}

enum ScrubTarget {
    Logs(Box<LogCheck>),
    Copy(PayloadName),
    Message(Box<FileRow>),
}

/// The result of a step.
#[derive(Debug, Default)]
pub struct ScrubStep {
    /// Bytes read, from the drive and from the card.
    pub bytes: u64,
    /// What was found on the drive.
    pub findings: Vec<Finding>,
    /// What was found in the mailboxes.
    pub altered: Vec<(MailboxName, Finding)>,
    /// Copies have to be made again.
    pub lost: bool,
    /// The cycle is over: all copies of the drive were read.
    pub ended: bool,
}

/// The context of a scrub.
pub struct Scrubber<'a> {
    /// What this card knows of its mailboxes and drives.
    pub catalogue: &'a Catalogue,
    /// The mailboxes whose messages are compared.
    pub mailboxes: &'a [OpenMailbox],
    /// Where the time comes from.
    pub clock: &'a dyn Clock,
    /// Receives the progress, and is asked before every buffer whether to stop.
    pub progress: &'a dyn Progress,
    /// Whether results may be written to the ledger.
    pub record: bool,
}

impl Scrubber<'_> {
    /// Takes a step; begins a cycle if none is under way. A step that is interrupted anywhere is repeated: a copy
    /// counts as read only after the result is in the ledger.
    pub fn step(
        &self,
        drive: &mut Replica,
        unfinished: &mut Option<Unfinished>,
    ) -> Result<ScrubStep, JobError> {
        let (catalogue, replica) = (self.catalogue, drive.state.row);
        let mut step = ScrubStep::default();
        let mount = session_of(&self.clock.event_time(), &*drive.volume);
        let mut begun = unfinished.take().filter(|rest| rest.mount == mount);
        if let Some(Unfinished { target: ScrubTarget::Message(row), part, .. }) =
            begun.take_if(|rest| matches!(rest.target, ScrubTarget::Message(_)))
        {
            *unfinished = self.message(*row, part, &mount, &mut step)?;
        }
        let cycle = catalogue.cycle_under_way(replica, self.clock)?;
        if unfinished.is_none() && !catalogue.logs_read_in(replica, cycle)? {
            let check = match begun.take_if(|rest| matches!(rest.target, ScrubTarget::Logs(_))) {
                Some(Unfinished { target: ScrubTarget::Logs(check), .. }) => Some(check),
                _ => None,
            };
            *unfinished = self.logs(drive, check, cycle, &mount, &mut step)?;
            // Lost lines of the ledger are written again before copies are compared with it.
            if step.lost {
                return self.end_step(drive, cycle, &[], step);
            }
        }
        let mut copies = catalogue.copies_to_scrub(replica, cycle, SCRUB_STEP_COPIES)?;
        if let Some(ScrubTarget::Copy(name)) = begun.as_ref().map(|rest| &rest.target) {
            copies.sort_by_key(|copy| copy.name != *name);
        }
        let whole_page = copies.len() == SCRUB_STEP_COPIES as usize;
        let mut verdicts = Vec::new();
        for copy in copies {
            if unfinished.is_some() || step.bytes >= SCRUB_STEP_BYTES || self.progress.stop() {
                return self.end_step(drive, cycle, &verdicts, step);
            }
            let part = match begun
                .take_if(|rest| matches!(rest.target, ScrubTarget::Copy(n) if n == copy.name))
            {
                Some(rest) => rest.part,
                None => PartialHash::default(),
            };
            let (before, longest) = (part.read(), copy.identity.bytes);
            let bounds = (longest, SCRUB_STEP_BYTES - step.bytes);
            let stop = || self.progress.stop();
            match hash_piece(&*drive.volume, &drive.dir, copy.name, part, bounds, &stop)? {
                HashStep::More(part) => {
                    step.bytes += part.read() - before;
                    let mount = mount.clone();
                    *unfinished =
                        Some(Unfinished { mount, target: ScrubTarget::Copy(copy.name), part });
                }
                HashStep::Done(found) => {
                    step.bytes += longest.saturating_sub(before);
                    let verdict = self.judge(drive, &copy, found)?;
                    if let (true, Some(finding)) = (verdict.is_new(), verdict.finding()) {
                        finding.note(&mut step.findings);
                    }
                    if verdict.is_read_error() {
                        catalogue.error_in_cycle(replica)?;
                    }
                    verdicts.push(verdict);
                    if verdict.is_good() {
                        *unfinished = self.messages(&copy, &mount, &mut step)?;
                    }
                }
            }
        }
        step.ended = unfinished.is_none() && !whole_page;
        self.end_step(drive, cycle, &verdicts, step)
    }

    /// Judges a copy that was read, records what it says of the drive, and reports the progress.
    pub(super) fn judge(
        &self,
        drive: &Replica,
        copy: &CopyRow,
        found: CopyCheck,
    ) -> Result<CopyVerdict, JobError> {
        let verdict = found.judge(copy);
        verdict.note_drive(self.catalogue, &drive.state)?;
        self.progress.advance(1, copy.identity.bytes);
        Ok(verdict)
    }

    /// Reads both logs, or continues with them, once in a cycle and before its copies. The damage counts from then on;
    /// the next pass writes the lines again.
    fn logs(
        &self,
        drive: &Replica,
        check: Option<Box<LogCheck>>,
        cycle: i64,
        mount: &str,
        step: &mut ScrubStep,
    ) -> Result<Option<Unfinished>, JobError> {
        let (catalogue, replica) = (self.catalogue, &drive.state);
        let begun = check.filter(|check| check.is_of(replica));
        let mut check = begun.unwrap_or_else(|| Box::new(LogCheck::new(replica)));
        let logs = Logs { bag: drive.bag(catalogue), replica };
        let most = SCRUB_STEP_BYTES.saturating_sub(step.bytes);
        step.bytes += check.advance(&logs, most, &|| self.progress.stop())?;
        let known = catalogue.log_damage(replica.row)?;
        check.save(&logs)?;
        let Some(found) = check.damage_found() else {
            let (mount, part) = (mount.to_owned(), PartialHash::default());
            return Ok(Some(Unfinished { mount, target: ScrubTarget::Logs(check), part }));
        };
        for damage in found.iter().filter(|damage| !known.contains(damage)) {
            finding(damage).note(&mut step.findings);
        }
        step.lost |= self.record && found.iter().any(|damage| !damage.unreadable);
        if found.iter().any(|damage| damage.unreadable) {
            catalogue.error_in_cycle(replica.row)?;
        }
        catalogue.set_logs_read_in(replica.row, cycle)?;
        Ok(None)
    }

    /// Records the results of a step; after the last step, the end of the cycle.
    fn end_step(
        &self,
        drive: &mut Replica,
        cycle: i64,
        verdicts: &[CopyVerdict],
        mut step: ScrubStep,
    ) -> Result<ScrubStep, JobError> {
        // After lost lines every message is compared with this drive again.
        if step.lost {
            drive.state.recorded_through = 0;
            self.catalogue.save_replica(&drive.state)?;
        }
        step.lost |= self.save_verdicts(drive, verdicts, Some(cycle))?;
        if step.ended {
            self.end_cycle(drive)?;
        }
        Ok(step)
    }

    /// Appends what the verdicts require to the ledger, and only then stores in the catalogue what was read, as part of
    /// a cycle if there is one. Returns whether a copy is lost that the next pass has to make again.
    pub(super) fn save_verdicts(
        &self,
        drive: &mut Replica,
        verdicts: &[CopyVerdict],
        cycle: Option<i64>,
    ) -> Result<bool, JobError> {
        let (catalogue, replica) = (self.catalogue, drive.state.row);
        let stamp = self.clock.event_time();
        let lost = verdicts.iter().any(|verdict| verdict.is_new() && verdict.is_loss());
        let events: Vec<_> = verdicts.iter().filter_map(CopyVerdict::event).collect();
        if events.is_empty() && cycle.is_none() {
            return Ok(lost);
        }
        if self.record && !events.is_empty() {
            drive.record(catalogue, &stamp, events)?;
        }
        catalogue.write_transaction(|| {
            for verdict in verdicts {
                let number = verdict.copy().name.number;
                if verdict.is_new() {
                    catalogue.set_copy_state(replica, number, verdict.state())?;
                }
                if let Some(cycle) = cycle {
                    if verdict.is_good() {
                        catalogue.copies_reread(replica, number..=number, stamp.time)?;
                    }
                    catalogue.copy_in_cycle(replica, number, cycle)?;
                }
            }
            // A command that may not write to the drive must not store its state either: the daemon may be using it.
            if lost && (self.record || cycle.is_some()) {
                // Every message is compared with this drive again, so that what was lost is copied again.
                drive.state.recorded_through = 0;
                catalogue.save_replica(&drive.state)?;
            }
            Ok(())
        })?;
        Ok(lost)
    }

    /// Writes one line for the whole cycle.
    fn end_cycle(&self, drive: &mut Replica) -> Result<(), JobError> {
        let (catalogue, row) = (self.catalogue, drive.state.row);
        let stamp = self.clock.event_time();
        let totals = catalogue.cycle_totals(row)?;
        if catalogue.cycle_without_error(row)? {
            catalogue.clear_worn(drive.state.drive)?;
        }
        if !self.record || totals.checked == 0 {
            return catalogue.end_cycle(row, drive.state.drive, stamp.time);
        }
        let (checked, damaged, absent) = (totals.checked, totals.damaged, totals.missing);
        drive.record(catalogue, &stamp, vec![Event::Verified { checked, damaged, absent }])
    }

    /// Compares the messages on the card with a copy that is right.
    fn messages(
        &self,
        copy: &CopyRow,
        mount: &str,
        step: &mut ScrubStep,
    ) -> Result<Option<Unfinished>, JobError> {
        for row in self.catalogue.files_of(copy.content)? {
            let rest = self.message(row, PartialHash::default(), mount, step)?;
            if rest.is_some() {
                return Ok(rest);
            }
        }
        Ok(None)
    }

    /// Reads a message from the card, or the rest of one. A message that somebody has changed since the last scan is
    /// left to the next one.
    fn message(
        &self,
        row: FileRow,
        part: PartialHash,
        mount: &str,
        step: &mut ScrubStep,
    ) -> Result<Option<Unfinished>, JobError> {
        let Some(mailbox) = self.mailboxes.iter().find(|open| open.row == row.mailbox) else {
            return Ok(None);
        };
        let (path, Some(content)) = (row.path()?, row.content) else { return Ok(None) };
        let expected = self.catalogue.identity(content)?;
        let Ok(mut file) = mailbox.dir.open_message(&path) else { return Ok(None) };
        let facts = file.facts_at_open();
        if !row.file_stat().has_facts(&facts) {
            return Ok(None);
        }
        file.drop_cache();
        file.seek(part.read());
        let before = part.read();
        let most = SCRUB_STEP_BYTES.saturating_sub(step.bytes);
        let stop = || self.progress.stop();
        match part.advance(&mut file, expected.bytes, most, &stop) {
            Ok(HashStep::More(part)) => {
                step.bytes += part.read() - before;
                let of = ScrubTarget::Message(Box::new(row));
                return Ok(Some(Unfinished { mount: mount.to_owned(), target: of, part }));
            }
            Ok(HashStep::Done(identity)) => {
                step.bytes += expected.bytes.saturating_sub(before);
                let untouched = file.current_facts().is_ok_and(|now| now == facts);
                if identity != expected && untouched {
                    self.catalogue.mark_altered(&row, &identity)?;
                    step.altered.push((mailbox.name.clone(), Finding::MessageAltered { path }));
                }
            }
            Err(error) => {
                let why = error.errno.to_string();
                step.altered.push((mailbox.name.clone(), Finding::MessageUnreadable { path, why }));
            }
        }
        Ok(None)
    }
}
