//! Writes again what a ledger told and tells no more, as far as this card knew it: lines that rotted, or went with the
//! end of the file. Never tells of a copy that is not read to be right just now, and never takes back a later word.

use super::station_bag::StationBag;
use crate::job::JobError;
use crate::job::catalogue::{
    ContentAt, CopyRow, CopyState, CopyStatus, ReplicaRowId, ReplicaState, Said, Untold,
};
use crate::model::ledger::{Assertion, Departed, Departure, Event, Location};

/// Copies and places looked at together.
const PAGE: u32 = 256;

/// What retelling works on.
pub(super) struct LostLines<'a> {
    pub bag: StationBag<'a>,
    /// The row of the ledger as it is read now.
    pub replica: ReplicaRowId,
    /// The row of what was known before.
    pub retired: ReplicaRowId,
}

impl<'a> LostLines<'a> {
    /// For a ledger that was read anew, if something was known of it before.
    pub(super) fn of(
        bag: StationBag<'a>,
        replica: &ReplicaState,
    ) -> Result<Option<Self>, JobError> {
        let retired = bag.catalogue.retired(replica)?;
        Ok(retired.map(|retired| Self { bag, replica: replica.row, retired: retired.row }))
    }

    /// Lines of copies: for a medium that is the same as before.
    pub(super) fn copies(&self) -> Result<Vec<Event>, JobError> {
        let (mut events, mut after) = (Vec::new(), 0);
        loop {
            let page = self.bag.catalogue.copies_untold(self.retired, self.replica, after, PAGE)?;
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
        // The ledger as it is now says nothing that counts of this copy.
        let verdict = read.judge(&CopyRow { state: CopyState::Claimed, ..*copy });
        let is_listed = self.bag.catalogue.knows_number(self.replica, payload.number)?;
        Ok(match (copy.state, verdict.is_good()) {
            (CopyState::Debris, true) => Some(Event::Debris { payload, identity }),
            (CopyState::Good | CopyState::Adopted, true) if is_listed => verdict.event(),
            (CopyState::Good | CopyState::Adopted, true) => {
                Some(Event::Adopted { payload, identity })
            }
            (CopyState::Damaged | CopyState::Missing, false) => verdict.event(),
            // What no line tells of and is not right is judged as what a power failure left; what is right again needs
            // no line.
            _ => None,
        })
    }

    /// Lines of what was at locations, a page of them after one, and the last looked at: where the drive has a good
    /// copy of it. What it has not is for a pass to copy again. Each speaks as of the position that the lost line did.
    pub(super) fn assertions(
        &self,
        after: Option<&Untold>,
    ) -> Result<(Vec<Event>, Option<Untold>), JobError> {
        let page = self.bag.catalogue.assertions_untold(self.retired, self.replica, after, PAGE)?;
        let mut events = Vec::new();
        for untold in &page {
            let Said::Stands { missing, suspect, modified, mode } = untold.said else { continue };
            if !matches!(
                self.bag.catalogue.held(self.replica, untold.content)?,
                CopyStatus::Good(_)
            ) {
                continue;
            }
            let identity = self.bag.catalogue.identity(untold.content)?;
            let assertion = Assertion {
                location: self.location(untold)?,
                modified,
                mode,
                first_seen: self.bag.catalogue.first_seen(untold.content)?,
                suspect,
                as_of: untold.position,
            };
            events.push(match missing {
                true => Event::Missing { identity, assertion },
                false => Event::Placed { identity, assertion },
            });
        }
        Ok((events, page.into_iter().last()))
    }

    /// Lines of what has left, in the same way, once everything that stands is told: only where the ledger tells of the
    /// location that has what came after it, or of what moved another location that has it.
    pub(super) fn departures(
        &self,
        after: Option<&Untold>,
        gaps: u64,
    ) -> Result<(Vec<Event>, Option<Untold>), JobError> {
        let page = self.bag.catalogue.departures_untold(self.retired, self.replica, after, PAGE)?;
        let mut events = Vec::new();
        for untold in &page {
            let Said::Left { why, to } = &untold.said else { continue };
            let at = (untold.mailbox, untold.key.as_slice(), untold.content);
            if !self.bag.catalogue.uncovered(self.retired, at)?.is_empty() {
                // It was said again since, maybe in the very line that is lost.
                continue;
            }
            let Some(to) = self.after(untold, *why, to.as_ref())? else { continue };
            let (to, heir) = self.bag.catalogue.followed_by(to.as_ref(), untold.content)?;
            let (identity, position) =
                (self.bag.catalogue.identity(untold.content)?, untold.position);
            let location = self.location(untold)?;
            let departure = Departure { identity, location, position, why: *why, to, heir, gaps };
            events.push(Event::Removed(departure));
        }
        Ok((events, page.into_iter().last()))
    }

    /// The location that has what came after a message, if anything did; none where the ledger does not tell of it.
    fn after(
        &self,
        untold: &Untold,
        why: Departed,
        to: Option<&ContentAt>,
    ) -> Result<Option<Option<ContentAt>>, JobError> {
        let catalogue = self.bag.catalogue;
        if let Some(place @ (mailbox, key, heir)) = to {
            if catalogue.was_asserted(self.replica, *mailbox, key, *heir)? {
                return Ok(Some(Some(place.clone())));
            }
            if *heir != untold.content {
                return Ok(None);
            }
        }
        let here = (untold.mailbox, untold.key.as_slice());
        Ok(match catalogue.other_place(self.replica, here, untold.content)? {
            Some((mailbox, key)) => Some(Some((mailbox, key, untold.content))),
            None if why == Departed::Moved => None,
            None => Some(None),
        })
    }

    fn location(&self, untold: &Untold) -> Result<Location, JobError> {
        self.bag.catalogue.location(untold.mailbox, &untold.key)
    }

    /// Lines of where mailboxes lay.
    pub(super) fn roots(&self) -> Result<Vec<Event>, JobError> {
        let roots = self.bag.catalogue.roots_untold(self.retired, self.replica)?;
        let events = roots.into_iter().map(|(mailbox, root)| {
            let (mailbox, _) = self.bag.catalogue.mailbox_name(mailbox)?;
            Ok(Event::Mailbox { mailbox, root })
        });
        events.collect()
    }
}
