//! One run over all changes that a drive's ledger lacks: first what is present, then what is missing, then what has
//! left, and at last one line that renews all assertions. Never records that something left before it is recorded where
//! it went.

use super::batch::{BatchPlan, BatchSize};
use super::pass::{Pass, PassReport};
use super::plan::{self, KnownMessage, PlanStep};
use crate::job::JobError;
use crate::job::catalogue::{ContentAt, DepartedRow, FileRow, MailboxRowId};
use crate::job::replica::Replica;
use crate::model::ledger::Event;
use crate::model::limits::MARK_MAILBOXES_MAX;
use crate::model::{Position, Reason};
use std::collections::BTreeSet;

/// Rows of changes read from the catalogue at a time.
const PAGE: usize = 512;

struct PassRun<'a, 'p> {
    pass: &'a Pass<'p>,
    drive: &'a mut Replica,
    size: &'a mut BatchSize,
    report: &'a mut PassReport,
    batch: BatchPlan,
    position: Position,
    /// A scan is under way that will bring more changes: nothing is said of a whole mailbox yet.
    is_scanning: bool,
    /// The first change that is not recorded yet.
    unfinished: Option<u64>,
    /// Another run is needed: something depends on what was just committed.
    again: bool,
    /// Mailboxes with messages that the ledger asserts, but not as of their last change.
    to_renew: BTreeSet<MailboxRowId>,
    /// What this run asserted, kept if departures of earlier changes may depend on it.
    asserted: Option<Vec<ContentAt>>,
}

impl Pass<'_> {
    /// Records on an open drive everything new, the newest message first. While a scan is under way, it follows the
    /// scan, and goes through everything new once more after that.
    pub fn run(&self, drive: &mut Replica) -> Result<PassReport, JobError> {
        let mut report = PassReport::default();
        let mut size = BatchSize::default();
        let anew = drive.state.recorded_through == 0 || drive.state.lacking.messages > 0;
        let mut followed = None;
        loop {
            let is_scanning = self.progress.begin_run();
            let from = followed.filter(|_| is_scanning);
            let until = self.run_again(drive, from, is_scanning, (&mut size, &mut report))?;
            if !is_scanning || report.stopped {
                break;
            }
            followed = Some(until);
            self.progress.wait_for_more();
        }
        if anew {
            drive.state.lacking = self.catalogue.lacking(&drive.state)?;
            self.catalogue.save_replica(&drive.state)?;
        }
        report.is_complete = drive.state.recorded_through >= self.catalogue.change_no()?;
        report.lacking = drive.state.lacking;
        Ok(report)
    }

    /// Runs until nothing depends on what was just committed. Returns the last change that this is about.
    fn run_again(
        &self,
        drive: &mut Replica,
        followed: Option<u64>,
        is_scanning: bool,
        (size, report): (&mut BatchSize, &mut PassReport),
    ) -> Result<u64, JobError> {
        loop {
            // A batch whose messages were all gone has brought nothing, and would bring nothing again.
            let done = (report.copied, report.noted);
            report.failed.clear();
            report.failed_more = 0;
            let Some(position) = self.catalogue.position_now()? else { return Ok(0) };
            let again = run(self, drive, position, (followed, is_scanning), (size, report))?;
            if !again || (report.copied, report.noted) == done || report.stopped {
                return Ok(position.n);
            }
        }
    }
}

/// Records the changes since the last recorded one, or since `followed`, which a run of the same pass has gone
/// through. Returns `true` if another run is needed because something depends on what was just committed, as when one
/// content comes twice in one batch.
fn run(
    pass: &Pass<'_>,
    drive: &mut Replica,
    position: Position,
    (followed, is_scanning): (Option<u64>, bool),
    (size, report): (&mut BatchSize, &mut PassReport),
) -> Result<bool, JobError> {
    let until = position.n;
    let rows: Vec<String> = pass.mailboxes.iter().map(|open| open.row.to_string()).collect();
    let known: BTreeSet<&str> = drive.state.recorded_mailboxes.split(' ').collect();
    if rows.iter().any(|row| !known.contains(row.as_str())) {
        // None of that mailbox's changes is recorded there yet.
        drive.state.recorded_through = 0;
    }
    let recorded = drive.state.recorded_through;
    let from = recorded.max(followed.unwrap_or(0));
    if until == from {
        return Ok(false);
    }
    let deferred_before = pass.catalogue.has_departed_before(from)?;
    let mut run = PassRun {
        batch: BatchPlan::new(position, drive.volume.room()?),
        pass,
        drive,
        size,
        report,
        position,
        is_scanning,
        // What an earlier run of this pass has left out stays unfinished.
        unfinished: (recorded < from).then_some(recorded + 1),
        again: false,
        to_renew: BTreeSet::new(),
        asserted: deferred_before.then(Vec::new),
    };
    let whole = run.arrivals(from, until, false)?
        && run.missing(from, until)?
        && run.departures(from, until)?
        && run.renewals(from, until)?;
    let again = run.again || run.batch.others_need_pass;
    run.report.others_need_pass |= run.batch.others_need_pass;
    let unfinished = run.unfinished;
    if !whole {
        report.stopped = true;
        return Ok(false);
    }
    let now = unfinished.map_or(until, |change_no| until.min(change_no.saturating_sub(1)));
    let mailboxes = rows.join(" ");
    if now != drive.state.recorded_through || mailboxes != drive.state.recorded_mailboxes {
        (drive.state.recorded_through, drive.state.recorded_mailboxes) = (now, mailboxes);
        pass.catalogue.save_replica(&drive.state)?;
    }
    Ok(again)
}

impl PassRun<'_, '_> {
    fn note_unfinished(&mut self, change_no: u64) {
        self.unfinished = Some(self.unfinished.map_or(change_no, |first| first.min(change_no)));
    }

    /// Records messages that are present, the newest first. `false`: a stop was requested.
    fn arrivals(&mut self, from: u64, until: u64, by_line: bool) -> Result<bool, JobError> {
        let mut before = until + 1;
        loop {
            let page = self.pass.catalogue.changes(from, before, PAGE)?;
            let Some(last) = page.last() else { return Ok(true) };
            before = last.change_no;
            let mut rows = page.as_slice();
            while !rows.is_empty() {
                // What is looked up is true until the next commit, which comes no later than with a full batch.
                let some = &rows[..self.size.messages_left(&self.batch).min(rows.len())];
                let known = plan::look_up(self.pass, self.drive, some)?;
                let (committed, mut done) = (self.report.batches, 0);
                for (row, known) in some.iter().zip(known) {
                    self.arrival(row, known, by_line)?;
                    if !self.commit_if_full()? {
                        return Ok(false);
                    }
                    done += 1;
                    if self.report.batches != committed {
                        break;
                    }
                }
                rows = &rows[done..];
            }
        }
    }

    fn arrival(
        &mut self,
        row: &FileRow,
        known: Option<KnownMessage>,
        by_line: bool,
    ) -> Result<(), JobError> {
        let by_line = by_line && self.to_renew.contains(&row.mailbox);
        match plan::arrival(self.pass, self.drive, (row, known), &mut self.batch, by_line)? {
            PlanStep::Skip | PlanStep::Depart(..) => {}
            PlanStep::Defer => {
                self.again = true;
                self.note_unfinished(row.change_no);
            }
            PlanStep::Renew if self.is_scanning => self.note_unfinished(row.change_no),
            PlanStep::Renew => drop(self.to_renew.insert(row.mailbox)),
            PlanStep::Assert(event, content_at) => self.assert(event, content_at),
            PlanStep::Reject(reason) => self.reject(row, reason)?,
            PlanStep::Copy(item) => {
                if !self.batch.has_room_for(&item) && !self.batch.is_empty() {
                    // The estimate of room has a margin: how much is really left is known after this commit.
                    self.commit()?;
                }
                if !self.batch.has_room_for(&item) {
                    return self.reject(row, Reason::DriveFull);
                }
                if let (Some(asserted), Some(content)) = (&mut self.asserted, row.content) {
                    asserted.push((row.mailbox, row.key.clone(), content));
                }
                self.batch.add(*item);
            }
        }
        Ok(())
    }

    fn reject(&mut self, row: &FileRow, reason: Reason) -> Result<(), JobError> {
        self.note_unfinished(row.change_no);
        self.report.fail(self.pass, row.mailbox, row.path()?, reason);
        Ok(())
    }

    fn missing(&mut self, from: u64, until: u64) -> Result<bool, JobError> {
        let mut after = from;
        loop {
            let page = self.pass.catalogue.missing_after(after, until, PAGE)?;
            let Some(last) = page.last() else { return Ok(true) };
            after = last.change_no;
            for row in &page {
                let mut step = plan::missing(self.pass, self.drive, row, &self.batch)?;
                if matches!(step, PlanStep::Defer) {
                    self.commit()?;
                    step = plan::missing(self.pass, self.drive, row, &self.batch)?;
                }
                if let PlanStep::Assert(event, content_at) = step {
                    self.assert(event, content_at);
                }
                if !self.commit_if_full()? {
                    return Ok(false);
                }
            }
        }
    }

    fn departures(&mut self, from: u64, until: u64) -> Result<bool, JobError> {
        if !self.pass.catalogue.has_departed_before(until.saturating_add(1))? {
            return Ok(true);
        }
        let asserted = self.asserted.take();
        let (stopped, deferred) = self.depart(from, until, asserted.as_deref())?;
        if !stopped && deferred && !self.batch.copies.is_empty() {
            // These departures wait for copies that have to be in the ledger first.
            self.commit()?;
            return Ok(!self.depart(from, until, asserted.as_deref())?.0);
        }
        Ok(!stopped)
    }

    /// Returns whether a stop was requested, and whether a departure has to wait for a line that is not written yet.
    fn depart(
        &mut self,
        from: u64,
        until: u64,
        asserted: Option<&[ContentAt]>,
    ) -> Result<(bool, bool), JobError> {
        let full = self.report.failed.iter().any(|failed| failed.reason == Reason::DriveFull);
        let (mut after, mut deferred) = (from, false);
        loop {
            let page = self.pass.catalogue.departed_after(after, until, PAGE)?;
            let Some(last) = page.last() else { break };
            after = last.change_no;
            for row in &page {
                if full {
                    // The message may have gone to one that has no room.
                    self.note_unfinished(row.change_no);
                    continue;
                }
                deferred |= self.departure(row)?;
                if !self.commit_if_full()? {
                    return Ok((true, deferred));
                }
            }
        }
        for content_at in asserted.unwrap_or_default() {
            for row in self.pass.catalogue.departed_for(content_at, from)? {
                deferred |= self.departure(&row)?;
            }
            if !self.commit_if_full()? {
                return Ok((true, deferred));
            }
        }
        Ok((false, deferred))
    }

    /// Returns `true` if the departure waits for a line that is not written yet; it is decided again after that.
    fn departure(&mut self, row: &DepartedRow) -> Result<bool, JobError> {
        match plan::departure(self.pass, self.drive, row, &self.batch)? {
            PlanStep::Depart(event, needs) => self.batch.departures.push((event, needs)),
            PlanStep::Defer => return Ok(true),
            _ => {}
        }
        Ok(false)
    }

    /// Renews the assertions of a mailbox by one line where that is true, otherwise by a line for each message.
    fn renewals(&mut self, from: u64, until: u64) -> Result<bool, JobError> {
        self.commit()?;
        if self.to_renew.is_empty() {
            return Ok(true);
        }
        let (pass, replica) = (self.pass, self.drive.state.row);
        // The mailbox may have changed since this run began; the line speaks as of now.
        let until = pass.catalogue.change_no()?.max(until);
        self.position = pass.catalogue.position_at(until)?.unwrap_or(self.position);
        self.batch.position = self.position;
        let mut mailboxes = Vec::new();
        for mailbox in std::mem::take(&mut self.to_renew) {
            match pass.catalogue.may_be_marked(replica, mailbox)? {
                true => mailboxes.extend(pass.mailbox(mailbox).map(|open| open.name.clone())),
                false => drop(self.to_renew.insert(mailbox)),
            }
        }
        if pass.catalogue.change_no()? != until {
            // It is changing at this moment: the next pass renews the rest.
            self.again = true;
            return Ok(true);
        }
        for mailboxes in mailboxes.chunks(MARK_MAILBOXES_MAX) {
            let mark = Event::Mark { as_of: self.position, mailboxes: mailboxes.to_vec() };
            self.batch.notes.push(mark);
        }
        let mut whole = true;
        if !self.to_renew.is_empty() {
            self.asserted = Some(Vec::new());
            whole = self.arrivals(from, until, true)?;
            // Departures that wait for one of these lines come up in no later pass.
            let asserted = self.asserted.take();
            whole = whole && !self.depart(until, until, asserted.as_deref())?.0;
        }
        self.commit()?;
        Ok(whole)
    }

    fn assert(&mut self, event: Event, content_at: ContentAt) {
        if let Some(asserted) = &mut self.asserted {
            asserted.push(content_at.clone());
        }
        self.batch.assert(event, content_at);
    }

    /// Commits the batch if it is full. `false`: a stop was requested.
    fn commit_if_full(&mut self) -> Result<bool, JobError> {
        if !self.size.is_full(&self.batch) {
            return Ok(true);
        }
        self.commit()?;
        Ok(!self.pass.progress.stop())
    }

    fn commit(&mut self) -> Result<(), JobError> {
        let mut next = BatchPlan::new(self.position, self.batch.room);
        next.others_need_pass = self.batch.others_need_pass;
        let batch = std::mem::replace(&mut self.batch, next);
        let unfinished = self.pass.commit(self.drive, batch, self.size, self.report)?;
        unfinished.into_iter().for_each(|change_no| self.note_unfinished(change_no));
        self.batch.room = self.drive.volume.room()?;
        Ok(())
    }
}
