//! Once over all changes that a drive was not told of: first what is there, then what is missing, then what has left,
//! at last one line that renews all of it. Never tells a drive that something left before it was told where it went.

use super::batch::{BatchPlan, BatchSize};
use super::pass::{Pass, PassReport};
use super::plan::{self, Step};
use crate::job::JobError;
use crate::job::catalogue::{ContentAt, DepartedRow, MailboxRowId};
use crate::job::replica::Replica;
use crate::model::ledger::Event;
use crate::model::limits::MARK_MAILBOXES_MAX;
use crate::model::{Position, Reason};
use std::collections::BTreeSet;

/// Rows of changes read at a time.
const PAGE: usize = 512;

struct Sweep<'a, 'p> {
    pass: &'a Pass<'p>,
    drive: &'a mut Replica,
    size: &'a mut BatchSize,
    report: &'a mut PassReport,
    batch: BatchPlan,
    position: Position,
    /// The first change that is not told.
    unfinished: u64,
    /// Something waits for what was just committed.
    again: bool,
    /// Mailboxes some of whose messages the ledger asserts, and not as of their last change.
    to_renew: BTreeSet<MailboxRowId>,
    /// What was asserted, where departures that were told of before may wait for it.
    asserted: Option<Vec<ContentAt>>,
}

impl Pass<'_> {
    /// Tells one admitted drive of everything new, the newest message first.
    pub fn run(&self, drive: &mut Replica) -> Result<PassReport, JobError> {
        let mut report = PassReport::default();
        let mut size = BatchSize::default();
        let anew = drive.state.recorded_through == 0 || drive.state.lacking.messages > 0;
        loop {
            // A batch whose messages were all gone has brought nothing, and would bring nothing again.
            let done = (report.copied, report.noted);
            report.failed.clear();
            report.failed_more = 0;
            let again = sweep(self, drive, &mut size, &mut report)?;
            if !again || (report.copied, report.noted) == done || report.stopped {
                break;
            }
        }
        if anew {
            drive.state.lacking = self.catalogue.lacking(&drive.state)?;
            self.catalogue.save_replica(&drive.state)?;
        }
        report.told_all = drive.state.recorded_through >= self.catalogue.change_no()?;
        report.lacking = drive.state.lacking;
        Ok(report)
    }
}

/// `true` if some must wait for what was just committed: the same content twice in one batch.
fn sweep(
    pass: &Pass<'_>,
    drive: &mut Replica,
    size: &mut BatchSize,
    report: &mut PassReport,
) -> Result<bool, JobError> {
    let Some(position) = pass.catalogue.position_now()? else { return Ok(false) };
    let until = position.n;
    let rows: Vec<String> = pass.mailboxes.iter().map(|open| open.row.to_string()).collect();
    let known: BTreeSet<&str> = drive.state.recorded_mailboxes.split(' ').collect();
    if rows.iter().any(|row| !known.contains(row.as_str())) {
        // Of that mailbox's changes so far it was told nothing.
        drive.state.recorded_through = 0;
    }
    let told = drive.state.recorded_through;
    if until == told {
        return Ok(false);
    }
    let waiting_before = pass.catalogue.has_departed_before(told)?;
    let mut sweep = Sweep {
        batch: BatchPlan::new(position, drive.volume.room()?),
        pass,
        drive,
        size,
        report,
        position,
        unfinished: u64::MAX,
        again: false,
        to_renew: BTreeSet::new(),
        asserted: waiting_before.then(Vec::new),
    };
    let whole = sweep.arrivals(told, until, false)?
        && sweep.missing(told, until)?
        && sweep.departures(told, until)?
        && sweep.renewals(told, until)?;
    let again = sweep.again || sweep.batch.learnt;
    sweep.report.learnt |= sweep.batch.learnt;
    let unfinished = sweep.unfinished;
    if !whole {
        report.stopped = true;
        return Ok(false);
    }
    let now = until.min(unfinished.saturating_sub(1));
    let told_of = rows.join(" ");
    if now != drive.state.recorded_through || told_of != drive.state.recorded_mailboxes {
        (drive.state.recorded_through, drive.state.recorded_mailboxes) = (now, told_of);
        pass.catalogue.save_replica(&drive.state)?;
    }
    Ok(again)
}

impl Sweep<'_, '_> {
    /// Messages of the mailbox, the newest first. `false`: a stop was asked for.
    fn arrivals(&mut self, told: u64, until: u64, by_line: bool) -> Result<bool, JobError> {
        let mut before = until + 1;
        loop {
            let page = self.pass.catalogue.changes(told, before, PAGE)?;
            let Some(last) = page.last() else { return Ok(true) };
            before = last.change_no;
            for row in &page {
                let by_line = by_line && self.to_renew.contains(&row.mailbox);
                match plan::arrival(self.pass, self.drive, row, &mut self.batch, by_line)? {
                    Step::Skip | Step::Depart(..) => {}
                    Step::Defer => {
                        self.again = true;
                        self.unfinished = self.unfinished.min(row.change_no);
                    }
                    Step::Renew => drop(self.to_renew.insert(row.mailbox)),
                    Step::Assert(event, place) => self.assert(event, place),
                    Step::Reject(reason) => {
                        self.unfinished = self.unfinished.min(row.change_no);
                        self.report.fail(self.pass, row.mailbox, row.path()?, reason);
                    }
                    Step::Copy(item) => {
                        if !self.batch.has_room_for(&item) && !self.batch.is_empty() {
                            // Room is counted with a margin: what is really left shows once this is committed.
                            self.commit()?;
                        }
                        if self.batch.has_room_for(&item) {
                            if let (Some(asserted), Some(content)) =
                                (&mut self.asserted, row.content)
                            {
                                asserted.push((row.mailbox, row.key.clone(), content));
                            }
                            self.batch.add(*item);
                        } else {
                            self.unfinished = self.unfinished.min(row.change_no);
                            self.report.fail(
                                self.pass,
                                row.mailbox,
                                row.path()?,
                                Reason::DriveFull,
                            );
                        }
                    }
                }
                if !self.goes_on()? {
                    return Ok(false);
                }
            }
        }
    }

    fn missing(&mut self, told: u64, until: u64) -> Result<bool, JobError> {
        let mut after = told;
        loop {
            let page = self.pass.catalogue.missing_after(after, until, PAGE)?;
            let Some(last) = page.last() else { return Ok(true) };
            after = last.change_no;
            for row in &page {
                let mut step = plan::missing(self.pass, self.drive, row, &self.batch)?;
                if matches!(step, Step::Defer) {
                    self.commit()?;
                    step = plan::missing(self.pass, self.drive, row, &self.batch)?;
                }
                if let Step::Assert(event, place) = step {
                    self.assert(event, place);
                }
                if !self.goes_on()? {
                    return Ok(false);
                }
            }
        }
    }

    fn departures(&mut self, told: u64, until: u64) -> Result<bool, JobError> {
        if !self.pass.catalogue.has_departed_before(until.saturating_add(1))? {
            return Ok(true);
        }
        let asserted = self.asserted.take();
        let (stopped, deferred) = self.depart(told, until, asserted.as_deref())?;
        if !stopped && deferred && !self.batch.copies.is_empty() {
            // They wait for copies that are to be in the ledger first.
            self.commit()?;
            return Ok(!self.depart(told, until, asserted.as_deref())?.0);
        }
        Ok(!stopped)
    }

    /// Whether a stop was asked for, and whether something must wait for a line that is not written yet.
    fn depart(
        &mut self,
        told: u64,
        until: u64,
        asserted: Option<&[ContentAt]>,
    ) -> Result<(bool, bool), JobError> {
        let full = self.report.failed.iter().any(|failed| failed.reason == Reason::DriveFull);
        let (mut after, mut deferred) = (told, false);
        loop {
            let page = self.pass.catalogue.departed_after(after, until, PAGE)?;
            let Some(last) = page.last() else { break };
            after = last.change_no;
            for row in &page {
                if full {
                    // Where it went to may be among what has no room.
                    self.unfinished = self.unfinished.min(row.change_no);
                    continue;
                }
                deferred |= self.departure(row)?;
                if !self.goes_on()? {
                    return Ok((true, deferred));
                }
            }
        }
        for place in asserted.unwrap_or_default() {
            for row in self.pass.catalogue.departed_for(place, told)? {
                deferred |= self.departure(&row)?;
            }
            if !self.goes_on()? {
                return Ok((true, deferred));
            }
        }
        Ok((false, deferred))
    }

    /// `true`: it waits for a line that is not written yet, and is looked at again when it is.
    fn departure(&mut self, row: &DepartedRow) -> Result<bool, JobError> {
        match plan::departure(self.pass, self.drive, row, &self.batch)? {
            Step::Depart(event, needs) => self.batch.departures.push((event, needs)),
            Step::Defer => return Ok(true),
            _ => {}
        }
        Ok(false)
    }

    /// One line says all of a mailbox again where that is true; else each message has a line of its own.
    fn renewals(&mut self, told: u64, until: u64) -> Result<bool, JobError> {
        self.commit()?;
        if self.to_renew.is_empty() {
            return Ok(true);
        }
        let (pass, replica) = (self.pass, self.drive.state.row);
        // The mailbox may have changed since this sweep began: what is said now is as of now.
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
            // It changes just now: the next pass renews what is left.
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
            whole = self.arrivals(told, until, true)?;
            // What waited for one of these lines is not looked at again in another pass.
            let asserted = self.asserted.take();
            whole = whole && !self.depart(until, until, asserted.as_deref())?.0;
        }
        self.commit()?;
        Ok(whole)
    }

    fn assert(&mut self, event: Event, place: ContentAt) {
        if let Some(asserted) = &mut self.asserted {
            asserted.push(place.clone());
        }
        self.batch.assert(event, place);
    }

    /// Commits a batch that is full. `false`: a stop was asked for.
    fn goes_on(&mut self) -> Result<bool, JobError> {
        if !self.size.is_full(&self.batch) {
            return Ok(true);
        }
        self.commit()?;
        Ok(!self.pass.progress.stop())
    }

    fn commit(&mut self) -> Result<(), JobError> {
        let mut next = BatchPlan::new(self.position, self.batch.room);
        next.learnt = self.batch.learnt;
        let batch = std::mem::replace(&mut self.batch, next);
        let unfinished = self.pass.commit(self.drive, batch, self.size, self.report)?;
        self.unfinished = self.unfinished.min(unfinished);
        self.batch.room = self.drive.volume.room()?;
        Ok(())
    }
}
