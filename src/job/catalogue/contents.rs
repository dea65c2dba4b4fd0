//! What is remembered of a content in addition to its copies: what it is, its headers, what it is made of. For a
//! person's eye; only the identity is ever decided by.

use super::Catalogue;
use super::NewFile;
use super::row_ids::ContentRowId;
use crate::job::JobError;
use crate::model::ledger::Assertion;
use crate::model::message::Headers;
use crate::model::{EventTime, Identity, Timestamp};
use rusqlite::params;

/// What one line says of a content for a person: when it was first seen, and for how long it had no proven copy. What
/// counts is the earliest sight in any line, and the shortest time; a negative one comes from a clock that was set
/// meanwhile, and counts last.
pub(super) struct ContentTimes {
    seen: i64,
    trusted: bool,
    proven: i64,
    exposure: i64,
}

impl ContentTimes {
    pub(super) fn of(assertion: &Assertion, stamp: &EventTime) -> Self {
        let (seen, proven) = (assertion.first_seen.seconds, stamp.time.seconds);
        Self { seen, trusted: stamp.trusted, proven, exposure: proven.saturating_sub(seen) }
    }
}

impl Catalogue {
    /// The row of a content.
    pub fn content(&self, identity: &Identity) -> Result<ContentRowId, JobError> {
        if let Some(id) = self.known_content(identity)? {
            return Ok(id);
        }
        let key = params![identity.digest.as_bytes().as_slice(), identity.bytes as i64];
        let sql = "INSERT INTO content (sha256, bytes) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
        let made = self.change(sql, key)?;
        match made {
            1 => Ok(ContentRowId::of_inserted(&self.db)),
            // Another thread made it since the look.
            _ => Ok(self.known_content(identity)?.ok_or(rusqlite::Error::QueryReturnedNoRows)?),
        }
    }

    /// The row of a content of which a line says when it was first seen and proven.
    pub(super) fn content_first_proven(
        &self,
        identity: &Identity,
        first: &ContentTimes,
    ) -> Result<ContentRowId, JobError> {
        let ContentTimes { seen, trusted, proven, exposure } = *first;
        let (digest, bytes) = (identity.digest.as_bytes().as_slice(), identity.bytes as i64);
        let sql = "SELECT id, seen IS NULL OR (seen > ?3 AND (?4 OR NOT clock)), proven IS NULL \
                   OR (exposure < 0, exposure) > (?5 < 0, ?5) FROM content WHERE sha256 = ?1 \
                   AND bytes = ?2";
        let known = self.first_row(sql, params![digest, bytes, seen, trusted, exposure])?;
        let (content, earlier, sooner) = match known {
            Some(known) => known,
            None => {
                let made = self.change(
                    "INSERT INTO content (sha256, bytes, seen, clock, proven, exposure) \
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                    params![digest, bytes, seen, trusted, proven, exposure],
                )?;
                match made {
                    1 => return Ok(ContentRowId::of_inserted(&self.db)),
                    // Another thread made it since the look, and knows nothing of it yet.
                    _ => (self.content(identity)?, true, true),
                }
            }
        };
        if earlier || sooner {
            let sql = "UPDATE content SET (seen, clock) = (CASE WHEN ?2 THEN ?3 ELSE seen END, \
                       CASE WHEN ?2 THEN ?4 ELSE clock END), (proven, exposure) = (CASE WHEN ?5 \
                       THEN ?6 ELSE proven END, CASE WHEN ?5 THEN ?7 ELSE exposure END) WHERE id = ?1";
            let of = params![content, earlier, seen, trusted, sooner, proven, exposure];
            self.change(sql, of)?;
        }
        Ok(content)
    }

    /// The row of a content that was read, with what was read of it, which is kept once; and whether nothing was known
    /// of it before.
    pub(super) fn content_read(&self, new: &NewFile) -> Result<(ContentRowId, bool), JobError> {
        let (identity, headers, sizes) = (&new.identity, &new.headers, &new.size_breakdown);
        let read = params![
            identity.digest.as_bytes().as_slice(),
            identity.bytes as i64,
            headers.from,
            headers.to,
            headers.subject,
            headers.date,
            sizes.body as i64,
            sizes.quoted as i64,
            sizes.attached as i64,
            headers.message_id,
        ];
        let sql = "INSERT INTO content (sha256, bytes, sender, receivers, subject, date, body, \
                   quoted, attached, message_id) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) \
                   ON CONFLICT DO NOTHING";
        if self.change(sql, read)? == 1 {
            return Ok((ContentRowId::of_inserted(&self.db), true));
        }
        let sql = "UPDATE content SET sender = ?3, receivers = ?4, subject = ?5, date = ?6, \
                   body = ?7, quoted = ?8, attached = ?9, message_id = ?10 WHERE sha256 = ?1 \
                   AND bytes = ?2 AND sender IS NULL";
        self.change(sql, read)?;
        Ok((self.content(identity)?, false))
    }

    /// The Message-ID of a content, if it has one and was ever read from the mailbox.
    pub fn message_id(&self, content: ContentRowId) -> Result<Option<String>, JobError> {
        let sql = "SELECT message_id FROM content WHERE id = ?1 AND message_id <> ''";
        self.first_row(sql, [content])
    }

    /// A content that the card made of another is known by the other's headers.
    pub(super) fn headers_as_of(
        &self,
        content: ContentRowId,
        other: ContentRowId,
    ) -> Result<(), JobError> {
        self.db.execute(
            "UPDATE content SET (sender, receivers, subject, date, body, quoted, attached) = \
             (SELECT sender, receivers, subject, date, body, quoted, attached FROM content WHERE id = ?2) \
             WHERE id = ?1 AND sender IS NULL",
            [content, other],
        )?;
        Ok(())
    }

    /// Headers of a content, as far as it was ever read from the mailbox.
    pub fn headers(&self, content: ContentRowId) -> Result<Headers, JobError> {
        let sql = "SELECT sender, receivers, subject, date FROM content WHERE id = ?1";
        Ok(self.only_row::<Option<Headers>>(sql, [content])?.unwrap_or_default())
    }

    /// When a content was first seen, by a ledger.
    pub fn first_seen(&self, content: ContentRowId) -> Result<Timestamp, JobError> {
        let sql = "SELECT coalesce(seen, 0) FROM content WHERE id = ?1";
        let seconds = self.only_row(sql, [content])?;
        Ok(Timestamp { seconds, nanos: 0 })
    }

    /// The row of a content, if it was ever seen.
    pub fn known_content(&self, identity: &Identity) -> Result<Option<ContentRowId>, JobError> {
        let of = params![identity.digest.as_bytes(), identity.bytes as i64];
        self.first_row("SELECT id FROM content WHERE sha256 = ?1 AND bytes = ?2", of)
    }

    /// What a content is.
    pub fn identity(&self, content: ContentRowId) -> Result<Identity, JobError> {
        self.only_row("SELECT sha256, bytes FROM content WHERE id = ?1", [content])
    }
}
