//! What was known of a ledger before it had to be read from its beginning: kept aside until all of it that the ledger
//! has lost is written again. Nothing here counts as a copy or a location meanwhile: a retired replica belongs to no
//! station.

use super::copies::{COPY_COLUMNS, CopyRow};
use super::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use super::rows::Columns;
use super::{Catalogue, ContentAt, CopyState, ReplicaState};
use crate::job::JobError;
use crate::model::ledger::Departed;
use crate::model::{Position, Suspicion, Timestamp};
use rusqlite::params;

/// A replica set aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PreviousReplica {
    /// Its row in the catalogue.
    pub row: ReplicaRowId,
    /// The ledger still ended as it was known to: it is the same one, and so are the copies.
    pub same_medium: bool,
    /// How far it was known.
    pub ledger_bytes: u64,
}

/// What a ledger said of a content at a location before it lost the line.
#[derive(Debug, Clone)]
pub struct LostLine {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Its row in the table of contents: a SHA-256 and a length.
    pub content: ContentRowId,
    /// The position of which the line spoke.
    pub position: Position,
    /// What it said.
    pub statement: LostStatement,
}

/// What a line said.
#[derive(Debug, Clone)]
pub enum LostStatement {
    /// That it is there, or is missing from there.
    Stands {
        /// It was missing.
        missing: bool,
        /// Why it was suspect.
        suspect: Option<Suspicion>,
        /// The file's own time.
        modified: Timestamp,
        /// Permission bits.
        mode: u32,
    },
    /// That it has left.
    Left {
        /// Whether it was deleted, replaced, moved or acknowledged.
        why: Departed,
        /// The location that has what came after it, and what that is.
        to: Option<ContentAt>,
    },
}

impl Catalogue {
    /// Sets aside what is known of a ledger, before it is read from its beginning; from now on `replica` is a new row
    /// that knows nothing. Where something is aside already, what was read since is in the ledger itself, and is
    /// forgotten.
    /// `same_medium` tells whether the ledger still ends as it was known to.
    pub fn retire_replica(
        &self,
        replica: &mut ReplicaState,
        same_medium: bool,
    ) -> Result<(), JobError> {
        let sql = "SELECT 1 FROM payload WHERE replica = ?1 UNION ALL SELECT 1 FROM assertion \
                   WHERE replica = ?1";
        let knows = self.has_row(sql, [replica.row])?;
        if let Some(before) = self.retired(replica)? {
            // Once it ended otherwise it may be another medium, whatever it ends in now.
            let sql = "UPDATE replica SET trusted = trusted AND ?2 WHERE id = ?1";
            self.db.execute(sql, params![before.row, same_medium])?;
            return self.forget_replica(replica);
        }
        // What a reading took in that did not come to its end is in the ledger itself.
        if !knows || replica.ledger_bytes == 0 {
            return self.forget_replica(replica);
        }
        let name = self.station_of_replica(replica.row)?;
        self.write_transaction(|| {
            // No station has a name with a slash in it.
            self.db.execute(
                "UPDATE replica SET station = '/' || station, trusted = ?2 WHERE id = ?1",
                params![replica.row, same_medium],
            )?;
            let old = replica.row;
            let anew = self.replica(replica.drive, &name)?;
            for table in ["scrub", "log_damage"] {
                let sql = format!("UPDATE {table} SET replica = ?2 WHERE replica = ?1");
                self.db.execute(&sql, [old, anew.row])?;
            }
            self.db.execute("DELETE FROM written_by_day WHERE replica = ?1", [old])?;
            replica.row = anew.row;
            self.forget_replica(replica)
        })
    }

    /// The replica set aside for the ledger that this one is of.
    pub fn retired(&self, replica: &ReplicaState) -> Result<Option<PreviousReplica>, JobError> {
        let sql = "SELECT id, trusted, ledger_bytes FROM replica WHERE drive = ?1 \
                   AND station = '/' || (SELECT station FROM replica WHERE id = ?2)";
        let found = self.first_row(sql, params![replica.drive, replica.row])?;
        Ok(found.map(|(row, same_medium, ledger_bytes)| PreviousReplica {
            row,
            same_medium,
            ledger_bytes,
        }))
    }

    /// Forgets what was set aside: all that is still so is in the ledger again.
    pub fn drop_retired(&self, retired: ReplicaRowId) -> Result<(), JobError> {
        self.write_transaction(|| {
            let tables = "SELECT t.name FROM sqlite_master t JOIN pragma_table_info(t.name) c \
                          WHERE t.type = 'table' AND c.name = 'replica'";
            for table in self.rows::<String>(tables, [])? {
                self.db.execute(&format!("DELETE FROM {table} WHERE replica = ?1"), [retired])?;
            }
            self.db.execute("DELETE FROM replica WHERE id = ?1", [retired])?;
            Ok(())
        })
    }

    /// Takes over what this card knows of copies by itself, where only lines of the ledger rotted and the medium is the
    /// same: that they were right, when they were read, or that they were not. Then lines after a break are no mere
    /// claims.
    pub fn carry_over(&self, retired: ReplicaRowId, replica: ReplicaRowId) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE payload AS p SET state = CASE p.state WHEN ?3 THEN q.state ELSE p.state END, \
             proven = q.proven, reread = q.reread, cycle = q.cycle, read_here = q.read_here \
             FROM payload q WHERE p.replica = ?2 AND q.replica = ?1 AND q.number = p.number \
             AND q.content = p.content AND q.segment = p.segment AND q.extension = p.extension \
             AND q.is_whole AND p.is_usable",
            params![retired, replica, CopyState::Claimed],
        )?;
        Ok(())
    }

    /// Up to `most` copies with numbers after `after` that were known and that the ledger has lost, or of which it has
    /// lost that they are bad or given up.
    pub fn copies_lost(
        &self,
        retired: ReplicaRowId,
        replica: ReplicaRowId,
        after: u32,
        most: u32,
    ) -> Result<Vec<CopyRow>, JobError> {
        let sql = format!(
            "SELECT {COPY_COLUMNS} FROM payload p JOIN content c ON c.id = p.content \
             LEFT JOIN payload n ON n.replica = ?2 AND n.number = p.number \
             WHERE p.replica = ?1 AND p.number > ?3 AND CASE \
             WHEN n.state IS NULL THEN p.is_whole OR p.state = ?5 \
             WHEN p.is_bad OR p.is_given_up THEN n.is_usable \
             ELSE p.is_whole AND n.is_bad END ORDER BY p.number LIMIT ?4"
        );
        self.rows(&sql, params![retired, replica, after, most, CopyState::Debris])
    }

    /// Up to `most` contents, in order and after one, that were at locations and of which the ledger says nothing there
    /// any more.
    pub fn assertions_lost(
        &self,
        retired: ReplicaRowId,
        replica: ReplicaRowId,
        after: Option<&LostLine>,
        most: u32,
    ) -> Result<Vec<LostLine>, JobError> {
        let sql = "SELECT o.mailbox, o.key, o.content, o.writer, o.n, o.missing, o.suspect, \
                   o.modified_s, o.modified_n, o.mode, max(o.line) FROM assertion o \
                   WHERE o.replica = ?1 AND (o.mailbox, o.key, o.content) > (coalesce(?3, -1), \
                   coalesce(?4, x''), coalesce(?5, 0)) AND NOT EXISTS (SELECT 1 FROM assertion n \
                   WHERE n.replica = ?2 AND n.mailbox = o.mailbox AND n.key = o.key AND n.content \
                   = o.content) GROUP BY o.mailbox, o.key, o.content ORDER BY o.mailbox, o.key, \
                   o.content LIMIT ?6";
        self.each_lost_line(sql, retired, replica, after, most, |columns| {
            Ok(LostStatement::Stands {
                missing: columns.read()?,
                suspect: columns.read()?,
                modified: columns.read()?,
                mode: columns.read()?,
            })
        })
    }

    /// The same of contents that had left, where the ledger still asserts that they were there, and has lost their
    /// departure.
    pub fn departures_lost(
        &self,
        retired: ReplicaRowId,
        replica: ReplicaRowId,
        after: Option<&LostLine>,
        most: u32,
    ) -> Result<Vec<LostLine>, JobError> {
        let sql = "SELECT o.mailbox, o.key, o.content, o.writer, o.n, o.why, o.to_mailbox, \
                   o.to_key, coalesce(o.to_content, o.content), max(o.line) FROM departure o \
                   WHERE o.replica = ?1 AND o.counts AND (o.mailbox, o.key, \
                   o.content) > (coalesce(?3, -1), coalesce(?4, x''), coalesce(?5, 0)) \
                   AND EXISTS (SELECT 1 FROM assertion n WHERE n.replica = ?2 \
                   AND n.mailbox = o.mailbox AND n.key = o.key AND n.content = o.content) \
                   AND NOT EXISTS (SELECT 1 FROM departure d WHERE d.replica = ?2 \
                   AND d.mailbox = o.mailbox AND d.key = o.key AND d.content = o.content \
                   AND d.counts) GROUP BY o.mailbox, o.key, o.content ORDER BY o.mailbox, o.key, \
                   o.content LIMIT ?6";
        self.each_lost_line(sql, retired, replica, after, most, |columns| {
            Ok(LostStatement::Left { why: columns.read()?, to: columns.location()? })
        })
    }

    /// What a query finds: the location, the content and the position of each line, then what it said.
    fn each_lost_line(
        &self,
        sql: &str,
        retired: ReplicaRowId,
        replica: ReplicaRowId,
        after: Option<&LostLine>,
        most: u32,
        statement: impl Fn(&mut Columns<'_, '_>) -> rusqlite::Result<LostStatement>,
    ) -> Result<Vec<LostLine>, JobError> {
        let (mailbox, key) = (after.map(|a| a.mailbox), after.map(|a| &a.key));
        let of = params![retired, replica, mailbox, key, after.map(|a| a.content), most];
        let mut query = self.db.prepare_cached(sql)?;
        let rows = query.query_map(of, |row| {
            let mut columns = Columns::of(row);
            let (mailbox, key, content, position) = columns.read()?;
            Ok(LostLine { mailbox, key, content, position, statement: statement(&mut columns)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Where mailboxes lay, by lines that the ledger has lost: the mailbox, and its path.
    pub fn roots_lost(
        &self,
        retired: ReplicaRowId,
        replica: ReplicaRowId,
    ) -> Result<Vec<(MailboxRowId, Vec<u8>)>, JobError> {
        let sql = "SELECT mailbox, root FROM replica_mailbox o WHERE replica = ?1 \
                   AND NOT EXISTS (SELECT 1 FROM replica_mailbox n WHERE n.replica = ?2 \
                   AND n.mailbox = o.mailbox) ORDER BY mailbox";
        self.rows(sql, [retired, replica])
    }
}
