//! Owns the host's database of mailbox and drives: opening, rebuilding, copying it for a reader.
//! Never the only place of anything: whatever it says is read again from mailbox and drives when it is lost.

mod audit;
mod books;
mod drives;
mod files;
mod union;

pub use audit::Totals;
pub use books::{BookRow, GONE_MOVED, GONE_REMOVED, Held, PayloadRow, PayloadState, PlaceRow};
pub use drives::DriveRow;
pub use files::{FileRow, FileState, NewFile};

pub use union::Wanted;

use super::JobError;
use crate::disk::host;
use crate::model::{CardId, Clock, Identity, MailboxName};
use rusqlite::{Connection, OptionalExtension as _, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Raised whenever the tables change; a catalogue of another version is set aside and built anew.
const VERSION: i64 = 2;
/// Pages of 4 KiB kept in memory, as a negative count of KiB: small, since a board has little.
const CACHE_KIB: i64 = -2048;
/// How long a writer waits for another to finish.
const BUSY: Duration = Duration::from_secs(30);

/// An open catalogue.
pub struct Catalogue {
    db: Connection,
}

/// What became of a catalogue that could not be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetAside {
    /// Where it is now.
    pub path: PathBuf,
    /// What was wrong with it.
    pub why: String,
}

impl Catalogue {
    /// Opens the catalogue in a state folder, making it if it is not there. A damaged one is set
    /// aside under another name and a new one begun.
    pub fn open(state: &Path) -> Result<(Self, Option<SetAside>), JobError> {
        host::make_dirs(state)?;
        let path = Self::path(state);
        match Self::try_open(&path) {
            Ok(catalogue) => Ok((catalogue, None)),
            Err(JobError::Catalogue(why)) if is_damage(&why) => {
                let aside = host::set_aside(&path)?;
                for suffix in ["-wal", "-shm"] {
                    let mut name = path.clone().into_os_string();
                    name.push(suffix);
                    host::set_aside(Path::new(&name))?;
                }
                let why = why.to_string();
                Ok((Self::try_open(&path)?, aside.map(|path| SetAside { path, why })))
            }
            Err(error) => Err(error),
        }
    }

    /// A copy in memory of the catalogue in a state folder, or an empty one: for commands that only
    /// look, so that they write nothing and hold up nobody.
    pub fn snapshot(state: &Path) -> Result<Self, JobError> {
        let mut copy = Self::in_memory()?;
        let path = Self::path(state);
        if !host::exists(&path) {
            return Ok(copy);
        }
        let flags =
            rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let take = || -> rusqlite::Result<Connection> {
            let from = Connection::open_with_flags(&path, flags)?;
            from.busy_timeout(BUSY)?;
            let mut into = Connection::open_in_memory()?;
            rusqlite::backup::Backup::new(&from, &mut into)?.run_to_completion(
                100_000,
                Duration::from_millis(1),
                None,
            )?;
            Ok(into)
        };
        match take() {
            Ok(db) => {
                let taken = Self::over(db)?;
                if taken.has_version().unwrap_or(false) {
                    copy = taken;
                }
                Ok(copy)
            }
            // A damaged catalogue: look at mailbox and drives themselves instead.
            Err(error) if is_damage(&error) => Ok(copy),
            Err(error) => Err(error.into()),
        }
    }

    /// An empty catalogue in memory.
    pub fn in_memory() -> Result<Self, JobError> {
        let catalogue = Self::over(Connection::open_in_memory()?)?;
        catalogue.create()?;
        Ok(catalogue)
    }

    fn over(db: Connection) -> Result<Self, JobError> {
        // Plans do not depend on the values bound: else most statements are prepared anew at each use.
        db.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
        Ok(Self { db })
    }

    /// The catalogue's file in a state folder.
    pub fn path(state: &Path) -> PathBuf {
        state.join("catalogue.sqlite")
    }

    fn try_open(path: &Path) -> Result<Self, JobError> {
        let catalogue = Self::over(Connection::open(path)?)?;
        catalogue.db.busy_timeout(BUSY)?;
        catalogue.db.pragma_update(None, "journal_mode", "WAL")?;
        // The catalogue may lose its last transactions in a power cut: it is a cache. It may not break.
        catalogue.db.pragma_update(None, "synchronous", "NORMAL")?;
        catalogue.db.pragma_update(None, "cache_size", CACHE_KIB)?;
        if !catalogue.has_version()? {
            catalogue.create()?;
        }
        Ok(catalogue)
    }

    fn has_version(&self) -> Result<bool, JobError> {
        let found: i64 = self.db.pragma_query_value(None, "user_version", |row| row.get(0))?;
        match found {
            VERSION => Ok(true),
            0 => Ok(false),
            other => Err(rusqlite::Error::SqliteFailure(
                rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_NOTADB),
                Some(format!("made by another version of the program (tables {other})")),
            )
            .into()),
        }
    }

    fn create(&self) -> Result<(), JobError> {
        let card = CardId::from_bits(host::random_bits()?);
        let transaction = self.db.unchecked_transaction()?;
        transaction.execute_batch(include_str!("schema.sql"))?;
        transaction.pragma_update(None, "user_version", VERSION)?;
        transaction.execute(
            "INSERT INTO meta VALUES ('card', ?1), ('era', '1'), ('tick', '0')",
            [card.to_string()],
        )?;
        Ok(transaction.commit()?)
    }

    /// Runs several changes as one.
    pub fn together<T>(&self, work: impl FnOnce() -> Result<T, JobError>) -> Result<T, JobError> {
        if !self.db.is_autocommit() {
            return work();
        }
        let transaction = rusqlite::Transaction::new_unchecked(
            &self.db,
            rusqlite::TransactionBehavior::Immediate,
        )?;
        let value = work()?;
        transaction.commit()?;
        Ok(value)
    }

    /// Answers several questions from one state of the catalogue, taking its lock once. Nothing may be
    /// changed in it.
    pub fn at_once<T>(&self, ask: impl FnOnce() -> Result<T, JobError>) -> Result<T, JobError> {
        if !self.db.is_autocommit() {
            return ask();
        }
        self.db.prepare_cached("BEGIN")?.execute([])?;
        let answer = ask();
        self.db.prepare_cached("COMMIT")?.execute([])?;
        answer
    }

    /// Gives memory back to the system while there is nothing to do.
    pub fn rest(&self) -> Result<(), JobError> {
        self.db.flush_prepared_statement_cache();
        Ok(self.db.pragma_update(None, "shrink_memory", 0)?)
    }

    fn meta(&self, name: &str) -> Result<Option<String>, JobError> {
        let mut query = self.db.prepare_cached("SELECT value FROM meta WHERE name = ?1")?;
        Ok(query.query_row([name], |row| row.get(0)).optional()?)
    }

    fn set_meta(&self, name: &str, value: &str) -> Result<(), JobError> {
        self.db
            .prepare_cached("INSERT OR REPLACE INTO meta VALUES (?1, ?2)")?
            .execute([name, value])?;
        Ok(())
    }

    /// The id of this card: random, made with the catalogue.
    pub fn card(&self) -> Result<CardId, JobError> {
        let text = self.meta("card")?.unwrap_or_default();
        Ok(text.parse().unwrap_or(CardId::from_bits(0)))
    }

    /// The number of this catalogue in the succession of catalogues that wrote to the drives seen.
    pub fn era(&self) -> Result<u64, JobError> {
        Ok(self.meta("era")?.and_then(|text| text.parse().ok()).unwrap_or(1))
    }

    /// Moves behind an era found on a drive and not our own, so that what we write there is later.
    pub fn pass_era(&self, found: u64) -> Result<(), JobError> {
        self.set_meta("era", &found.saturating_add(1).to_string())
    }

    /// The number of the last change.
    pub fn tick(&self) -> Result<u64, JobError> {
        Ok(self.meta("tick")?.and_then(|text| text.parse().ok()).unwrap_or(0))
    }

    fn next_tick(&self) -> Result<u64, JobError> {
        let tick = self.tick()? + 1;
        self.set_meta("tick", &tick.to_string())?;
        Ok(tick)
    }

    /// Looks made in another boot, or by another run of the daemon, are no first looks of this one:
    /// their monotonic time means nothing here.
    pub fn begin_run(&self, clock: &dyn Clock) -> Result<(), JobError> {
        let now = millis(clock);
        self.db
            .prepare_cached("UPDATE file SET looked = ?1 WHERE state > 1 AND looked <> ?1")?
            .execute([now])?;
        Ok(())
    }

    /// The row of a mailbox; `root` is its path on the card, raw.
    pub fn mailbox(&self, name: &MailboxName, root: Option<&[u8]>) -> Result<i64, JobError> {
        let found = self
            .db
            .prepare_cached("SELECT id, root FROM mailbox WHERE name = ?1")?
            .query_row([name.as_str()], |row| Ok((row.get(0)?, row.get::<_, Option<Vec<u8>>>(1)?)))
            .optional()?;
        match found {
            Some((id, known)) => {
                if root.is_some() && known.as_deref() != root {
                    self.db
                        .execute("UPDATE mailbox SET root = ?2 WHERE id = ?1", params![id, root])?;
                }
                Ok(id)
            }
            None => {
                self.db.execute(
                    "INSERT INTO mailbox (name, root) VALUES (?1, ?2)",
                    params![name.as_str(), root],
                )?;
                Ok(self.db.last_insert_rowid())
            }
        }
    }

    /// Name and path of a mailbox.
    pub fn mailbox_name(&self, id: i64) -> Result<(MailboxName, Option<Vec<u8>>), JobError> {
        let (name, root): (String, _) = self
            .db
            .prepare_cached("SELECT name, root FROM mailbox WHERE id = ?1")?
            .query_row([id], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let name = name.parse().map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        Ok((name, root))
    }

    /// The row of a content.
    pub fn content(&self, identity: &Identity) -> Result<i64, JobError> {
        let digest: &[u8] = identity.digest.as_bytes();
        let found = self
            .db
            .prepare_cached("SELECT id, bytes FROM content WHERE sha256 = ?1")?
            .query_row([digest], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?)))
            .optional()?;
        match found {
            Some((id, bytes)) if bytes == identity.bytes as i64 => Ok(id),
            // Never seen in the world for SHA-256; said rather than guessed at.
            Some(_) => Err(JobError::Broken(format!(
                "two messages of different length have the digest {}: keep both by hand and report this",
                identity.digest
            ))),
            None => {
                self.db
                    .prepare_cached("INSERT INTO content (sha256, bytes) VALUES (?1, ?2)")?
                    .execute(params![digest, identity.bytes as i64])?;
                Ok(self.db.last_insert_rowid())
            }
        }
    }
}

/// Monotonic milliseconds, as kept in the catalogue.
pub fn millis(clock: &dyn Clock) -> i64 {
    i64::try_from(clock.since_boot().as_millis()).unwrap_or(i64::MAX)
}

fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    matches!(error.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase))
}

fn digest_column(row: &rusqlite::Row<'_>, at: usize) -> rusqlite::Result<crate::model::Digest> {
    row.get::<_, [u8; 32]>(at).map(crate::model::Digest::from_bytes)
}
