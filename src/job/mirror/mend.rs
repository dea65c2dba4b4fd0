//! Makes copies again that are damaged or gone, of messages that the mailbox does not have any more: from good
//! copies on other drives that are here. Never overwrites the bad one, and changes no place.

use super::Pass;
use super::batch::{Batch, BatchSize, CopyItem, Lent};
use super::{Claims, PassReport};
use crate::disk::Volume;
use crate::job::JobError;
use crate::job::catalogue::{FileRow, FileState, GONE_REMOVED, Held, PayloadRow, PlaceRow};
use crate::job::drive::Admitted;
use crate::model::ledger::{Event, Place};
use crate::model::{DriveId, Moment, Reason, RelName};
use std::sync::Arc;

/// Bad copies looked at together.
const PAGE: u32 = 256;

/// The other drives as far as they were opened; none of one that is not here.
type Opened = Vec<(DriveId, Option<Arc<dyn Volume>>)>;

impl Pass<'_> {
    /// Everything that can be made again now. Asks no other drive where nothing is lost.
    pub fn mend(
        &self,
        drive: &mut Admitted,
        others: &Claims,
        report: &mut PassReport,
    ) -> Result<(), JobError> {
        let (book, mut after) = (drive.book.row, 0);
        let mut size = BatchSize::default();
        let mut opened = Opened::new();
        loop {
            let page = self.catalogue.lost_for_good(book, after, PAGE)?;
            let Some(last) = page.last() else { return Ok(()) };
            after = last.name.number;
            let mut batch = Batch::new(self.catalogue.era()?, drive.volume.room()?);
            for lost in page {
                if self.progress.stop() {
                    report.stopped = true;
                    return Ok(());
                }
                if batch.contents.contains(&lost.identity) {
                    continue;
                }
                let Some(item) = self.lent(drive, &lost, others, &mut opened)? else { continue };
                if !batch.has_room_for(&item) {
                    report.fail(self, item.row.mailbox, item.row.path()?, Reason::DriveFull);
                    continue;
                }
                batch.add(item);
                if size.is_full(&batch) {
                    self.commit(drive, batch, &mut size, report)?;
                    batch = Batch::new(self.catalogue.era()?, drive.volume.room()?);
                }
            }
            self.commit(drive, batch, &mut size, report)?;
        }
    }

    /// A copy to be made from another drive, if one that is here has it and this one's ledger knows its place.
    fn lent(
        &self,
        drive: &Admitted,
        lost: &PayloadRow,
        others: &Claims,
        opened: &mut Opened,
    ) -> Result<Option<CopyItem>, JobError> {
        let book = drive.book.row;
        let Some(known) = self.catalogue.place_of(book, lost.content)? else { return Ok(None) };
        if lost.identity.bytes > drive.volume.facts().longest_file
            || matches!(self.catalogue.held(book, lost.content)?, Held::Good(_))
        {
            return Ok(None);
        }
        for (id, lender, copy) in self.catalogue.lenders(book, lost.content)? {
            if opened.iter().all(|(known, _)| *known != id) {
                opened.push((id, open(others, id, drive)));
            }
            let here = opened.iter().find(|(known, _)| *known == id);
            let Some(volume) = here.and_then(|(_, volume)| volume.clone()) else { continue };
            let (place, then) = self.as_it_stood(&known, lost)?;
            let row = departed(&known, lost.identity.bytes);
            let lent =
                Lent { volume, dir: drive.dir.clone(), book: lender, payload: copy.name, then };
            let replaces = Some(lost.name);
            let lent = Some(lent);
            return Ok(Some(CopyItem { row, identity: lost.identity, place, replaces, lent }));
        }
        Ok(None)
    }

    /// The place that a line of the copy tells, and what must be told behind it so that the place is what it was:
    /// that the message left it, or that its latest version is a suspect one.
    fn as_it_stood(
        &self,
        known: &PlaceRow,
        lost: &PayloadRow,
    ) -> Result<(Place, Vec<Event>), JobError> {
        let (mailbox, _) = self.catalogue.mailbox_name(known.mailbox)?;
        let path = RelName::from_key(&known.key)
            .map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        let order = known.order;
        let place = |content, modified: Moment, suspect| -> Result<Place, JobError> {
            let first_seen = self.catalogue.first_seen(content)?;
            let (mailbox, path, mode) = (mailbox.clone(), path.clone(), known.mode);
            Ok(Place { mailbox, path, modified, mode, first_seen, suspect, order })
        };
        let is_latest = known.content == Some(lost.content);
        let mut then = Vec::new();
        let told = match is_latest {
            true => place(lost.content, known.modified, known.suspect)?,
            false => {
                let modified = known.good_modified.unwrap_or(known.modified);
                let told = place(lost.content, modified, None)?;
                if let Some(latest) = known.content {
                    let identity = self.catalogue.identity(latest)?;
                    let place = place(latest, known.modified, known.suspect)?;
                    then.push(Event::Placed { identity, place });
                }
                told
            }
        };
        match known.gone {
            0 => {}
            GONE_REMOVED => then.push(Event::Removed { mailbox, path, order }),
            _ => then.push(Event::Vanished { mailbox, path, order }),
        }
        Ok((told, then))
    }
}

fn open(others: &Claims, id: DriveId, drive: &Admitted) -> Option<Arc<dyn Volume>> {
    match id == drive.id {
        true => None,
        false => others.lend(id).map(Arc::from),
    }
}

/// What stands for a row of the mailbox, which has none: told if the copy cannot be made, and never of a change.
fn departed(known: &PlaceRow, bytes: u64) -> FileRow {
    FileRow {
        mailbox: known.mailbox,
        key: known.key.clone(),
        state: FileState::Vanished,
        bytes,
        modified: known.modified,
        changed: 0,
        inode: 0,
        mode: known.mode,
        looked: 0,
        first_seen: Moment::default(),
        clock_trusted: false,
        content: None,
        good: None,
        suspect: None,
        tick: u64::MAX,
    }
}
