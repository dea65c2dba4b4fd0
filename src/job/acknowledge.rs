//! What a person decides about messages that are missing, damaged, or on a drive alone: they are not wanted back.
//! Never deletes a copy: what is acknowledged is withheld from then on, by the operator's word and with its time.

use super::JobError;
use super::catalogue::{Catalogue, MissingRow, StandingRow};
use crate::model::ledger::Departed;
use crate::model::{Clock, DriveId, StationName};

/// How many messages a decision was about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Acknowledged {
    /// Missing from the mailbox.
    pub missing: u64,
    /// Damaged on the card: what the card has now is taken for the message.
    pub damaged: u64,
    /// On a drive, and not in the mailbox.
    pub lacking: u64,
}

impl Acknowledged {
    /// All of them.
    pub fn count(&self) -> u64 {
        self.missing + self.damaged + self.lacking
    }
}

/// Acknowledges the missing and damaged messages that `is_meant`.
pub fn acknowledge_missing(
    catalogue: &Catalogue,
    is_meant: impl Fn(&MissingRow) -> bool,
    clock: &dyn Clock,
) -> Result<Acknowledged, JobError> {
    let at = clock.stamp().time.seconds;
    let mut meant = Vec::new();
    catalogue.each_missing(|row| {
        if is_meant(&row) {
            meant.push(row);
        }
        Ok(())
    })?;
    let mut done = Acknowledged::default();
    catalogue.together(|| {
        for row in &meant {
            let of = (row.mailbox, row.key.as_slice(), row.content);
            catalogue.set_departed(of, Departed::Acknowledged, None, at)?;
            match row.damaged {
                true => {
                    catalogue.take_as_it_is(row.mailbox, &row.key)?;
                    done.damaged += 1;
                }
                false => done.missing += 1,
            }
        }
        Ok(())
    })?;
    Ok(done)
}

/// Acknowledges that what a drive asserts and this card's mailboxes lack shall stay away from them.
pub fn acknowledge_lacking(
    catalogue: &Catalogue,
    station: &StationName,
    drive: DriveId,
    clock: &dyn Clock,
) -> Result<Acknowledged, JobError> {
    let at = clock.stamp().time.seconds;
    let mut done = Acknowledged::default();
    let Some(drive) = catalogue.drive(drive)? else { return Ok(done) };
    let mut book = catalogue.book(drive.row, station)?;
    let mut lacked: Vec<StandingRow> = Vec::new();
    catalogue.lacked(book.row, |standing| {
        lacked.push(standing);
        Ok(())
    })?;
    catalogue.together(|| {
        for standing in &lacked {
            let of = (standing.mailbox, standing.key.as_slice(), standing.content);
            catalogue.set_departed(of, Departed::Acknowledged, None, at)?;
            done.lacking += 1;
        }
        book.lacking = catalogue.lacking(&book)?;
        catalogue.save_book(&book)
    })?;
    Ok(done)
}
