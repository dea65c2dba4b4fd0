//! Applies ledger lines to the tables of copies, assertions and departures: those read from a drive and those just
//! committed alike, so that both are understood the same way.

use super::contents::ContentTimes;
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::writers::bits;
use super::{Catalogue, ContentAt, CopyState, ReplicaState};
use crate::disk::STAGING;
use crate::job::JobError;
use crate::model::ledger::{Assertion, Departure, Event, Line, LineTrust, Location};
use crate::model::limits::{COUNT_MAX, NUMBER_MAX};
use crate::model::{
    EventTime, Identity, MailboxName, PayloadName, Position, RelName, Suspicion, Timestamp,
};
use rusqlite::params;

impl Catalogue {
    /// Takes one ledger line into the tables. `gaps` are the unreadable lines before it.
    pub fn apply(
        &self,
        replica: &mut ReplicaState,
        line: &Line,
        trust: LineTrust,
        gaps: u64,
    ) -> Result<(), JobError> {
        match &line.event {
            Event::Opened { .. } => {}
            Event::Writer { writer, links } => {
                self.define_writer((replica.row, line.seq), *writer, links)?;
            }
            Event::Witness { drive, line: seq, hash } => {
                self.witness(replica.row, line.seq, (*drive, *seq, *hash))?;
            }
            Event::Mailbox { mailbox, root } => {
                let mailbox = self.mailbox(mailbox, None)?;
                self.db.execute(
                    "INSERT OR REPLACE INTO replica_mailbox VALUES (?1, ?2, ?3)",
                    params![replica.row, mailbox, root],
                )?;
            }
            Event::Mirrored { payload, identity, assertion, replaces: _ } => {
                let content =
                    self.content_first_proven(identity, &ContentTimes::of(assertion, &line.stamp))?;
                self.put_payload(replica, *payload, content, proven(trust), &line.stamp)?;
                self.assert(replica, line.seq, content, assertion, false)?;
                self.note_written(replica.row, identity.bytes, &line.stamp)?;
            }
            Event::Placed { identity, assertion } => {
                let content = self.content(identity)?;
                self.mark_adopted_good(replica.row, content)?;
                self.assert(replica, line.seq, content, assertion, false)?;
            }
            Event::Missing { identity, assertion } => {
                let content = self.content(identity)?;
                self.mark_adopted_good(replica.row, content)?;
                self.assert(replica, line.seq, content, assertion, true)?;
            }
            Event::Removed(departure) => self.depart(replica, line.seq, departure, gaps)?,
            Event::Mark { as_of, mailboxes } => self.mark(replica, line.seq, *as_of, mailboxes)?,
            Event::Verified { .. } => {
                self.copies_reread(replica.row, 0..=NUMBER_MAX, line.stamp.time)?;
                self.drive_verified(replica.drive, line.stamp.time)?;
                self.cycle_ended(replica.row, line.stamp.time)?;
            }
            Event::Recovered { .. } => {
                self.db.execute(
                    "UPDATE payload SET state = ?2 WHERE replica = ?1 AND state = ?3",
                    params![replica.row, CopyState::Good, CopyState::Claimed],
                )?;
            }
            copy @ (Event::Adopted { .. }
            | Event::Debris { .. }
            | Event::Damaged { .. }
            | Event::Absent { .. }
            | Event::Sound { .. }
            | Event::Pruned { .. }) => self.apply_to_copy(replica, copy, line, trust)?,
        }
        Ok(())
    }

    /// Applies a line about one copy, and not about its location.
    fn apply_to_copy(
        &self,
        replica: &mut ReplicaState,
        event: &Event,
        line: &Line,
        trust: LineTrust,
    ) -> Result<(), JobError> {
        match event {
            Event::Adopted { payload, identity } => {
                let content = self.content(identity)?;
                // Where the ledger has a location for it already, it needs no further line to count.
                let state = match proven(trust) {
                    CopyState::Good if !self.was_placed(replica.row, content)? => {
                        CopyState::Adopted
                    }
                    state => state,
                };
                self.put_payload(replica, *payload, content, state, &line.stamp)?;
            }
            Event::Debris { payload, identity } => {
                let content = self.content(identity)?;
                self.put_payload(replica, *payload, content, CopyState::Debris, &line.stamp)?;
            }
            Event::Damaged { payload, .. } => {
                self.set_copy_state(replica.row, payload.number, CopyState::Damaged)?;
            }
            Event::Absent { payload } => {
                self.set_copy_state(replica.row, payload.number, CopyState::Missing)?;
            }
            Event::Sound { payload } => {
                self.set_copy_state(replica.row, payload.number, CopyState::Good)?;
                self.copies_reread(replica.row, payload.number..=payload.number, line.stamp.time)?;
            }
            // Whole, but not vouched for, a line makes nothing be removed; nor does one about what has a place.
            Event::Pruned { payload, identity } if trust == LineTrust::Sound => {
                let content = self.content(identity)?;
                let same = self.payload(replica.row, payload.number)?;
                let same =
                    same.is_some_and(|copy| copy.name == *payload && copy.content == content);
                if same && !self.is_placed(replica.row, content)? {
                    self.set_copy_state(replica.row, payload.number, CopyState::GivenUp)?;
                }
            }
            // Applied elsewhere; no copy is concerned.
            _ => {}
        }
        Ok(())
    }

    /// A copy adopted after a power failure has its place now.
    fn mark_adopted_good(
        &self,
        replica: ReplicaRowId,
        content: ContentRowId,
    ) -> Result<(), JobError> {
        let sql = "UPDATE payload INDEXED BY payload_by_content SET state = ?3 WHERE content = ?2 \
                   AND replica = ?1 AND state = ?4";
        self.change(sql, params![replica, content, CopyState::Good, CopyState::Adopted])?;
        Ok(())
    }

    fn put_payload(
        &self,
        replica: &mut ReplicaState,
        payload: PayloadName,
        content: ContentRowId,
        state: CopyState,
        stamp: &EventTime,
    ) -> Result<(), JobError> {
        let sql = "INSERT OR REPLACE INTO payload (replica, number, segment, extension, content, \
                   state, proven, reread) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0)";
        self.change(
            sql,
            params![
                replica.row,
                payload.number,
                payload.segment,
                payload.extension.as_str(),
                content,
                state,
                stamp.time.seconds,
            ],
        )?;
        // A number given out by this very commit was counted when it was given out.
        if payload.number >= replica.next_number {
            replica.next_number = payload.number.saturating_add(1);
            match payload.segment.cmp(&replica.segment) {
                std::cmp::Ordering::Greater => {
                    replica.segment = payload.segment;
                    replica.segment_used = 1;
                }
                std::cmp::Ordering::Equal => replica.segment_used += 1,
                std::cmp::Ordering::Less => {}
            }
        }
        Ok(())
    }

    /// A copy known from the manifest or from its file alone, and not from the ledger.
    pub fn claim_payload(
        &self,
        replica: &mut ReplicaState,
        payload: PayloadName,
        identity: &Identity,
    ) -> Result<(), JobError> {
        let never = EventTime { time: Timestamp::default(), trusted: false, boot: String::new() };
        self.put_payload(replica, payload, self.content(identity)?, CopyState::Claimed, &never)
    }

    fn assert(
        &self,
        replica: &ReplicaState,
        line: u64,
        content: ContentRowId,
        assertion: &Assertion,
        missing: bool,
    ) -> Result<(), JobError> {
        // No mailbox has a message there, and no restore puts one there: only a forged line says so.
        if assertion.location.path.parts().any(|part| part == STAGING.as_bytes()) {
            return Ok(());
        }
        let (mailbox, key) = self.row_and_key(&assertion.location)?;
        let as_of = self.as_of(assertion.as_of)?;
        let sql = "INSERT OR REPLACE INTO assertion (replica, mailbox, key, content, line, writer, \
                   n, as_of, missing, suspect, modified_s, modified_n, mode) VALUES \
                   (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13)";
        self.change(
            sql,
            params![
                replica.row,
                mailbox,
                key,
                content,
                line as i64,
                bits(assertion.as_of.writer),
                assertion.as_of.n as i64,
                as_of as i64,
                missing,
                assertion.suspect.map(Suspicion::as_str),
                assertion.modified.seconds,
                assertion.modified.nanos,
                assertion.mode,
            ],
        )?;
        Ok(())
    }

    /// A departure counts only where its writer knew of every gap, here of those before it, and only after a line of
    /// the location that has what came after it.
    fn depart(
        &self,
        replica: &ReplicaState,
        line: u64,
        departure: &Departure,
        gaps: u64,
    ) -> Result<(), JobError> {
        let (mailbox, key) = self.row_and_key(&departure.location)?;
        let content = self.content(&departure.identity)?;
        let to = departure.to.as_ref().map(|to| self.row_and_key(to)).transpose()?;
        let successor =
            departure.successor.as_ref().map(|successor| self.content(successor)).transpose()?;
        let backed = match &to {
            Some((mailbox, key)) => {
                self.was_asserted(replica.row, *mailbox, key, successor.unwrap_or(content))?
            }
            None => true,
        };
        let sql = // What was asserted before the last departure was ended by that.
                "UPDATE assertion SET ended = ?5 WHERE replica = ?1 AND mailbox = ?2 AND key = ?3 AND content = ?4 \
                 AND line > coalesce((SELECT max(line) FROM departure WHERE replica = ?1 AND mailbox = ?2 \
                 AND key = ?3 AND content = ?4), -1) AND ended IS NULL";
        self.change(sql, params![replica.row, mailbox, key, content, line as i64])?;
        let sql = "INSERT OR REPLACE INTO departure (replica, mailbox, key, content, line, writer, \
                   n, gaps, why, counts, to_mailbox, to_key, to_content) VALUES \
                   (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13)";
        self.change(
            sql,
            params![
                replica.row,
                mailbox,
                key,
                content,
                line as i64,
                bits(departure.position.writer),
                departure.position.n as i64,
                departure.gaps.min(COUNT_MAX) as i64,
                departure.why.as_str(),
                backed && gaps <= departure.gaps,
                to.as_ref().map(|to| to.0),
                to.as_ref().map(|to| &to.1),
                successor,
            ],
        )?;
        Ok(())
    }

    /// After a ledger was read: an unreadable line, before a departure or after it, may have asserted again what left.
    /// Only a writer that knew of all such lines can say that it is gone.
    pub fn discount_departures(&self, replica: &ReplicaState) -> Result<(), JobError> {
        let sql = "UPDATE departure SET counts = 0 WHERE replica = ?1 AND counts AND gaps < ?2";
        self.change(sql, params![replica.row, replica.gaps as i64])?;
        Ok(())
    }

    fn mark(
        &self,
        replica: &ReplicaState,
        line: u64,
        position: Position,
        mailboxes: &[MailboxName],
    ) -> Result<(), JobError> {
        let as_of = self.as_of(position)? as i64;
        for mailbox in mailboxes {
            // Where the ledger asserts nothing of a mailbox there is nothing to renew.
            let Some(mailbox) = self.asserted_mailbox(replica.row, mailbox)? else { continue };
            let sql = "UPDATE mark SET latest = 0 WHERE replica = ?1 AND mailbox = ?2 AND latest \
                       AND as_of <= ?3";
            self.change(sql, params![replica.row, mailbox, as_of])?;
            self.change(
                "INSERT OR REPLACE INTO mark VALUES (?1,?2,?3,?4,?5,?6,1)",
                params![
                    replica.row,
                    mailbox,
                    line as i64,
                    bits(position.writer),
                    position.n as i64,
                    as_of,
                ],
            )?;
        }
        Ok(())
    }

    /// The row of a mailbox, if a ledger asserts anything of it.
    fn asserted_mailbox(
        &self,
        replica: ReplicaRowId,
        mailbox: &MailboxName,
    ) -> Result<Option<MailboxRowId>, JobError> {
        let sql = "SELECT id FROM mailbox m WHERE name = ?2 AND EXISTS (SELECT 1 FROM assertion \
                   WHERE replica = ?1 AND mailbox = m.id)";
        self.first_row(sql, params![replica, mailbox.as_str()])
    }

    /// A location as lines name it.
    pub fn location(&self, mailbox: MailboxRowId, key: &[u8]) -> Result<Location, JobError> {
        let (mailbox, _) = self.mailbox_name(mailbox)?;
        let path =
            RelName::from_key(key).map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        Ok(Location { mailbox, path })
    }

    /// What came after a content, as a departure names it: the location that has it, and what it is, where it is
    /// another one.
    pub fn successor_for_line(
        &self,
        to: Option<&ContentAt>,
        content: ContentRowId,
    ) -> Result<(Option<Location>, Option<Identity>), JobError> {
        let Some((mailbox, key, successor)) = to else { return Ok((None, None)) };
        let other = Some(*successor).filter(|successor| *successor != content);
        let other = other.map(|successor| self.identity(successor)).transpose()?;
        Ok((Some(self.location(*mailbox, key)?), other))
    }

    fn row_and_key(&self, location: &Location) -> Result<(MailboxRowId, Vec<u8>), JobError> {
        Ok((self.mailbox(&location.mailbox, None)?, location.path.key()))
    }
}

fn proven(trust: LineTrust) -> CopyState {
    match trust {
        LineTrust::Sound => CopyState::Good,
        LineTrust::PastBreak => CopyState::Claimed,
    }
}
