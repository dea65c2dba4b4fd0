//! How far each station's ledger on each drive is known, so that the known part is not read again.
//! Never says more of a ledger than was read from it or durably written to it.

use super::Catalogue;
use super::row_ids::{DriveRowId, MailboxRowId, ReplicaRowId};
use super::rows::{Columns, FromRow};
use crate::disk::host;
use crate::job::JobError;
use crate::model::StationName;
use crate::model::ledger::Chain;
use crate::model::limits::{NUMBER_MAX, SEGMENT_MAX, SEGMENT_MESSAGES};
use rusqlite::params;
use std::path::Path;

/// The file next to the catalogue that names the mounts in which a sync failed, one a line.
pub(super) const LOST_PAGES: &str = "lost-pages";

/// Messages that a drive asserts and the mailboxes of this card lack.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LackingCount {
    /// How many.
    pub messages: u64,
    /// Sum of their lengths, in bytes.
    pub bytes: u64,
    /// When the one last seen came, in claimed seconds.
    pub newest: Option<i64>,
}

/// A row of the table of replicas: how far a station's ledger on a drive is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReplicaState {
    /// Row number.
    pub row: ReplicaRowId,
    /// Row of its drive.
    pub drive: DriveRowId,
    /// Bytes of the ledger known.
    pub ledger_bytes: u64,
    /// The end of its chain.
    pub chain: Chain,
    /// Numbers that the next line leaves out: those of each run of lines begin at one that is drawn. Never kept: a
    /// catalogue may be put back to what it was, and its drives with it.
    pub left_out: u64,
    /// Bytes of the manifest known.
    pub manifest_bytes: u64,
    /// The segment being filled; 0 before the first.
    pub segment: u32,
    /// Files in it.
    pub segment_used: u32,
    /// The number of the next copy.
    pub next_number: u32,
    /// Lines of the ledger that cannot be read.
    pub gaps: u64,
    /// The change after which the last of them was found: what was seen to leave before that may be asserted again in
    /// that line.
    pub gaps_since: u64,
    /// Of them, those that this card never read.
    pub gaps_unknown: u64,
    /// The mount last written in, if the last batch ended well.
    pub session: Option<String>,
    /// Whether this session's `opened` line is written.
    pub opened: bool,
    /// The last change that the ledger records of the mailboxes in `recorded_mailboxes`.
    pub recorded_through: u64,
    /// The rows of these mailboxes, in order: of others the ledger may know nothing.
    pub recorded_mailboxes: String,
    /// What the ledger asserts and this card's mailboxes lack.
    pub lacking: LackingCount,
    /// Lines were read that nobody here made durable: they may be in the system's memory alone.
    pub unsynced_lines: bool,
    /// Copies without a line may be in any segment, not only in the last.
    pub unlisted_anywhere: bool,
}

impl FromRow for ReplicaState {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            row: columns.read()?,
            drive: columns.read()?,
            ledger_bytes: columns.read()?,
            chain: Chain { head: columns.read()?, seq: columns.read()? },
            left_out: 0,
            manifest_bytes: columns.read()?,
            segment: columns.read()?,
            segment_used: columns.read()?,
            next_number: columns.read()?,
            gaps: columns.read()?,
            gaps_since: columns.read()?,
            gaps_unknown: columns.read()?,
            session: columns.read()?,
            opened: columns.read()?,
            recorded_through: columns.read()?,
            recorded_mailboxes: columns.read()?,
            lacking: LackingCount {
                messages: columns.read()?,
                bytes: columns.read()?,
                newest: columns.read()?,
            },
            unsynced_lines: columns.read()?,
            unlisted_anywhere: columns.read()?,
        })
    }
}

impl ReplicaState {
    const COLUMNS: &str = "id, drive, ledger_bytes, head, seq, manifest_bytes, segment, segment_used, next_number, \
        gaps, gaps_since, \
         gaps_unknown, session, opened, recorded_through, recorded_mailboxes, lacking, lacking_bytes, lacking_newest, \
         unsynced_lines, unlisted_anywhere";

    /// What the next line is chained to.
    pub fn chain_to_write(&self) -> Chain {
        Chain { seq: self.chain.seq + self.left_out, ..self.chain }
    }

    /// Whether no name is left for a further copy.
    pub fn is_used_up(&self) -> bool {
        self.next_number > NUMBER_MAX
            || self.segment > SEGMENT_MAX
            || self.segment == SEGMENT_MAX && self.segment_used >= SEGMENT_MESSAGES
    }

    /// Whether a line that cannot be read was found after a change: that line may assert again what left by that
    /// change, and a departure would not count.
    pub fn cannot_record_departure(&self, change_no: u64) -> bool {
        self.gaps > 0 && change_no <= self.gaps_since
    }
}

impl Catalogue {
    /// What is known of a station's ledger on a drive; a new row if nothing is.
    pub fn replica(
        &self,
        drive: DriveRowId,
        station: &StationName,
    ) -> Result<ReplicaState, JobError> {
        let sql = format!(
            "SELECT {} FROM replica WHERE drive = ?1 AND station = ?2",
            ReplicaState::COLUMNS
        );
        let find = || self.first_row(&sql, params![drive, station.as_str()]);
        if let Some(row) = find()? {
            return Ok(row);
        }
        self.db.execute(
            "INSERT INTO replica (drive, station, ledger_bytes, head, seq, manifest_bytes, segment, \
             segment_used, next_number, gaps, opened, recorded_through, unsynced_lines, unlisted_anywhere, trusted) \
             VALUES (?1, ?2, 0, ?3, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, \
             NOT EXISTS (SELECT 1 FROM drive WHERE id = ?1 AND distrust IS NOT NULL))",
            params![drive, station.as_str(), Chain::default().head.as_bytes().as_slice()],
        )?;
        find()?.ok_or_else(|| {
            JobError::Broken("catalogue: a row is not there after it was made".into())
        })
    }

    /// Writes back what is known of a ledger; only if it changed.
    pub fn save_replica(&self, replica: &ReplicaState) -> Result<(), JobError> {
        let head: &[u8] = replica.chain.head.as_bytes();
        let sql = "UPDATE replica SET ledger_bytes = ?2, head = ?3, seq = ?4, manifest_bytes = ?5, \
                   segment = ?6, segment_used = ?7, next_number = ?8, gaps = ?9, session = ?10, \
                   opened = ?11, recorded_through = ?12, unsynced_lines = ?13, \
                   unlisted_anywhere = ?14, recorded_mailboxes = ?15, lacking = ?16, lacking_bytes \
                   = ?17, lacking_newest = ?18, gaps_since = ?19, gaps_unknown = ?20 WHERE id = ?1";
        self.change(
            sql,
            params![
                replica.row,
                replica.ledger_bytes as i64,
                head,
                replica.chain.seq as i64,
                replica.manifest_bytes as i64,
                replica.segment,
                replica.segment_used,
                replica.next_number,
                replica.gaps as i64,
                replica.session,
                replica.opened,
                replica.recorded_through as i64,
                replica.unsynced_lines,
                replica.unlisted_anywhere,
                replica.recorded_mailboxes,
                replica.lacking.messages as i64,
                replica.lacking.bytes as i64,
                replica.lacking.newest,
                replica.gaps_since as i64,
                replica.gaps_unknown as i64,
            ],
        )?;
        Ok(())
    }

    /// Forgets what is known of a ledger, before it is read from its beginning.
    pub fn forget_replica(&self, replica: &mut ReplicaState) -> Result<(), JobError> {
        for table in [
            "payload",
            "assertion",
            "departure",
            "mark",
            "replica_writer",
            "replica_mailbox",
            "written_by_day",
            "witness",
        ] {
            self.db.execute(&format!("DELETE FROM {table} WHERE replica = ?1"), [replica.row])?;
        }
        *replica = ReplicaState {
            ledger_bytes: 0,
            chain: Chain::default(),
            manifest_bytes: 0,
            segment: 0,
            segment_used: 0,
            // Numbers once given out are not given out again, even where the device has lost every trace of
            // them: a manifest from before may come back.
            gaps: 0,
            gaps_since: 0,
            gaps_unknown: 0,
            session: None,
            opened: false,
            recorded_through: 0,
            recorded_mailboxes: String::new(),
            lacking: LackingCount::default(),
            unsynced_lines: false,
            unlisted_anywhere: true,
            ..*replica
        };
        self.save_replica(replica)?;
        self.make_durable()
    }

    /// What was committed so far survives a power failure from here on (SQLite, "Write-Ahead Logging", on checkpoints):
    /// called where a drive turns out to hold less than was known, so that no power failure restores the old knowledge.
    pub fn make_durable(&self) -> Result<(), JobError> {
        if self.state().is_none() || !self.db.is_autocommit() {
            return Ok(());
        }
        let mut query = self.db.prepare_cached("PRAGMA wal_checkpoint(PASSIVE)")?;
        Ok(query.query_row([], |_| Ok(()))?)
    }

    /// Remembers that a sync failed in this mount, and forgets those of earlier boots. Also in a file of its own: one
    /// brown-out may damage the catalogue and fail a stick, and nothing on the stick records this.
    pub fn note_lost_pages(&self, session: &str) -> Result<(), JobError> {
        let boot = session.split(' ').next().unwrap_or_default();
        self.db.execute("DELETE FROM lost_pages WHERE session NOT LIKE ?1 || ' %'", [boot])?;
        self.db.execute("INSERT OR IGNORE INTO lost_pages VALUES (?1)", [session])?;
        if let Some(state) = self.state() {
            let path = state.join(LOST_PAGES);
            host::write_whole(&path, self.lost_pages()?.join("\n").as_bytes())?;
            host::give_to_owner_of_folder(&path)?;
        }
        Ok(())
    }

    /// The mounts in which a sync failed.
    pub fn lost_pages(&self) -> Result<Vec<String>, JobError> {
        self.rows("SELECT session FROM lost_pages", [])
    }

    /// Takes over into a new catalogue what an earlier one in this folder knew of failed syncs.
    pub(super) fn recall_lost_pages(&self, state: &Path) -> Result<(), JobError> {
        let known = host::read_text(&state.join(LOST_PAGES)).unwrap_or_else(|error| {
            // On a card that fails, going on without is better than not copying at all.
            tracing::warn!(%error, "which syncs failed in this boot is not known any more");
            None
        });
        known.unwrap_or_default().lines().try_for_each(|session| {
            self.db.execute("INSERT OR IGNORE INTO lost_pages VALUES (?1)", [session])?;
            Ok(())
        })
    }

    /// Whether a sync failed in this mount.
    pub fn has_lost_pages(&self, session: &str) -> Result<bool, JobError> {
        self.has_row("SELECT 1 FROM lost_pages WHERE session = ?1", [session])
    }

    /// [`ReplicaState::is_silent_of`], of a row's number.
    pub(super) fn cannot_record_departure(
        &self,
        replica: ReplicaRowId,
        change_no: u64,
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM replica WHERE id = ?1 AND gaps > 0 AND gaps_since >= ?2";
        self.has_row(sql, params![replica, change_no as i64])
    }

    /// Whether the ledger already says where a mailbox lies.
    pub fn replica_knows_root(
        &self,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
        root: &[u8],
    ) -> Result<bool, JobError> {
        let sql = "SELECT 1 FROM replica_mailbox WHERE replica = ?1 AND mailbox = ?2 AND root = ?3";
        self.has_row(sql, params![replica, mailbox, root])
    }

    /// Number and bytes of the messages a drive holds for its station.
    pub fn replica_totals(&self, replica: ReplicaRowId) -> Result<(u64, u64), JobError> {
        let sql = "SELECT count(*), CAST(total(bytes) AS INTEGER) FROM content WHERE id \
                   IN (SELECT content FROM payload WHERE replica = ?1 AND is_good)";
        self.only_row(sql, [replica])
    }

    /// Whether anything is known of a copy in a replica, be it damaged, gone or what a power failure left.
    pub fn has_copies(&self, replica: ReplicaRowId) -> Result<bool, JobError> {
        self.has_row("SELECT 1 FROM payload WHERE replica = ?1 LIMIT 1", [replica])
    }

    /// The replicas of a drive: row and station.
    pub fn replicas_of(
        &self,
        drive: DriveRowId,
    ) -> Result<Vec<(ReplicaRowId, StationName)>, JobError> {
        let sql = "SELECT id, station FROM replica WHERE drive = ?1 ORDER BY station";
        let rows: Vec<(_, String)> = self.rows(sql, [drive])?;
        let parsed = rows.into_iter().map(|(id, station)| Some((id, station.parse().ok()?)));
        Ok(parsed.flatten().collect())
    }
}
