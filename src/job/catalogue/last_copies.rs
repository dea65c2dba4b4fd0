//! What would be lost with a drive: the messages that no other drive keeps safe; and taking a drive's copies out of
//! what is known. Never decides whether that may be.

use super::Catalogue;
use super::replicas::ReplicaState;
use super::row_ids::{ContentRowId, DriveRowId};
use crate::job::JobError;
use rusqlite::params;

/// Messages of which a drive has the only copy apart from the card's, or the only one at all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LastCopies {
    /// Messages on the card that are safe on this drive alone.
    pub on_card: u64,
    /// Messages that the card lacks, or has damaged, and of which only this drive has a good copy.
    pub unrecoverable: u64,
}

/// A good copy of a content on another drive whose copies count, and of which it is not asked whether it was wiped.
const KEPT_BY_OTHER: &str = "EXISTS (SELECT 1 FROM payload o INDEXED BY payload_by_content \
     JOIN replica ob ON ob.id = o.replica JOIN drive od ON od.id = ob.drive AND od.replaced IS NULL \
     WHERE o.content = ?1 AND o.is_good AND ob.trusted = 1 AND ob.drive <> ?2)";

/// A copy by which a message of the mailbox is safe.
const OF_FILE: &str = "WHERE restorable.mailbox = file.mailbox AND restorable.key = file.key AND restorable.content \
    = file.content AND restorable.as_of >= max(file.since, file.departure_read)";

impl Catalogue {
    /// What would be lost with the copies of a station on a drive.
    pub fn last_copies(
        &self,
        drive: DriveRowId,
        replica: &ReplicaState,
    ) -> Result<LastCopies, JobError> {
        let on_card = format!(
            "SELECT count(*) FROM file WHERE file.is_present AND EXISTS (SELECT 1 FROM restorable {OF_FILE} \
             AND restorable.replica = ?1) AND NOT EXISTS (SELECT 1 FROM restorable CROSS JOIN replica b ON b.id = \
             restorable.replica \
             JOIN drive d ON d.id = b.drive AND d.replaced IS NULL {OF_FILE} AND b.trusted = 1 AND b.drive <> ?2)"
        );
        let on_card = self.only_row(&on_card, params![replica.row, drive])?;
        let mut contents: Vec<ContentRowId> =
            self.rows("SELECT DISTINCT content FROM missing", [])?;
        self.each_lacking(replica.row, |asserted| {
            contents.push(asserted.content);
            Ok(())
        })?;
        contents.sort_unstable();
        contents.dedup();
        let sql = format!(
            "SELECT EXISTS (SELECT 1 FROM payload p JOIN replica b ON b.id = p.replica \
             WHERE p.content = ?1 AND p.is_usable AND b.drive = ?2) AND NOT {KEPT_BY_OTHER}"
        );
        let mut unrecoverable = 0;
        for content in contents {
            unrecoverable += self.only_row::<u64>(&sql, params![content, drive])?;
        }
        Ok(LastCopies { on_card, unrecoverable })
    }

    /// Forgets all that a wiped drive had. The drive itself stays known, as given up.
    pub fn drop_copies(&self, drive: DriveRowId) -> Result<(), JobError> {
        self.write_transaction(|| {
            for table in [
                "payload",
                "assertion",
                "departure",
                "mark",
                "replica_writer",
                "replica_mailbox",
                "scrub",
                "written_by_day",
                "checks",
                "log_damage",
            ] {
                let sql = format!(
                    "DELETE FROM {table} WHERE replica IN (SELECT id FROM replica WHERE drive = ?1)"
                );
                self.db.execute(&sql, [drive])?;
            }
            self.db.execute("DELETE FROM replica WHERE drive = ?1", [drive])?;
            Ok(())
        })
    }
}
