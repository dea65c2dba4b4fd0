//! Opens the catalogue: to write, to look only, or as a copy in memory; sets a damaged one aside.
//! Never deletes one.

use super::Catalogue;
use crate::disk::{ErrorKind, MemoryFolder, StandIn, host, make_dirs};
use crate::job::JobError;
use crate::model::DriveId;
use crate::model::limits::CATALOGUE_JOURNAL_BYTES;
use globset::GlobSet;
use rusqlite::Connection;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Raised whenever the tables change; a catalogue of another version is set aside and built anew.
const VERSION: i64 = 16;
/// Pages of 4 KiB kept in memory, as a negative count of KiB: small, since a board has little.
const CACHE_KIB: i64 = -1024;
/// The same for a passing copy: enough for every station's but the largest, of which a board could not hold all.
const PASSING_KIB: i64 = -16 * 1024;
/// Pages kept in memory by one that works with little, as a negative count of KiB.
const SMALL_KIB: i64 = -256;
/// Statements kept prepared: above the number there are, or the work of a pass drives out its own.
const STATEMENTS: usize = 160;
/// How long a reader waits where it has to.
const BUSY: Duration = Duration::from_secs(30);

/// What became of a catalogue that could not be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetAside {
    /// Where it is now.
    pub path: PathBuf,
    /// What was wrong with it.
    pub why: String,
}

impl Catalogue {
    /// Gives memory back to the system while there is nothing to do.
    pub fn release_memory(&self) -> Result<(), JobError> {
        self.db.flush_prepared_statement_cache();
        Ok(self.db.pragma_update(None, "shrink_memory", 0)?)
    }

    /// Opens the catalogue in a state folder, making it if it is not there. A damaged one is set
    /// aside under another name and a new one begun.
    pub fn open(state: &Path) -> Result<(Self, Option<SetAside>), JobError> {
        make_dirs(state)?;
        let path = Self::path(state);
        match Self::try_open(&path) {
            Err(error) if error.is_damaged_catalogue() => {
                super::known_drives::rescue_before_set_aside(&path, state);
                let aside = Self::set_aside(state, &error)?;
                Ok((Self::try_open(&path)?, aside))
            }
            catalogue => Ok((catalogue?, None)),
        }
    }

    /// Moves a damaged catalogue out of the way, so that the next opening begins a new one. Nothing may
    /// have it open.
    pub fn set_aside(state: &Path, why: &JobError) -> Result<Option<SetAside>, JobError> {
        let path = Self::path(state);
        let aside = host::set_aside(&path)?;
        for suffix in ["-wal", "-shm"] {
            let mut name = path.clone().into_os_string();
            name.push(suffix);
            host::set_aside(Path::new(&name))?;
        }
        Ok(aside.map(|path| SetAside { path, why: why.to_string() }))
    }

    /// The catalogue of a state folder, to look only. Work that would have to change it fails; then a
    /// [`snapshot`](Self::snapshot) is the way. `None` if there is none, or it is not to be used.
    pub fn read_only(state: &Path) -> Option<Self> {
        refuse_links(&Self::path(state)).ok()?;
        let flags =
            rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(Self::path(state), flags).ok()?;
        let mut catalogue = Self::with_connection(db).ok()?;
        catalogue.records_sightings = false;
        catalogue.db.busy_timeout(BUSY).ok()?;
        catalogue.db.pragma_update(None, "cache_size", CACHE_KIB).ok()?;
        catalogue.has_version().ok()?.then_some(catalogue)
    }

    /// A passing copy of the catalogue in a state folder, or an empty one: for commands that only
    /// look, so that they change nothing and hold up nobody.
    pub fn snapshot(state: &Path) -> Result<Self, JobError> {
        let mut copy = Self::temporary()?;
        copy.recall_forgotten(state)?;
        copy.recall_known(state)?;
        let path = Self::path(state);
        if !host::exists(&path) {
            return Ok(copy);
        }
        refuse_links(&path)?;
        let flags =
            rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let take = || -> rusqlite::Result<Connection> {
            let from = Connection::open_with_flags(&path, flags)?;
            from.busy_timeout(BUSY)?;
            copied(&from)
        };
        match take() {
            Ok(db) => {
                let loaded = Self::with_connection(db)?;
                // In a damaged one already this may fail.
                let set = loaded.db.pragma_update(None, "cache_size", PASSING_KIB);
                if set.is_ok() && loaded.has_version().unwrap_or(false) {
                    copy = loaded;
                }
                Ok(copy)
            }
            // A damaged catalogue: look at mailbox and drives themselves instead.
            Err(error) => match JobError::from(error) {
                error if error.is_damaged_catalogue() => Ok(copy),
                error => Err(error),
            },
        }
    }

    /// An empty catalogue that goes with the value: in memory, and what is too much for that in a file without
    /// a name in the system's folder for such (SQLite, "Temporary Files Used By SQLite").
    pub fn temporary() -> Result<Self, JobError> {
        let catalogue = Self::with_connection(Connection::open("")?)?;
        catalogue.db.pragma_update(None, "cache_size", PASSING_KIB)?;
        catalogue.create()?;
        Ok(catalogue)
    }

    /// A copy of this one as it is now, that goes with the value.
    pub fn copied(&self) -> Result<Self, JobError> {
        Self::with_connection(copied(&self.db)?)
    }

    /// An empty catalogue in memory.
    pub fn in_memory() -> Result<Self, JobError> {
        let catalogue = Self::with_connection(Connection::open_in_memory()?)?;
        catalogue.create()?;
        Ok(catalogue)
    }

    fn with_connection(db: Connection) -> Result<Self, JobError> {
        // Plans do not depend on the values bound: else most statements are prepared anew at each use.
        db.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
        db.set_prepared_statement_cache_capacity(STATEMENTS);
        Ok(Self {
            db,
            home: None,
            records_sightings: true,
            is_fresh: true.into(),
            lineage: None.into(),
            writers_described: None.into(),
            reading: None.into(),
            messages: Default::default(),
            in_force: RefCell::new(None),
            ignored: RefCell::new(GlobSet::empty()),
        })
    }

    /// The lock of a drive's id: two drives with one id, as after copying a stick, are never written at the
    /// same time, since the catalogue keeps one ledger an id. None for a catalogue in memory.
    pub fn lock_drive(&self, id: DriveId) -> Result<Option<host::Lock>, JobError> {
        let Some(state) = self.state() else { return Ok(None) };
        match host::lock(&state.join(format!("drive-{id}.lock"))) {
            Ok(lock) => Ok(Some(lock)),
            // The drive itself is in use; anything else is the state folder's own trouble.
            Err(error) if error.trouble == ErrorKind::Busy => Err(error.into()),
            Err(error) => Err(JobError::State(error)),
        }
    }

    /// Opens the catalogue in a folder that stands in for a state folder that cannot be written. What is known
    /// there is taken over as far as it can be read. Its first change is a new writer's, like that of every opening:
    /// when the state folder can be written again, it knows nothing of what was done meanwhile.
    pub fn open_stand_in(state: &Path, folder: &Path) -> Result<Self, JobError> {
        let is_new = !host::exists(&Self::path(folder));
        if is_new && let Err(error) = copy_files(state, folder) {
            tracing::warn!(%error, "what is known cannot be read: mailbox and drives are read anew");
            host::set_aside(&Self::path(folder))?;
        }
        Ok(Self::open(folder)?.0)
    }

    /// A passing copy in memory alone, as where the state folder and the system's folder for temporary files are on
    /// a card that is full or may only be read.
    pub fn snapshot_in_memory(state: &Path) -> Result<Self, JobError> {
        let home = MemoryFolder::new()?;
        copy_files(state, home.path())?;
        let (mut copy, _) = Self::open(home.path())?;
        copy.db.pragma_update(None, "temp_store", "MEMORY")?;
        copy.home = Some(home);
        Ok(copy)
    }

    /// Answers what is safe for a state that is not kept: of a message first seen by this very look nobody here knows
    /// when it came, and so it is safe where a ledger has it at its path and no ledger known says that it left.
    pub fn believe_ledgers(&self) -> Result<(), JobError> {
        self.db.pragma_update(None, "temp_store", "MEMORY")?;
        // In place of the view of that name: what is temporary is found first (SQLite, "Names of Objects").
        Ok(self.db.execute_batch(
            "CREATE TEMP VIEW IF NOT EXISTS restorable AS SELECT k.mailbox, k.key, k.content, k.replica, \
             CASE WHEN EXISTS (SELECT 1 FROM departure d WHERE d.mailbox = k.mailbox AND d.key = k.key \
             AND d.content = k.content) THEN k.as_of ELSE 9223372036854775807 END AS as_of FROM main.restorable k",
        )?)
    }

    /// The catalogue's file in a state folder.
    pub fn path(state: &Path) -> PathBuf {
        state.join("catalogue.sqlite")
    }

    fn try_open(path: &Path) -> Result<Self, JobError> {
        refuse_links(path)?;
        let mut catalogue = Self::with_connection(Connection::open(path)?)?;
        // Before its other files exist, which get the owner of this one.
        host::give_to_owner_of_folder(path)?;
        catalogue.db.busy_handler(Some(super::ledger_import::wait_for_turn))?;
        // What a drive took that is not used after all is cut off its end again. Of a new one only: to say it again
        // would write to the card at every opening.
        if !catalogue.has_pages()? {
            catalogue.db.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
        }
        catalogue.db.pragma_update(None, "journal_mode", "WAL")?;
        catalogue.db.pragma_update_and_check(
            None,
            "journal_size_limit",
            CATALOGUE_JOURNAL_BYTES as i64,
            |_| Ok(()),
        )?;
        // The catalogue may lose its last transactions in a power cut: it is a cache. It may not break.
        catalogue.db.pragma_update(None, "synchronous", "NORMAL")?;
        catalogue.db.pragma_update(None, "cache_size", CACHE_KIB)?;
        if catalogue.state().is_some_and(StandIn::is_one) {
            // The system's folder for temporary files is on the card that takes nothing.
            catalogue.db.pragma_update(None, "temp_store", "MEMORY")?;
        }
        if !catalogue.has_version()? {
            catalogue.create()?;
            let state = catalogue.state().map(Path::to_owned).unwrap_or_default();
            catalogue.recall_lost_pages(&state)?;
            catalogue.recall_forgotten(&state)?;
            catalogue.recall_known(&state)?;
        }
        Ok(catalogue)
    }

    /// Works with little memory, for what has time: an idle daemon does not give back all that it once took.
    pub fn use_small_cache(&self) -> Result<(), JobError> {
        Ok(self.db.pragma_update(None, "cache_size", SMALL_KIB)?)
    }

    fn has_pages(&self) -> Result<bool, JobError> {
        Ok(self.db.pragma_query_value(None, "page_count", |row| row.get::<_, i64>(0))? > 0)
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
        let transaction = self.db.unchecked_transaction()?;
        transaction.execute_batch(include_str!("schema.sql"))?;
        transaction.pragma_update(None, "user_version", VERSION)?;
        transaction.execute("INSERT INTO meta VALUES ('change_no', '0')", [])?;
        Ok(transaction.commit()?)
    }
}

/// Refuses a catalogue that is a link, or has one where its own files are.
fn refuse_links(path: &Path) -> Result<(), JobError> {
    for suffix in ["", "-wal", "-shm", "-journal"] {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        host::refuse_link(Path::new(&name)).map_err(JobError::State)?;
    }
    Ok(())
}

/// Copies the files of a catalogue in which nobody writes. The journal belongs to it.
fn copy_files(state: &Path, folder: &Path) -> Result<(), JobError> {
    let from = Catalogue::path(state);
    let to = Catalogue::path(folder);
    let sibling = |path: &Path, suffix: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        PathBuf::from(name)
    };
    if host::copy_file(&from, &to)? {
        host::copy_file(&sibling(&from, "-wal"), &sibling(&to, "-wal"))?;
    }
    for sibling in [
        super::replicas::LOST_PAGES,
        super::forgotten_drives::FORGOTTEN,
        super::known_drives::KNOWN,
    ] {
        host::copy_file(&state.join(sibling), &folder.join(sibling))?;
    }
    Ok(())
}

/// A copy that goes with the value: in memory, and what is too much for that in a file without a name.
fn copied(from: &Connection) -> rusqlite::Result<Connection> {
    let mut into = Connection::open("")?;
    rusqlite::backup::Backup::new(from, &mut into)?.run_to_completion(
        100_000,
        Duration::from_millis(1),
        None,
    )?;
    Ok(into)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SQLite makes a table for a list of three values, also in a generated column, and for every row anew.
    #[test]
    fn a_copy_written_makes_no_temporary_table() {
        let catalogue = Catalogue::in_memory().unwrap();
        let sql = "EXPLAIN INSERT OR REPLACE INTO payload (replica, number, segment, extension, content, state, \
                   proven, reread) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0)";
        let mut steps = catalogue.db.prepare(sql).unwrap();
        let steps = steps.query_map([None::<i64>; 7], |row| row.get(1)).unwrap();
        let steps: Vec<String> = steps.collect::<Result<_, _>>().unwrap();
        assert!(steps.iter().any(|step| step == "IdxInsert"), "{steps:?}");
        assert!(!steps.iter().any(|step| step == "OpenEphemeral"), "{steps:?}");
    }
}
