//! Writes again what a ledger told and tells no more, as far as this card knew it: lines that rotted, or went with the
//! end of the file. Never tells of a copy that is not read to be right just now, and never takes back a later word.

use super::payload::{self, Copy};
use crate::disk::Volume;
use crate::job::JobError;
use crate::job::catalogue::{
    BookRow, Catalogue, GONE_VANISHED, Held, PayloadRow, PayloadState, PlaceRow,
};
use crate::model::ledger::{Event, Place};
use crate::model::{Moment, RelName, Suspicion};

/// Copies and places looked at together.
const PAGE: u32 = 256;

/// What retelling works on.
pub(super) struct Retelling<'a> {
    pub catalogue: &'a Catalogue,
    pub volume: &'a dyn Volume,
    pub dir: &'a RelName,
    /// The row of the ledger as it is read now.
    pub book: i64,
    /// The row of what was known before.
    pub retired: i64,
}

impl<'a> Retelling<'a> {
    /// For a ledger that was read anew, if something was known of it before.
    pub(super) fn of(
        catalogue: &'a Catalogue,
        volume: &'a dyn Volume,
        dir: &'a RelName,
        book: &BookRow,
    ) -> Result<Option<Self>, JobError> {
        let retired = catalogue.retired(book)?;
        Ok(retired.map(|retired| Self {
            catalogue,
            volume,
            dir,
            book: book.row,
            retired: retired.row,
        }))
    }

    /// Lines of copies: for a medium that is the same as before.
    pub(super) fn copies(&self) -> Result<Vec<Event>, JobError> {
        let (mut events, mut after) = (Vec::new(), 0);
        loop {
            let page = self.catalogue.copies_untold(self.retired, self.book, after, PAGE)?;
            let Some(last) = page.last() else { return Ok(events) };
            after = last.name.number;
            for copy in page {
                events.extend(self.copy(&copy)?);
            }
        }
    }

    fn copy(&self, copy: &PayloadRow) -> Result<Option<Event>, JobError> {
        let (payload, identity) = (copy.name, copy.identity);
        if copy.state.is_given_up() {
            return Ok(Some(Event::Pruned { payload, identity }));
        }
        let read = payload::hash(self.volume, self.dir, payload, identity.bytes)?;
        let is_right = read == Copy::Is(identity);
        let is_told = self.catalogue.knows_number(self.book, payload.number)?;
        Ok(match (copy.state, is_right) {
            (PayloadState::Debris, true) => Some(Event::Debris { payload, identity }),
            (PayloadState::Good | PayloadState::Adopted, true) if is_told => {
                Some(Event::Sound { payload })
            }
            (PayloadState::Good | PayloadState::Adopted, true) => {
                Some(Event::Adopted { payload, identity })
            }
            (PayloadState::Damaged | PayloadState::Missing, false) => Some(read.event(payload)),
            // What no line tells of and is not right is judged as what a cut left; what is right again needs no line.
            _ => None,
        })
    }

    /// Lines of places behind one, a page of them, and the last place looked at: where the drive has a good copy of
    /// what was there. What it has not is for a pass to copy again.
    pub(super) fn places(
        &self,
        after: Option<&PlaceRow>,
    ) -> Result<(Vec<Event>, Option<PlaceRow>), JobError> {
        let page = self.catalogue.places_untold(self.retired, self.book, after, PAGE)?;
        let mut events = Vec::new();
        for place in &page {
            self.place(place, &mut events)?;
        }
        Ok((events, page.into_iter().last()))
    }

    fn place(&self, known: &PlaceRow, events: &mut Vec<Event>) -> Result<(), JobError> {
        let (mailbox, _) = self.catalogue.mailbox_name(known.mailbox)?;
        let path = RelName::from_key(&known.key)
            .map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        let order = known.order;
        let place = |content, modified: Moment, suspect: Option<Suspicion>| {
            let first_seen = self.catalogue.first_seen(content)?;
            let (mailbox, path, mode) = (mailbox.clone(), path.clone(), known.mode);
            let place = Place { mailbox, path, modified, mode, first_seen, suspect, order };
            Ok::<_, JobError>(Event::Placed { identity: self.catalogue.identity(content)?, place })
        };
        let is_held = |content| -> Result<bool, JobError> {
            Ok(matches!(self.catalogue.held(self.book, content)?, Held::Good(_)))
        };
        if let (Some(good), Some(_)) = (known.good, known.suspect)
            && is_held(good)?
        {
            events.push(place(good, known.good_modified.unwrap_or(known.modified), None)?);
        }
        match known.content {
            Some(content) if is_held(content)? => {
                events.push(place(content, known.modified, known.suspect)?);
            }
            // That something was here is told with what it was, or not at all.
            Some(_) => return Ok(()),
            None => {}
        }
        match known.gone {
            0 => {}
            GONE_VANISHED => events.push(Event::Vanished { mailbox, path, order }),
            // Moved or removed: it is not wanted back here. Where it went is a place of its own.
            _ => events.push(Event::Removed { mailbox, path, order }),
        }
        Ok(())
    }

    /// Lines of where mailboxes lay.
    pub(super) fn roots(&self) -> Result<Vec<Event>, JobError> {
        let roots = self.catalogue.roots_untold(self.retired, self.book)?;
        let told = roots.into_iter().map(|(mailbox, root)| {
            let (mailbox, _) = self.catalogue.mailbox_name(mailbox)?;
            Ok(Event::Mailbox { mailbox, root })
        });
        told.collect()
    }
}
