//! Superseded versions on a drive: which they are, and which of those given up are still to be removed.
//! Never names a content that any drive's ledger still gives a place, or the mailbox ever had last.

use super::payloads::{PAYLOAD, PayloadRow, read_payload};
use super::{Catalogue, PayloadState};
use crate::job::JobError;
use rusqlite::params;

/// Superseded versions looked at together.
const PAGE: u32 = 4_096;

impl Catalogue {
    /// Good copies on a drive, oldest first, of contents that no drive's ledger gives a place, now or gone, as a
    /// version or as the last good one of a suspect one, and that the mailbox has not and did not have last.
    pub fn superseded(&self, book: i64) -> Result<Vec<PayloadRow>, JobError> {
        let of = "WHERE p.book = ?1 AND p.state = 1 \
             AND NOT EXISTS (SELECT 1 FROM place INDEXED BY place_by_content WHERE place.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM place INDEXED BY place_good WHERE place.good = p.content) \
             AND NOT EXISTS (SELECT 1 FROM file INDEXED BY file_by_content WHERE file.content = p.content) \
             AND NOT EXISTS (SELECT 1 FROM file INDEXED BY file_good WHERE file.good = p.content) \
             ORDER BY p.number LIMIT ?2";
        self.copies(of, params![book, PAGE])
    }

    /// Whether the ledger that a book is gives a content a place.
    pub fn is_placed(&self, book: i64, content: i64) -> Result<bool, JobError> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT 1 FROM place INDEXED BY place_by_content WHERE content = ?2 AND book = ?1 UNION ALL \
                 SELECT 1 FROM place INDEXED BY place_good WHERE good = ?2 AND book = ?1",
            )?
            .exists(params![book, content])?)
    }

    /// Copies that are given up by the ledger and may still be there.
    pub fn given_up(&self, book: i64) -> Result<Vec<PayloadRow>, JobError> {
        let mut query = self.db.prepare_cached(&format!(
            "SELECT {PAYLOAD} FROM payload p INDEXED BY payload_given_up JOIN content c ON c.id = p.content \
             WHERE p.book = ?1 AND p.state = 6 ORDER BY p.number"
        ))?;
        let rows = query.query_map([book], read_payload)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// They are not there any more, durably.
    pub fn removed(&self, book: i64, copies: &[PayloadRow]) -> Result<(), JobError> {
        self.together(|| {
            copies.iter().try_for_each(|copy| {
                self.set_payload_state(book, copy.name.number, PayloadState::Removed)
            })
        })
    }
}
