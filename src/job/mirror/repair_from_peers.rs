//! Replaces damaged and missing copies of messages that the mailbox no longer has, from good copies on other drives
//! that are present. Never overwrites the bad copy, and says nothing new of any location.

use super::batch::{BatchPlan, BatchSize, CopyItem, PeerCopy};
use super::pass::{Pass, PassReport};
use crate::disk::Volume;
use crate::job::JobError;
use crate::job::catalogue::{CopyRow, CopyStatus};
use crate::job::replica::{PresentDrives, Replica};
use crate::model::{DriveId, Position, WriterId};
use std::sync::Arc;

/// Bad copies read from the catalogue at a time.
const PAGE: u32 = 256;

/// The other drives that were tried, each open if it is present.
type OpenPeers = Vec<(DriveId, Option<Arc<dyn Volume>>)>;

impl Pass<'_> {
    /// Repairs everything that can be repaired now. Opens no other drive where nothing is lost.
    pub fn repair_from_peers(
        &self,
        drive: &mut Replica,
        others: &PresentDrives,
        report: &mut PassReport,
    ) -> Result<(), JobError> {
        let (replica, mut after) = (drive.state.row, 0);
        let mut size = BatchSize::default();
        let mut opened = OpenPeers::new();
        loop {
            let page = self.catalogue.unrecoverable_copies(replica, after, PAGE)?;
            let Some(last) = page.last() else { return Ok(()) };
            after = last.name.number;
            let mut batch = self.batch(drive)?;
            for lost in page {
                if self.progress.stop() {
                    report.stopped = true;
                    return Ok(());
                }
                if batch.contents.contains(&lost.identity) {
                    continue;
                }
                let Some(item) = self.peer_copy(drive, &lost, others, &mut opened)? else {
                    continue;
                };
                if !batch.has_room_for(&item) {
                    continue;
                }
                batch.add(item);
                if size.is_full(&batch) {
                    self.commit(drive, batch, &mut size, report)?;
                    batch = self.batch(drive)?;
                }
            }
            self.commit(drive, batch, &mut size, report)?;
        }
    }

    /// A copy to be made from another drive, if a present one has it and this drive's ledger knows the location.
    fn peer_copy(
        &self,
        drive: &Replica,
        lost: &CopyRow,
        others: &PresentDrives,
        opened: &mut OpenPeers,
    ) -> Result<Option<CopyItem>, JobError> {
        let replica = drive.state.row;
        if !self.catalogue.was_placed(replica, lost.content)? {
            return Ok(None);
        }
        if lost.identity.bytes > drive.volume.facts().longest_file
            || matches!(self.catalogue.copy_status(replica, lost.content)?, CopyStatus::Good(_))
        {
            return Ok(None);
        }
        for (id, lender, copy) in self.catalogue.peer_copies(replica, lost.content)? {
            if opened.iter().all(|(known, _)| *known != id) {
                opened.push((id, open(others, id, drive)));
            }
            let here = opened.iter().find(|(known, _)| *known == id);
            let Some(volume) = here.and_then(|(_, volume)| volume.clone()) else { continue };
            let peer_copy =
                PeerCopy { volume, dir: drive.dir.clone(), replica: lender, payload: copy.name };
            let (replaces, peer_copy) = (Some(lost.name), Some(peer_copy));
            let identity = lost.identity;
            return Ok(Some(CopyItem {
                row: None,
                identity,
                assertion: None,
                replaces,
                peer_copy,
            }));
        }
        Ok(None)
    }

    /// An empty batch. Its lines speak of no location, so any position serves.
    fn batch(&self, drive: &Replica) -> Result<BatchPlan, JobError> {
        let position = self.catalogue.position_at(self.catalogue.change_no()?)?;
        let nobody = Position { writer: WriterId::from_bits(0), n: 0 };
        Ok(BatchPlan::new(position.unwrap_or(nobody), drive.volume.room()?))
    }
}

fn open(others: &PresentDrives, id: DriveId, drive: &Replica) -> Option<Arc<dyn Volume>> {
    match id == drive.id {
        true => None,
        false => others.open_other(id).map(Arc::from),
    }
}
