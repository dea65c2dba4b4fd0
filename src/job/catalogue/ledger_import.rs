//! Imports a long ledger so that nobody waits for it and the card keeps its room: in portions, between which others
//! write first, within what the state's file system has; and gives back the room of a drive that is not used after all.
//! Never decides whether a ledger is to be believed.

use super::row_ids::{ContentRowId, DriveRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, KnownHow, ReplicaState};
use crate::disk::host;
use crate::job::JobError;
use crate::model::limits::{
    CATALOGUE_MEMORY_BYTES, CATALOGUE_PER_LEDGER, LEDGER_PORTION_LINES, LEDGER_SMALL_BYTES,
    ROWS_DROPPED, STATE_FLOOR_BYTES,
};
use rusqlite::{Transaction, TransactionBehavior, params};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Counted by whoever waits for a catalogue, over and over while it waits.
static WAITED: AtomicU64 = AtomicU64::new(0);
/// How often one that waits looks again.
const LOOK_AGAIN: Duration = Duration::from_millis(5);
/// Longer than that: who does not look again within it does not wait.
const NOBODY_WAITS: Duration = Duration::from_millis(15);
/// So many waiters go first, one after the other, before a portion is imported all the same.
const LET_GO_FIRST: u32 = 64;
/// How often one looks before it gives up: 30 s together.
const LOOKS: i32 = 6_000;

/// What a connection does while another one writes (SQLite, "Register A Callback To Handle SQLITE_BUSY Errors").
pub(super) fn wait_for_turn(looks: i32) -> bool {
    WAITED.fetch_add(1, Ordering::Relaxed);
    std::thread::sleep(LOOK_AGAIN);
    looks < LOOKS
}

/// What a ledger may take of the file system that the catalogue is on.
#[derive(Debug, Clone, Copy)]
pub struct LedgerRoom {
    /// Bytes free when it was asked for.
    pub free: u64,
    /// Bytes that are to be left.
    pub floor: u64,
    /// Bytes that a ledger would need at most.
    pub needed: u64,
}

impl LedgerRoom {
    fn of(free: u64, ledger: u64) -> Self {
        let floor = STATE_FLOOR_BYTES.min(free / 2);
        Self { free, floor, needed: ledger.saturating_mul(CATALOGUE_PER_LEDGER) }
    }

    /// Whether it is enough.
    pub fn is_enough(&self) -> bool {
        self.needed <= LEDGER_SMALL_BYTES || self.needed <= self.free - self.floor
    }
}

/// The last rows there were before a ledger was read: later ones it may have brought.
#[derive(Debug, Clone, Copy)]
pub struct KnownBefore {
    content: Option<ContentRowId>,
    mailbox: Option<MailboxRowId>,
}

/// A ledger that is being imported.
pub struct LedgerImport<'a> {
    catalogue: &'a Catalogue,
    portion: Option<Transaction<'a>>,
    /// Lines of this portion.
    lines: u64,
    waited: u64,
    room: Option<LedgerRoom>,
    before: KnownBefore,
    /// Some portions are in the catalogue already.
    pub is_partial: bool,
}

impl Catalogue {
    /// The room that there is for this many bytes of a ledger; `None` where nobody can say.
    pub fn room_for(&self, ledger: u64) -> Option<LedgerRoom> {
        let free = match (self.state(), self.db.path()) {
            (Some(state), _) => host::room(state)?,
            // A file without a name.
            (None, Some("")) => host::room(&host::temporary_files())?,
            (None, _) => CATALOGUE_MEMORY_BYTES,
        };
        Some(LedgerRoom::of(free, ledger))
    }

    /// Pages that the catalogue has in use.
    pub fn pages(&self) -> Result<u64, JobError> {
        let ask = |pragma| self.db.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
        Ok((ask("page_count")? - ask("freelist_count")?) as u64)
    }

    /// Begins to import this many bytes of a ledger.
    pub fn import_ledger(&self, room: Option<LedgerRoom>) -> Result<LedgerImport<'_>, JobError> {
        let before = KnownBefore {
            content: self.only_row("SELECT max(id) FROM content", [])?,
            mailbox: self.only_row("SELECT max(id) FROM mailbox", [])?,
        };
        self.limit_pages(room)?;
        let waited = WAITED.load(Ordering::Relaxed);
        let mut taking = LedgerImport {
            catalogue: self,
            portion: None,
            lines: 0,
            waited,
            room,
            before,
            is_partial: false,
        };
        taking.begin()?;
        Ok(taking)
    }

    /// No more pages than there is room for (SQLite, "PRAGMA max_page_count"); of this connection alone.
    fn limit_pages(&self, room: Option<LedgerRoom>) -> Result<(), JobError> {
        let ask = |pragma: &str| -> Result<u64, JobError> {
            Ok(self.db.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0))? as u64)
        };
        let most = match room {
            Some(room) => {
                let bytes = (room.free - room.floor).max(LEDGER_SMALL_BYTES);
                ask("page_count")? + bytes / ask("page_size")?.max(1)
            }
            None => u32::MAX.into(),
        };
        let most = most.min(u32::MAX.into()) as i64;
        Ok(self.db.pragma_update_and_check(None, "max_page_count", most, |_| Ok(()))?)
    }

    /// Forgets what a reading took in that did not come to its end, of a ledger that nothing was known of.
    pub fn drop_partial(&self, replica: &mut ReplicaState) -> Result<(), JobError> {
        let sql = "SELECT 1 FROM replica WHERE id = ?1 AND partial";
        match self.has_row(sql, [replica.row])? {
            true => self.drop_rows(replica, None),
            false => Ok(()),
        }
    }

    /// Whether its operator has said that a drive is to be used, whatever its ledger says: that very one, by its file
    /// system.
    pub fn is_vouched_for(&self, drive: DriveRowId) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM drive JOIN known_drive USING (uuid) WHERE drive.id = ?1 \
                   AND known_drive.how = ?2 AND known_drive.serial IS drive.serial";
        self.has_row(sql, params![drive, KnownHow::Added.as_str()])
    }

    /// Forgets what is known of a replica, a little at a time, and gives the room of it back; with it the contents and
    /// mailboxes of which nothing else is known, where it is known which there were before.
    pub fn drop_rows(
        &self,
        replica: &mut ReplicaState,
        before: Option<KnownBefore>,
    ) -> Result<(), JobError> {
        // Of writers that only this ledger described.
        let unused = "IN (SELECT writer FROM replica_writer WHERE replica = ?1 AND writer IN (SELECT bits FROM writer \
             WHERE own_first IS NULL AND seen = 0) \
             AND writer NOT IN (SELECT writer FROM replica_writer WHERE replica <> ?1) LIMIT ?2)";
        self.delete_in_portions(&format!("DELETE FROM writer WHERE bits {unused}"), replica.row)?;
        let unused = "(writer, number) IN (SELECT writer, number FROM writer_link WHERE ?1 = ?1 \
             AND writer NOT IN (SELECT bits FROM writer) LIMIT ?2)";
        self.delete_in_portions(&format!("DELETE FROM writer_link WHERE {unused}"), replica.row)?;
        for (table, key) in [
            ("payload", "replica, number"),
            ("assertion", "replica, mailbox, key, content, line"),
            ("departure", "replica, mailbox, key, content, line"),
            ("mark", "replica, mailbox, line"),
            ("replica_writer", "replica, writer"),
            ("replica_mailbox", "replica, mailbox"),
        ] {
            let sql = format!(
                "DELETE FROM {table} WHERE ({key}) IN (SELECT {key} FROM {table} \
                 WHERE replica = ?1 LIMIT ?2)"
            );
            self.delete_in_portions(&sql, replica.row)?;
        }
        self.forget_replica(replica)?;
        if let Some(before) = before {
            let unused = "id IN (SELECT c.id FROM content c WHERE c.id > coalesce(?1, 0) \
                 AND NOT EXISTS (SELECT 1 FROM file WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM file WHERE good = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM missing WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM departed WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM departed WHERE to_content = c.id) \
                 AND c.id NOT IN (SELECT content FROM not_wanted) \
                 AND NOT EXISTS (SELECT 1 FROM payload WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM assertion WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM departure WHERE content = c.id) \
                 AND NOT EXISTS (SELECT 1 FROM departure WHERE to_content = c.id) LIMIT ?2)";
            self.delete_in_portions(
                &format!("DELETE FROM content WHERE {unused}"),
                before.content,
            )?;
            let unused = "id IN (SELECT id FROM mailbox WHERE id > coalesce(?1, 0) AND root IS NULL \
                 AND id NOT IN (SELECT mailbox FROM assertion) AND id NOT IN (SELECT mailbox FROM departure) \
                 AND id NOT IN (SELECT mailbox FROM mark) AND id NOT IN (SELECT mailbox FROM replica_mailbox) \
                 AND id NOT IN (SELECT mailbox FROM file) AND id NOT IN (SELECT mailbox FROM missing) \
                 AND id NOT IN (SELECT mailbox FROM departed) AND id NOT IN (SELECT mailbox FROM not_wanted) \
                 LIMIT ?2)";
            self.delete_in_portions(
                &format!("DELETE FROM mailbox WHERE {unused}"),
                before.mailbox,
            )?;
        }
        self.give_room_back()
    }

    fn delete_in_portions(&self, sql: &str, of: impl rusqlite::ToSql) -> Result<(), JobError> {
        loop {
            let gone = self.change(sql, params![of, ROWS_DROPPED])?;
            if gone == 0 {
                return Ok(());
            }
            let_others_go_first(0);
        }
    }

    /// Cuts off of the catalogue's files what is not used.
    fn give_room_back(&self) -> Result<(), JobError> {
        if self.state().is_none() {
            return Ok(());
        }
        // Each step gives one page back.
        let mut vacuum = self.db.prepare("PRAGMA incremental_vacuum")?;
        let mut pages = vacuum.query([])?;
        while pages.next()?.is_some() {}
        drop(pages);
        let mut query = self.db.prepare("PRAGMA wal_checkpoint(TRUNCATE)")?;
        Ok(query.query_row([], |_| Ok(()))?)
    }
}

impl LedgerImport<'_> {
    fn begin(&mut self) -> Result<(), JobError> {
        let db = &self.catalogue.db;
        if db.is_autocommit() {
            self.portion = Some(Transaction::new_unchecked(db, TransactionBehavior::Immediate)?);
        }
        Ok(())
    }

    /// Counts lines that were imported. Ends a portion that is large enough; `false` where there is no room for
    /// another one.
    pub fn count_lines(&mut self, lines: u64, replica: ReplicaRowId) -> Result<bool, JobError> {
        self.lines += lines;
        // A passing catalogue is nobody else's.
        if self.lines < LEDGER_PORTION_LINES || self.catalogue.state().is_none() {
            return Ok(true);
        }
        self.catalogue.set_partial(replica, true)?;
        self.is_partial = true;
        if let Some(portion) = self.portion.take() {
            portion.commit()?;
        }
        let_others_go_first(self.waited);
        let (now, room) = (self.catalogue.room_for(0), self.room);
        if let (Some(now), Some(room)) = (now, room)
            && now.free < room.floor
        {
            return Ok(false);
        }
        (self.lines, self.waited) = (0, WAITED.load(Ordering::Relaxed));
        self.begin()?;
        Ok(true)
    }

    /// All of it is in.
    pub fn done(mut self, replica: &ReplicaState) -> Result<(), JobError> {
        if self.is_partial {
            self.catalogue.set_partial(replica.row, false)?;
            self.catalogue.recompute_counts(replica.drive)?;
        }
        if let Some(portion) = self.portion.take() {
            portion.commit()?;
        }
        self.catalogue.limit_pages(None)
    }

    /// It is not imported: of a portion under way nothing is kept, and of those before it nothing either if all is to
    /// be forgotten.
    pub fn give_up(mut self, replica: &mut ReplicaState, forget: bool) -> Result<(), JobError> {
        // Rolls back.
        drop(self.portion.take());
        self.catalogue.limit_pages(None)?;
        match forget && self.is_partial {
            true => {
                self.catalogue.drop_rows(replica, Some(self.before))?;
                self.catalogue.set_partial(replica.row, false)?;
                self.catalogue.recompute_counts(replica.drive)
            }
            false => Ok(()),
        }
    }
}

/// Whoever waits for the catalogue writes first: without this nobody else would ever find it free. `waited` is what
/// was counted before.
fn let_others_go_first(mut waited: u64) {
    for _ in 0..LET_GO_FIRST {
        let now = WAITED.load(Ordering::Relaxed);
        if now == waited {
            return;
        }
        waited = now;
        std::thread::sleep(NOBODY_WAITS);
    }
}
