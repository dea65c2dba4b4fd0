//! Takes ledger lines into the tables of copies and places: those read from a drive and those just
//! committed alike, so that both are understood the same way.

use super::contents::First;
use super::{BookRow, Catalogue, GONE_MOVED, GONE_REMOVED, GONE_VANISHED, PayloadState};
use crate::job::JobError;
use crate::model::ledger::{Event, Line, Place, Standing};
use crate::model::limits::NUMBER_MAX;
use crate::model::{Identity, MailboxName, Moment, Order, PayloadName, RelName, Stamp, Suspicion};
use rusqlite::params;

impl Catalogue {
    /// Takes one ledger line into the tables.
    pub fn fold(
        &self,
        book: &mut BookRow,
        line: &Line,
        standing: Standing,
    ) -> Result<(), JobError> {
        match &line.event {
            Event::Opened { card, era, .. } => {
                if *era >= book.era {
                    book.era = *era;
                    book.card = card.to_string();
                }
            }
            Event::Mailbox { mailbox, root } => {
                let mailbox = self.mailbox(mailbox, None)?;
                self.db.execute(
                    "INSERT OR REPLACE INTO book_mailbox VALUES (?1, ?2, ?3)",
                    params![book.row, mailbox, root],
                )?;
            }
            Event::Mirrored { payload, identity, place, replaces: _ } => {
                let content = self.content_told(identity, &First::of(place, &line.stamp))?;
                self.put_payload(book, *payload, content, proven(standing), &line.stamp)?;
                self.put_place(book, content, place)?;
                self.book_filled(book.row, identity.bytes, &line.stamp)?;
            }
            Event::Placed { identity, place } => {
                let content = self.content(identity)?;
                self.settle_adopted(book.row, content)?;
                self.put_place(book, content, place)?;
            }
            Event::Moved { identity, place, from_mailbox, from } => {
                self.set_place_gone(book, from_mailbox, from, GONE_MOVED, place.order)?;
                let content = self.content(identity)?;
                self.settle_adopted(book.row, content)?;
                self.put_place(book, content, place)?;
            }
            Event::Removed { mailbox, path, order } => {
                self.set_place_gone(book, mailbox, path, GONE_REMOVED, *order)?;
            }
            Event::Vanished { mailbox, path, order } => {
                self.set_place_gone(book, mailbox, path, GONE_VANISHED, *order)?;
            }
            Event::Verified { .. } => {
                self.copies_reread(book.row, 0..=NUMBER_MAX, line.stamp.time)?;
                self.drive_verified(book.drive, line.stamp.time)?;
                self.round_ended(book.row, line.stamp.time)?;
            }
            Event::Recovered { .. } => {
                self.db.execute(
                    "UPDATE payload SET state = 1 WHERE book = ?1 AND state = 0",
                    [book.row],
                )?;
            }
            copy @ (Event::Adopted { .. }
            | Event::Debris { .. }
            | Event::Damaged { .. }
            | Event::Missing { .. }
            | Event::Sound { .. }
            | Event::Pruned { .. }) => self.fold_copy(book, copy, line, standing)?,
        }
        Ok(())
    }

    /// Takes in what a line tells of one copy beside its place.
    fn fold_copy(
        &self,
        book: &mut BookRow,
        event: &Event,
        line: &Line,
        standing: Standing,
    ) -> Result<(), JobError> {
        match event {
            Event::Adopted { payload, identity } => {
                let state = match proven(standing) {
                    PayloadState::Good => PayloadState::Adopted,
                    claimed => claimed,
                };
                let content = self.content(identity)?;
                self.put_payload(book, *payload, content, state, &line.stamp)?;
            }
            Event::Debris { payload, identity } => {
                let content = self.content(identity)?;
                self.put_payload(book, *payload, content, PayloadState::Debris, &line.stamp)?;
            }
            Event::Damaged { payload, .. } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Damaged)?;
            }
            Event::Missing { payload } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Missing)?;
            }
            Event::Sound { payload } => {
                self.set_payload_state(book.row, payload.number, PayloadState::Good)?;
                self.copies_reread(book.row, payload.number..=payload.number, line.stamp.time)?;
            }
            // Whole, but not vouched for, a line makes nothing be removed; nor does one about what has a place.
            Event::Pruned { payload, identity } if standing == Standing::Sound => {
                let content = self.content(identity)?;
                let same = self.payload(book.row, payload.number)?;
                let same =
                    same.is_some_and(|copy| copy.name == *payload && copy.content == content);
                if same && !self.is_placed(book.row, content)? {
                    self.set_payload_state(book.row, payload.number, PayloadState::GivenUp)?;
                }
            }
            // Told elsewhere; no copy is concerned.
            _ => {}
        }
        Ok(())
    }

    /// A copy adopted after a cut has its place now.
    fn settle_adopted(&self, book: i64, content: i64) -> Result<(), JobError> {
        self.db
            .prepare_cached(
                "UPDATE payload INDEXED BY payload_by_content SET state = 1 \
                 WHERE content = ?2 AND book = ?1 AND state = 5",
            )?
            .execute(params![book, content])?;
        Ok(())
    }

    fn put_payload(
        &self,
        book: &mut BookRow,
        payload: PayloadName,
        content: i64,
        state: PayloadState,
        stamp: &Stamp,
    ) -> Result<(), JobError> {
        self.db
            .prepare_cached(
                "INSERT OR REPLACE INTO payload VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0, 0)",
            )?
            .execute(params![
                book.row,
                payload.number,
                payload.segment,
                payload.extension.as_str(),
                content,
                state as i64,
                stamp.time.seconds,
            ])?;
        // A number given out by this very commit was counted when it was given out.
        if payload.number >= book.next_number {
            book.next_number = payload.number.saturating_add(1);
            match payload.segment.cmp(&book.segment) {
                std::cmp::Ordering::Greater => {
                    book.segment = payload.segment;
                    book.segment_used = 1;
                }
                std::cmp::Ordering::Equal => book.segment_used += 1,
                std::cmp::Ordering::Less => {}
            }
        }
        Ok(())
    }

    /// A copy known from the manifest or from its file alone, in a ledger that does not tell of it.
    pub fn claim_payload(
        &self,
        book: &mut BookRow,
        payload: PayloadName,
        identity: &Identity,
    ) -> Result<(), JobError> {
        let never = Stamp { time: Moment::default(), trusted: false, boot: String::new() };
        self.put_payload(book, payload, self.content(identity)?, PayloadState::Claimed, &never)
    }

    fn put_place(&self, book: &mut BookRow, content: i64, place: &Place) -> Result<(), JobError> {
        let mailbox = self.mailbox(&place.mailbox, None)?;
        let key = place.path.key();
        let (good, good_modified) = match place.suspect {
            None => (None, None),
            Some(_) => match self.place(book.row, mailbox, &key)? {
                Some(old) if old.suspect.is_some() => (old.good, old.good_modified),
                Some(old) => (old.content, old.content.map(|_| old.modified)),
                None => (None, None),
            },
        };
        book.era = book.era.max(place.order.era);
        self.db
            .prepare_cached(
                "INSERT OR REPLACE INTO place (book, mailbox, key, content, good, suspect, modified_s, modified_n, \
                 mode, era, tick, gone, good_modified) VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,0,?12)",
            )?
            .execute(params![
                book.row,
                mailbox,
                key,
                content,
                good,
                place.suspect.map(Suspicion::as_str),
                place.modified.seconds,
                place.modified.nanos,
                place.mode,
                place.order.era as i64,
                place.order.tick as i64,
                good_modified.map(Moment::to_text),
            ])?;
        Ok(())
    }

    fn set_place_gone(
        &self,
        book: &mut BookRow,
        mailbox: &MailboxName,
        path: &RelName,
        gone: i64,
        order: Order,
    ) -> Result<(), JobError> {
        let mailbox = self.mailbox(mailbox, None)?;
        book.era = book.era.max(order.era);
        // A drive that never had the message there keeps the word all the same: another has.
        self.db
            .prepare_cached(
                "INSERT INTO place (book, mailbox, key, modified_s, modified_n, mode, era, tick, gone) \
                 VALUES (?1, ?2, ?3, 0, 0, 0, ?5, ?6, ?4) \
                 ON CONFLICT DO UPDATE SET gone = ?4, era = ?5, tick = ?6",
            )?
            .execute(params![
                book.row,
                mailbox,
                path.key(),
                gone,
                order.era as i64,
                order.tick as i64
            ])?;
        Ok(())
    }
}

fn proven(standing: Standing) -> PayloadState {
    match standing {
        Standing::Sound => PayloadState::Good,
        Standing::PastBreak => PayloadState::Claimed,
    }
}
