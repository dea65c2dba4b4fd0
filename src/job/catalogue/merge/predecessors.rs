//! Earlier versions of a content, step by step, by the departures that name it as the successor: to give back where
//! there is no good copy of the content. Never gives one that is given by itself.

use super::decisions::ContentVersion;
use super::view::Merge;
use crate::job::JobError;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId};
use crate::job::catalogue::rows::{Columns, FromRow};
use crate::job::catalogue::{Catalogue, ContentAt, FileRow};
use crate::model::limits::{VERSIONS_FOLLOWED, VERSIONS_MAX};
use crate::model::{Identity, Position, StationName};
use rusqlite::params;
use std::collections::{BTreeSet, HashSet, VecDeque};

/// A departure that names what came after.
struct NamedDeparture {
    content_at: ContentAt,
    position: Position,
}

impl FromRow for NamedDeparture {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self { content_at: columns.read()?, position: columns.read()? })
    }
}

impl Catalogue {
    /// The message that a content was the rest of when it last went from a location, if that is missing there.
    pub fn missing_original_of(
        &self,
        row: &FileRow,
        rest: &Identity,
    ) -> Result<Option<ContentRowId>, JobError> {
        let (mailbox, key) = (row.mailbox, row.key.as_slice());
        let sql = "SELECT content FROM missing WHERE mailbox = ?1 AND key = ?2";
        let missing: Vec<ContentRowId> = self.rows(sql, params![mailbox, key])?;
        if missing.is_empty() {
            return Ok(None);
        }
        let departed = self.departed(mailbox, key, self.content(rest)?)?;
        let successor = departed.and_then(|departed| departed.successor);
        let is_here = |successor: &ContentAt| successor.0 == mailbox && successor.1 == key;
        Ok(successor
            .filter(is_here)
            .map(|successor| successor.2)
            .filter(|good| missing.contains(good)))
    }

    /// What left, with this as the successor: another content in place of it, or the same at another location.
    fn came_before(
        &self,
        station: &StationName,
        content_at: &ContentAt,
    ) -> Result<Vec<NamedDeparture>, JobError> {
        let sql = "SELECT d.mailbox, d.key, d.content, d.writer, d.n FROM departure d \
                   INDEXED BY departure_by_successor JOIN replica ON replica.id = d.replica \
                   AND replica.station = ?1 WHERE d.to_content = ?4 AND d.to_mailbox = ?2 \
                   AND d.to_key = ?3 AND d.counts UNION ALL SELECT d.mailbox, d.key, d.content, \
                   d.writer, d.n FROM departure d INDEXED BY departure_by_content JOIN replica \
                   ON replica.id = d.replica AND replica.station = ?1 WHERE d.content = ?4 \
                   AND d.to_content IS NULL AND d.to_mailbox = ?2 AND d.to_key = ?3 AND d.counts \
                   LIMIT ?5";
        let (mailbox, key, content) = content_at;
        self.rows(sql, params![station.as_str(), mailbox, key, content, VERSIONS_FOLLOWED as i64])
    }

    /// A content at a location, by the last line about it.
    fn version_at(
        &self,
        station: &StationName,
        (mailbox, key, content): &ContentAt,
    ) -> Result<Option<ContentVersion>, JobError> {
        let sql = "SELECT a.content, a.suspect, a.modified_s, a.modified_n, a.mode FROM replica \
                   JOIN assertion a ON a.replica = replica.id WHERE replica.station = ?1 \
                   AND a.mailbox = ?2 AND a.key = ?3 AND a.content = ?4 ORDER BY a.replica DESC, \
                   a.line DESC LIMIT 1";
        self.first_row(sql, params![station.as_str(), mailbox, key, content])
    }
}

/// What to try one after the other: what looks like damage, the versions before, then what was replaced at the same
/// location otherwise.
pub(in crate::job::catalogue) fn chain(
    suspect: &[ContentVersion],
    before: Vec<ContentVersion>,
    older: &[ContentVersion],
) -> Vec<ContentVersion> {
    let known: HashSet<ContentRowId> = before.iter().map(|version| version.content).collect();
    let older = older.iter().filter(|version| !known.contains(&version.content));
    let all = suspect.iter().cloned().chain(before).chain(older.cloned());
    all.take(VERSIONS_MAX).collect()
}

impl Merge<'_> {
    /// Versions in whose place a content came, wherever they were, the latest first.
    pub(in crate::job::catalogue) fn versions_before(
        &mut self,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
    ) -> Result<Vec<ContentVersion>, JobError> {
        if !self.successors.contains(&content) {
            return Ok(Vec::new());
        }
        let (catalogue, station) = (self.catalogue, self.station);
        let mut ahead = VecDeque::from([(mailbox, key.to_vec(), content)]);
        let mut seen: BTreeSet<ContentAt> = ahead.iter().cloned().collect();
        let mut all: Vec<NamedDeparture> = Vec::new();
        while let Some(content_at) = ahead.pop_front() {
            if seen.len().max(all.len()) > VERSIONS_FOLLOWED {
                break;
            }
            for before in catalogue.came_before(station, &content_at)? {
                if seen.insert(before.content_at.clone()) {
                    ahead.push_back(before.content_at.clone());
                }
                if before.content_at.2 != content {
                    all.push(before);
                }
            }
        }
        let mut versions: Vec<ContentVersion> = Vec::new();
        while !all.is_empty() && versions.len() < VERSIONS_MAX {
            let NamedDeparture { content_at, .. } = all.swap_remove(self.latest(&all));
            if versions.iter().any(|version| version.content == content_at.2)
                || self.is_given_at((content_at.0, &content_at.1), content_at.2)?
            {
                continue;
            }
            let version = catalogue.version_at(station, &content_at)?;
            versions.extend(version.filter(|version| version.suspect.is_none()));
        }
        Ok(versions)
    }

    /// Which of some departures was seen last.
    fn latest(&mut self, all: &[NamedDeparture]) -> usize {
        let mut last = 0;
        for at in 1..all.len() {
            let (one, other) = (all[at].position, all[last].position);
            if self.covers(one, other) && !self.covers(other, one) {
                last = at;
            }
        }
        last
    }
}
