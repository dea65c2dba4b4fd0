//! Whose catalogue it is, and which mailboxes are in force: those that the config names now. What is known of
//! another one stays and answers no question about the mailboxes; no message of it is called missing or removed.

use super::Catalogue;
use super::row_ids::MailboxRowId;
use crate::job::JobError;
use crate::job::scan::exclude::ignores;
use crate::model::{Identity, MailboxName, RelName, StationName};
use globset::GlobSet;
use rusqlite::params;
use std::path::Path;

/// Under this name the rows of the mailboxes last in force are kept, with commas between them.
const KEPT: &str = "in_force";

/// Under this name the station is kept.
const STATION: &str = "station";

/// A mailbox that is not in force, and of which the drives' ledgers have messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailboxNotInForce {
    /// As the config names it, or a ledger.
    pub name: MailboxName,
    /// Messages that a restore would give back to it.
    pub messages: u64,
}

/// A mailbox that was seen before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownMailbox {
    /// Its row in the catalogue.
    pub row: MailboxRowId,
    /// The folder where it was last scanned, raw; `None` if it is known from a drive's ledger alone.
    pub root: Option<Vec<u8>>,
}

impl Catalogue {
    /// From here on this catalogue's answers about the mailboxes are about these rows alone.
    pub fn put_in_force(&self, mailboxes: &[MailboxRowId]) {
        *self.in_force.borrow_mut() = Some(mailboxes.to_vec());
    }

    /// The same, and every other process and thread finds them with [`kept_in_force`](Self::kept_in_force). While one
    /// was not in force the passes recorded nothing of it on any drive, and each drive's row says so.
    pub fn save_in_force(&self, mailboxes: &[MailboxRowId]) -> Result<(), JobError> {
        self.put_in_force(mailboxes);
        let before = self.kept_in_force()?;
        if before == mailboxes {
            return Ok(());
        }
        let rows: Vec<_> = mailboxes.iter().map(MailboxRowId::to_string).collect();
        self.set_meta(KEPT, &rows.join(","))
    }

    /// The mailboxes that were last in force in this state folder.
    pub fn kept_in_force(&self) -> Result<Vec<MailboxRowId>, JobError> {
        let kept = self.meta(KEPT)?.unwrap_or_default();
        Ok(kept.split(',').filter_map(|row| row.parse().ok()).collect())
    }

    /// The station whose mailboxes this catalogue has; `None`: nobody's yet.
    pub fn station(&self) -> Result<Option<StationName>, JobError> {
        Ok(self.meta(STATION)?.and_then(|name| name.parse().ok()))
    }

    /// The station whose state folder this is, if there is a catalogue in it that can be read.
    pub fn station_of(state: &Path) -> Option<StationName> {
        Self::read_only(state)?.station().ok()?
    }

    /// Makes it a station's, for good. One that is another's stays that.
    pub fn claim_for(&self, station: &StationName) -> Result<(), JobError> {
        match self.station()? {
            Some(_) => Ok(()),
            None => self.set_meta(STATION, station.as_str()),
        }
    }

    /// A condition on the table of files, to follow others: only mailboxes in force.
    pub(super) fn in_force(&self) -> String {
        match &*self.in_force.borrow() {
            None => String::new(),
            Some(rows) => {
                let rows: Vec<_> = rows.iter().map(MailboxRowId::to_string).collect();
                format!(" AND mailbox IN ({})", rows.join(","))
            }
        }
    }

    /// From here on no message at a path that these globs match is said to be lacking.
    pub fn put_ignored(&self, ignore: &GlobSet) {
        *self.ignored.borrow_mut() = ignore.clone();
    }

    pub(super) fn is_ignored(&self, key: &[u8]) -> bool {
        let ignored = self.ignored.borrow();
        !ignored.is_empty() && RelName::from_key(key).is_ok_and(|path| ignores(&ignored, &path))
    }

    /// The row of a mailbox; `root` is its path on the card, raw.
    pub fn mailbox(
        &self,
        name: &MailboxName,
        root: Option<&[u8]>,
    ) -> Result<MailboxRowId, JobError> {
        let found: Option<(_, Option<Vec<u8>>)> =
            self.first_row("SELECT id, root FROM mailbox WHERE name = ?1", [name.as_str()])?;
        match found {
            Some((id, known)) => {
                if root.is_some() && known.as_deref() != root {
                    self.db
                        .execute("UPDATE mailbox SET root = ?2 WHERE id = ?1", params![id, root])?;
                }
                Ok(id)
            }
            None => {
                // Another thread may have made it since the look: then that row is the one.
                self.db.execute(
                    "INSERT INTO mailbox (name, root) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
                    params![name.as_str(), root],
                )?;
                let sql = "SELECT id FROM mailbox WHERE name = ?1";
                self.only_row(sql, [name.as_str()])
            }
        }
    }

    /// Name and path of a mailbox.
    pub fn mailbox_name(
        &self,
        id: MailboxRowId,
    ) -> Result<(MailboxName, Option<Vec<u8>>), JobError> {
        let (name, root): (String, _) =
            self.only_row("SELECT name, root FROM mailbox WHERE id = ?1", [id])?;
        let name = name.parse().map_err(|e| JobError::Broken(format!("catalogue: {e}")))?;
        Ok((name, root))
    }

    /// What is known of a mailbox; `None` if it was never seen.
    pub fn mailbox_known(&self, name: &MailboxName) -> Result<Option<KnownMailbox>, JobError> {
        let known =
            self.first_row("SELECT id, root FROM mailbox WHERE name = ?1", [name.as_str()])?;
        Ok(known.map(|(row, root)| KnownMailbox { row, root }))
    }

    /// Messages of a mailbox that were there when it was last scanned, and those that were missing.
    pub fn mailbox_counts(&self, mailbox: MailboxRowId) -> Result<(u64, u64), JobError> {
        let there = "SELECT count(*) FROM file WHERE mailbox = ?1 AND is_there";
        let missing = "SELECT count(*) FROM missing WHERE mailbox = ?1 AND damaged = 0";
        Ok((self.only_row(there, [mailbox])?, self.only_row(missing, [mailbox])?))
    }

    /// Some messages that were there when a mailbox was last scanned, none longer than this many bytes.
    pub fn some_present(
        &self,
        mailbox: MailboxRowId,
        most: usize,
        bytes: u64,
    ) -> Result<Vec<(RelName, Identity)>, JobError> {
        let sql = "SELECT key, content FROM file \
                   WHERE mailbox = ?1 AND is_present AND bytes <= ?2 ORDER BY key LIMIT ?3";
        let rows: Vec<(Vec<u8>, _)> =
            self.rows(sql, params![mailbox, bytes as i64, most as i64])?;
        let mut found = Vec::new();
        for (key, content) in rows {
            if let Ok(path) = RelName::from_key(&key) {
                found.push((path, self.identity(content)?));
            }
        }
        Ok(found)
    }

    /// Mailboxes that are not in force, and of which the drives' ledgers have messages for this station.
    pub fn left_mailboxes(
        &self,
        station: &StationName,
    ) -> Result<Vec<MailboxNotInForce>, JobError> {
        let Some(in_force) = self.in_force.borrow().clone() else { return Ok(Vec::new()) };
        let rows: Vec<(MailboxRowId, String)> =
            self.rows("SELECT id, name FROM mailbox ORDER BY name", [])?;
        let mut left = Vec::new();
        for (row, name) in rows.into_iter().filter(|(row, _)| !in_force.contains(row)) {
            let messages = self.asserted_messages(station, row)?;
            if messages > 0
                && let Ok(name) = name.parse()
            {
                left.push(MailboxNotInForce { name, messages });
            }
        }
        Ok(left)
    }

    /// Messages of a mailbox that the drives' ledgers would give back: there, or gone without anybody seeing it.
    fn asserted_messages(
        &self,
        station: &StationName,
        mailbox: MailboxRowId,
    ) -> Result<u64, JobError> {
        let sql = "SELECT count(DISTINCT a.key) FROM replica CROSS JOIN assertion a \
                   ON a.replica = replica.id AND a.mailbox = ?2 WHERE replica.station = ?1 \
                   AND a.ended IS NULL";
        self.only_row(sql, params![station.as_str(), mailbox])
    }
}
