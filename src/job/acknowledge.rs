//! A person's decision that messages which are missing, damaged, or only on a drive shall not come back. Never deletes
//! a copy: a missing message that is acknowledged departs on every drive, as of the time of the decision; a message
//! that only a drive has stays there for whoever has a better right to it.

use super::JobError;
use super::catalogue::{Catalogue, MissingRow};
use crate::model::ledger::Departed;
use crate::model::{Clock, DriveId, Identity, MailboxName, StationName};

/// How many messages a decision was about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
pub struct Acknowledged {
    /// Missing from the mailbox.
    pub missing: u64,
    /// Damaged on the card: what the card has now is taken for the message.
    pub damaged: u64,
    /// On a drive, and not in the mailbox.
    pub lacking: u64,
    /// Of these, messages that another card has asserted: the decision about them is recorded on no drive.
    #[serde(rename = "on_this_card_only")]
    pub here_only: u64,
}

impl Acknowledged {
    /// All messages that the decision was about.
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
    let at = clock.event_time().time.seconds;
    let mut meant = Vec::new();
    catalogue.each_missing(|row| {
        if is_meant(&row) {
            meant.push(row);
        }
        Ok(())
    })?;
    let mut done = Acknowledged::default();
    catalogue.write_transaction(|| {
        for row in &meant {
            let of = (row.mailbox, row.key.as_slice(), row.content);
            catalogue.set_departed(of, Departed::Acknowledged, None, at)?;
            match row.damaged {
                true => {
                    catalogue.accept_as_is(row.mailbox, &row.key)?;
                    done.damaged += 1;
                }
                false => done.missing += 1,
            }
        }
        Ok(())
    })?;
    Ok(done)
}

/// A message that only a drive has, in terms that any state of the catalogue understands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lacked {
    /// As the config names it, or a ledger.
    pub mailbox: MailboxName,
    /// Its path, as its sorting key.
    pub key: Vec<u8>,
    /// SHA-256 and length of the content.
    pub identity: Identity,
    /// No other card has asserted it.
    pub is_ours: bool,
}

/// The messages that a drive asserts and this card's mailboxes lack.
pub fn lacking_messages(
    catalogue: &Catalogue,
    station: &StationName,
    drive: DriveId,
) -> Result<Vec<Lacked>, JobError> {
    let Some(drive) = catalogue.drive(drive)? else { return Ok(Vec::new()) };
    let replica = catalogue.replica(drive.row, station)?;
    let mut all = Vec::new();
    catalogue.each_lacking(replica.row, |asserted| {
        let of = (asserted.mailbox, asserted.key.as_slice(), asserted.content);
        all.push(Lacked {
            is_ours: catalogue.is_asserted_here_alone(station, of)?,
            mailbox: catalogue.mailbox_name(asserted.mailbox)?.0,
            key: asserted.key,
            identity: catalogue.identity(asserted.content)?,
        });
        Ok(())
    })?;
    Ok(all)
}

/// Records that these messages shall stay away from this card's mailboxes. For a message that another card has
/// asserted, the decision stays on this card: nobody saw the message go, the drive may have the only copy of it, and a
/// departure on a drive would withhold it from its owner.
pub fn acknowledge_lacking(
    catalogue: &Catalogue,
    lacked: &[Lacked],
    clock: &dyn Clock,
) -> Result<Acknowledged, JobError> {
    let at = clock.event_time().time.seconds;
    let mut done = Acknowledged::default();
    catalogue.write_transaction(|| {
        for Lacked { mailbox, key, identity, is_ours } in lacked {
            let (mailbox, content) =
                (catalogue.mailbox(mailbox, None)?, catalogue.content(identity)?);
            let of = (mailbox, key.as_slice(), content);
            done.lacking += 1;
            match is_ours {
                true => drop(catalogue.set_departed(of, Departed::Acknowledged, None, at)?),
                false => {
                    catalogue.set_not_wanted(of, at)?;
                    done.here_only += 1;
                }
            }
        }
        Ok(())
    })?;
    Ok(done)
}
