//! As of which positions ledgers assert a content at a location, as far as it makes a difference to what is decided:
//! none is kept that others cover. Never decides anything.

use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::job::catalogue::row_ids::{ContentRowId, MailboxRowId, ReplicaRowId};
use crate::model::limits::{MARKS_APART, MARKS_HELD};
use crate::model::{Position, WriterId, Writers};
use rusqlite::params;
use std::collections::HashMap;

/// A mark of a mailbox in a ledger.
struct MarkLine {
    line: i64,
    position: Position,
    /// So many of those before it go up to the latest that it does not cover.
    apart: u32,
}

/// The marks of one mailbox in one ledger, in their order; `None`: too many.
type MarkSequence = Option<Vec<MarkLine>>;

/// What positions cover, and what marks renewed.
pub(in crate::job::catalogue) struct Lineage {
    writers: Writers,
    runs: HashMap<(ReplicaRowId, MailboxRowId), MarkSequence>,
    held: usize,
}

/// Positions of several ledgers, of each writer in each the highest: who covers it covers the lower ones.
#[derive(Debug, Default)]
pub(in crate::job::catalogue) struct Positions {
    all: Vec<(ReplicaRowId, Position)>,
    index_of: HashMap<(ReplicaRowId, WriterId), usize>,
    /// There are more, which were not looked up: no departure covers those.
    has_unknown: bool,
}

impl Positions {
    pub(in crate::job::catalogue) fn add(&mut self, replica: ReplicaRowId, position: Position) {
        let next = self.all.len();
        let at = *self.index_of.entry((replica, position.writer)).or_insert(next);
        match self.all.get_mut(at) {
            Some((_, known)) => known.n = known.n.max(position.n),
            None => self.all.push((replica, position)),
        }
    }

    /// Notes that there are positions which are not looked up.
    pub(in crate::job::catalogue) fn add_unknown(&mut self) {
        self.has_unknown = true;
    }

    pub(in crate::job::catalogue) fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// With the ledgers that have them.
    pub(in crate::job::catalogue) fn by_replica(
        &self,
    ) -> impl Iterator<Item = (ReplicaRowId, Position)> + Clone + '_ {
        self.all.iter().copied()
    }

    /// Whether something is true of every position; it never is of one that was not looked up.
    pub(in crate::job::catalogue) fn all_are(
        &self,
        mut is: impl FnMut((ReplicaRowId, Position)) -> bool,
    ) -> bool {
        !self.has_unknown && self.by_replica().all(&mut is)
    }

    pub(in crate::job::catalogue) fn iter(&self) -> impl Iterator<Item = Position> + Clone + '_ {
        self.all.iter().map(|(_, position)| *position)
    }

    /// The highest number among those that were looked up.
    pub(in crate::job::catalogue) fn highest(&self) -> u64 {
        self.iter().map(|position| position.n).max().unwrap_or(0)
    }
}

impl Lineage {
    pub(in crate::job::catalogue) fn of(catalogue: &Catalogue) -> Result<Self, JobError> {
        Ok(Self { writers: catalogue.writers()?, runs: HashMap::new(), held: 0 })
    }

    pub(in crate::job::catalogue) fn covers(&mut self, one: Position, other: Position) -> bool {
        self.writers.covers(one, other)
    }

    /// Adds the positions of a ledger's marks of a mailbox after a line and before another, without those that later
    /// ones of them cover.
    pub(in crate::job::catalogue) fn renew(
        &mut self,
        catalogue: &Catalogue,
        positions: &mut Positions,
        (replica, mailbox): (ReplicaRowId, MailboxRowId),
        (after, before): (i64, Option<i64>),
    ) -> Result<(), JobError> {
        if !self.runs.contains_key(&(replica, mailbox)) {
            let run = self.run(catalogue, replica, mailbox)?;
            self.runs.insert((replica, mailbox), run);
        }
        let Some(Some(marks)) = self.runs.get(&(replica, mailbox)) else {
            positions.add_unknown();
            return Ok(());
        };
        let first = marks.partition_point(|mark| mark.line <= after);
        let mut count =
            before.map_or(marks.len(), |line| marks.partition_point(|mark| mark.line < line));
        let mut renewed = Vec::new();
        while count > first
            && let Some(mark) = marks.get(count - 1)
        {
            if renewed.len() == MARKS_APART {
                positions.add_unknown();
                break;
            }
            renewed.push(mark.position);
            count = mark.apart as usize;
        }
        renewed.into_iter().rev().for_each(|position| positions.add(replica, position));
        Ok(())
    }

    fn run(
        &mut self,
        catalogue: &Catalogue,
        replica: ReplicaRowId,
        mailbox: MailboxRowId,
    ) -> Result<MarkSequence, JobError> {
        let sql = "SELECT line, writer, n FROM mark WHERE replica = ?1 AND mailbox = ?2 \
                   ORDER BY line LIMIT ?3";
        let mut marks: Vec<MarkLine> = Vec::new();
        let of = params![replica, mailbox, MARKS_HELD as i64 + 1];
        catalogue.each_row(sql, of, |(line, position)| {
            // What is between a mark and the latest before it that it does not cover was covered when that one came.
            let mut apart = marks.len();
            while apart > 0 && self.writers.covers(position, marks[apart - 1].position) {
                apart = marks[apart - 1].apart as usize;
            }
            marks.push(MarkLine { line, position, apart: apart as u32 });
            Ok(())
        })?;
        if self.held + marks.len() > MARKS_HELD {
            // The locations come in the order of their mailboxes.
            self.runs.retain(|(_, of), _| *of == mailbox);
            self.held = self.runs.values().flatten().map(Vec::len).sum();
        }
        if self.held + marks.len() > MARKS_HELD {
            return Ok(None);
        }
        self.held += marks.len();
        Ok(Some(marks))
    }

    /// As of which positions a ledger asserts a content at a location.
    pub(in crate::job::catalogue) fn positions(
        &mut self,
        catalogue: &Catalogue,
        positions: &mut Positions,
        replica: ReplicaRowId,
        (mailbox, key, content): (MailboxRowId, &[u8], ContentRowId),
    ) -> Result<(), JobError> {
        let sql = "SELECT line, ended, writer, n FROM assertion \
                   WHERE replica = ?1 AND mailbox = ?2 AND key = ?3 AND content = ?4";
        let of = params![replica, mailbox, key, content];
        catalogue.each_row(sql, of, |(line, ended, position)| {
            positions.add(replica, position);
            self.renew(catalogue, positions, (replica, mailbox), (line, ended))
        })
    }
}
