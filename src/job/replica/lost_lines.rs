//! Writes again what a ledger once said and no longer says, as far as this card knew it: lines that rotted, or went
//! with the end of the file. Names no copy that is not read and right just now, and revokes no later line.

use super::station_bag::StationBag;
use crate::job::JobError;
use crate::job::catalogue::{
    ContentAt, CopyRow, CopyState, CopyStatus, LostLine, LostStatement, ReplicaRowId, ReplicaState,
};
use crate::model::ledger::{Assertion, Departed, Departure, Event, Location};

/// Copies and locations read from the catalogue at a time.
const PAGE: u32 = 256;

/// The lines that a ledger has lost.
pub(super) struct LostLines<'a> {
    pub bag: StationBag<'a>,
    /// The row of the ledger as it is now.
    pub replica: ReplicaRowId,
    /// The row of what was known before.
    pub retired: ReplicaRowId,
}

/// A location that has what came after a message which left.
enum Successor {
    /// The ledger has recorded this one.
    At(ContentAt),
    /// Nothing came after it.
    Nowhere,
    /// The ledger has recorded none that does.
    NotRecorded,
}

impl<'a> LostLines<'a> {
    /// The lost lines of a ledger that was reloaded, if something was known of it before.
    pub(super) fn of(
        bag: StationBag<'a>,
        replica: &ReplicaState,
    ) -> Result<Option<Self>, JobError> {
        let retired = bag.catalogue.retired(replica)?;
        Ok(retired.map(|retired| Self { bag, replica: replica.row, retired: retired.row }))
    }

    /// The lines of copies; only for a medium that is the same as before.
    pub(super) fn copies(&self) -> Result<Vec<Event>, JobError> {
        let (mut events, mut after) = (Vec::new(), 0);
        loop {
            let page = self.bag.catalogue.copies_lost(self.retired, self.replica, after, PAGE)?;
            let Some(last) = page.last() else { return Ok(events) };
            after = last.name.number;
            for copy in page {
                events.extend(self.copy(&copy)?);
            }
        }
    }

    fn copy(&self, copy: &CopyRow) -> Result<Option<Event>, JobError> {
        let (payload, identity) = (copy.name, copy.identity);
        if copy.state.is_given_up() {
            return Ok(Some(Event::Pruned { payload, identity }));
        }
        let read = self.bag.hash(payload, identity.bytes)?;
        // The ledger as it is now says nothing of this copy that counts.
        let verdict = read.judge(&CopyRow { state: CopyState::Claimed, ..*copy });
        let is_listed = self.bag.catalogue.knows_number(self.replica, payload.number)?;
        Ok(match (copy.state, verdict.is_good()) {
            (CopyState::Debris, true) => Some(Event::Debris { payload, identity }),
            (CopyState::Good | CopyState::Adopted, true) if is_listed => verdict.event(),
            (CopyState::Good | CopyState::Adopted, true) => {
                Some(Event::Adopted { payload, identity })
            }
            (CopyState::Damaged | CopyState::Missing, false) => verdict.event(),
            // A copy without a line that is not right is handled as the remains of a power failure; one that is right
            // again needs no line.
            _ => None,
        })
    }

    /// A page of lines that assert locations, and the last location of the page: only where the drive has a good copy.
    /// A pass copies the others again. Each line speaks as of the position of the lost one.
    pub(super) fn assertions(
        &self,
        after: Option<&LostLine>,
    ) -> Result<(Vec<Event>, Option<LostLine>), JobError> {
        let page = self.bag.catalogue.assertions_lost(self.retired, self.replica, after, PAGE)?;
        let mut events = Vec::new();
        for lost in &page {
            let LostStatement::Stands { missing, suspect, modified, mode } = lost.statement else {
                continue;
            };
            if !matches!(
                self.bag.catalogue.copy_status(self.replica, lost.content)?,
                CopyStatus::Good(_)
            ) {
                continue;
            }
            let identity = self.bag.catalogue.identity(lost.content)?;
            let assertion = Assertion {
                location: self.location(lost)?,
                modified,
                mode,
                first_seen: self.bag.catalogue.first_seen(lost.content)?,
                suspect,
                as_of: lost.position,
            };
            events.push(match missing {
                true => Event::Missing { identity, assertion },
                false => Event::Placed { identity, assertion },
            });
        }
        Ok((events, page.into_iter().last()))
    }

    /// A page of departures, in the same way, after all assertions are written: only where the ledger names the
    /// location that has what came after, or, of a move, another one that has the content.
    pub(super) fn departures(
        &self,
        after: Option<&LostLine>,
        gaps: u64,
    ) -> Result<(Vec<Event>, Option<LostLine>), JobError> {
        let page = self.bag.catalogue.departures_lost(self.retired, self.replica, after, PAGE)?;
        let mut events = Vec::new();
        for lost in &page {
            let LostStatement::Left { why, to } = &lost.statement else { continue };
            let at = (lost.mailbox, lost.key.as_slice(), lost.content);
            if !self.bag.catalogue.uncovered_positions(self.retired, at)?.is_empty() {
                // It was asserted again since, perhaps in the very line that is lost.
                continue;
            }
            let to = match self.successor_of(lost, *why, to.as_ref())? {
                Successor::At(content_at) => Some(content_at),
                Successor::Nowhere => None,
                Successor::NotRecorded => continue,
            };
            let (to, successor) =
                self.bag.catalogue.successor_for_line(to.as_ref(), lost.content)?;
            let (identity, position) = (self.bag.catalogue.identity(lost.content)?, lost.position);
            let location = self.location(lost)?;
            let departure =
                Departure { identity, location, position, why: *why, to, successor, gaps };
            events.push(Event::Removed(departure));
        }
        Ok((events, page.into_iter().last()))
    }

    fn successor_of(
        &self,
        lost: &LostLine,
        why: Departed,
        to: Option<&ContentAt>,
    ) -> Result<Successor, JobError> {
        let catalogue = self.bag.catalogue;
        if let Some(content_at @ (mailbox, key, successor)) = to {
            if catalogue.was_asserted(self.replica, *mailbox, key, *successor)? {
                return Ok(Successor::At(content_at.clone()));
            }
            if *successor != lost.content {
                return Ok(Successor::NotRecorded);
            }
        }
        let here = (lost.mailbox, lost.key.as_slice());
        Ok(match catalogue.other_location(self.replica, here, lost.content)? {
            Some((mailbox, key)) => Successor::At((mailbox, key, lost.content)),
            None if why == Departed::Moved => Successor::NotRecorded,
            None => Successor::Nowhere,
        })
    }

    fn location(&self, lost: &LostLine) -> Result<Location, JobError> {
        self.bag.catalogue.location(lost.mailbox, &lost.key)
    }

    /// The lines that say where mailboxes lay on the card.
    pub(super) fn roots(&self) -> Result<Vec<Event>, JobError> {
        let roots = self.bag.catalogue.roots_lost(self.retired, self.replica)?;
        let events = roots.into_iter().map(|(mailbox, root)| {
            let (mailbox, _) = self.bag.catalogue.mailbox_name(mailbox)?;
            Ok(Event::Mailbox { mailbox, root })
        });
        events.collect()
    }
}
