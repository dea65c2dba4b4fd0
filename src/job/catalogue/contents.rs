//! What is remembered of a content beside its copies: what it is, its headers, what it is made of.
//! For a person's eye; only the identity is ever decided by.

use super::row_ids::ContentRowId;
use super::{Catalogue, digest_column};
use crate::job::JobError;
use crate::model::ledger::Assertion;
use crate::model::message::{Headers, SizeBreakdown};
use crate::model::{EventTime, Identity, Timestamp};
use rusqlite::{OptionalExtension as _, Row, params};

/// What one line tells of a content for a person: when it was first seen, and how long it had waited for its first
/// proven copy. What counts is the earliest sight that any line tells of, and the shortest wait; one below nothing is
/// that of a clock that was set meanwhile, and counts last.
pub(super) struct First {
    seen: i64,
    trusted: bool,
    proven: i64,
    exposure: i64,
}

impl First {
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
        let made = self
            .db
            .prepare_cached(
                "INSERT INTO content (sha256, bytes) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
            )?
            .execute(key)?;
        match made {
            1 => Ok(ContentRowId::of_inserted(&self.db)),
            // Another thread made it since the look.
            _ => Ok(self.known_content(identity)?.ok_or(rusqlite::Error::QueryReturnedNoRows)?),
        }
    }

    /// The row of a content of which a line tells when it was first seen and proven.
    pub(super) fn content_told(
        &self,
        identity: &Identity,
        first: &First,
    ) -> Result<ContentRowId, JobError> {
        let First { seen, trusted, proven, exposure } = *first;
        let (digest, bytes) = (identity.digest.as_bytes().as_slice(), identity.bytes as i64);
        let known = self
            .db
            .prepare_cached(
                "SELECT id, seen IS NULL OR (seen > ?3 AND (?4 OR NOT clock)), proven IS NULL \
                 OR (exposure < 0, exposure) > (?5 < 0, ?5) FROM content WHERE sha256 = ?1 AND bytes = ?2",
            )?
            .query_row(params![digest, bytes, seen, trusted, exposure], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?))
            })
            .optional()?;
        let (content, earlier, sooner) = match known {
            Some(known) => known,
            None => {
                let made = self
                    .db
                    .prepare_cached(
                        "INSERT INTO content (sha256, bytes, seen, clock, proven, exposure) \
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                    )?
                    .execute(params![digest, bytes, seen, trusted, proven, exposure])?;
                match made {
                    1 => return Ok(ContentRowId::of_inserted(&self.db)),
                    // Another thread made it since the look, and knows nothing of it yet.
                    _ => (self.content(identity)?, true, true),
                }
            }
        };
        if earlier {
            self.db
                .prepare_cached("UPDATE content SET seen = ?2, clock = ?3 WHERE id = ?1")?
                .execute(params![content, seen, trusted])?;
        }
        if sooner {
            self.db
                .prepare_cached("UPDATE content SET proven = ?2, exposure = ?3 WHERE id = ?1")?
                .execute(params![content, proven, exposure])?;
        }
        Ok(content)
    }

    /// Keeps what was read of a content, once.
    pub(super) fn set_headers(
        &self,
        content: ContentRowId,
        headers: &Headers,
        weight: &SizeBreakdown,
    ) -> Result<(), JobError> {
        self.db
            .prepare_cached(
                "UPDATE content SET sender = ?2, receivers = ?3, subject = ?4, date = ?5, body = ?6, \
                 quoted = ?7, attached = ?8, message_id = ?9 WHERE id = ?1 AND sender IS NULL",
            )?
            .execute(params![
                content,
                headers.from,
                headers.to,
                headers.subject,
                headers.date,
                weight.body as i64,
                weight.quoted as i64,
                weight.attached as i64,
                headers.message_id,
            ])?;
        Ok(())
    }

    /// The Message-ID of a content, if it has one and was ever read from the mailbox.
    pub fn message_id(&self, content: ContentRowId) -> Result<Option<String>, JobError> {
        let mut query = self
            .db
            .prepare_cached("SELECT message_id FROM content WHERE id = ?1 AND message_id <> ''")?;
        Ok(query.query_row([content], |row| row.get(0)).optional()?)
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
        let text =
            |row: &Row<'_>, at| row.get::<_, Option<String>>(at).map(Option::unwrap_or_default);
        Ok(self
            .db
            .prepare_cached("SELECT sender, receivers, subject, date FROM content WHERE id = ?1")?
            .query_row([content], |row| {
                Ok(Headers {
                    from: text(row, 0)?,
                    to: text(row, 1)?,
                    subject: text(row, 2)?,
                    date: text(row, 3)?,
                    ..Headers::default()
                })
            })?)
    }

    /// When a content was first seen, as a ledger told it.
    pub fn first_seen(&self, content: ContentRowId) -> Result<Timestamp, JobError> {
        let sql = "SELECT coalesce(seen, 0) FROM content WHERE id = ?1";
        let seconds = self.db.prepare_cached(sql)?.query_row([content], |row| row.get(0))?;
        Ok(Timestamp { seconds, nanos: 0 })
    }

    /// The row of a content, if it was ever told of.
    pub fn known_content(&self, identity: &Identity) -> Result<Option<ContentRowId>, JobError> {
        let mut query =
            self.db.prepare_cached("SELECT id FROM content WHERE sha256 = ?1 AND bytes = ?2")?;
        let of = params![identity.digest.as_bytes(), identity.bytes as i64];
        Ok(query.query_row(of, |row| row.get(0)).optional()?)
    }

    /// What a content is.
    pub fn identity(&self, content: ContentRowId) -> Result<Identity, JobError> {
        Ok(self.db.prepare_cached("SELECT sha256, bytes FROM content WHERE id = ?1")?.query_row(
            [content],
            |row| {
                Ok(Identity { digest: digest_column(row, 0)?, bytes: row.get::<_, i64>(1)? as u64 })
            },
        )?)
    }
}
