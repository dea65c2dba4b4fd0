//! The contents of one location, each with what all ledgers say of it. Never decides which of them is given.

use super::decisions::ContentVersion;
use super::lines::AssertionLine;
use super::positions::{Lineage, Positions};
use crate::job::JobError;
use crate::job::catalogue::Catalogue;
use crate::job::catalogue::row_ids::{ContentRowId, ReplicaRowId};
use crate::model::ledger::Departed;
use crate::model::limits::LINES_OF_A_LOCATION;
use std::collections::{HashMap, HashSet};

/// A content at a location, with what all ledgers say of it.
pub(in crate::job::catalogue) struct Candidate {
    pub version: ContentVersion,
    /// By the latest line it is missing there.
    pub missing: bool,
    /// The positions as of which it is asserted, and the replicas whose ledgers say so.
    pub positions: Positions,
    /// Of these, those as of which it was there, and not missing.
    pub present: Positions,
    /// Why it is left out, if it is, and the replica whose ledger says so; no replica where a person said it here.
    pub withheld: Option<(Departed, Option<ReplicaRowId>)>,
    /// Another location still has the content, by some ledger.
    pub elsewhere: bool,
    /// Some ledger says last that it does not look like damage.
    pub vouched: bool,
    /// The departure of another drive, which alone would leave it out.
    pub in_doubt: Option<(Departed, ReplicaRowId)>,
}

/// What ledgers assert at one location, line by line.
#[derive(Default)]
pub(in crate::job::catalogue) struct LocationLines {
    pub lines: Vec<AssertionLine>,
    /// Contents of which there are more lines than are held.
    with_unread_lines: HashSet<ContentRowId>,
    /// Those that are held, once there are many.
    held: HashSet<ContentRowId>,
}

impl LocationLines {
    /// Of a content that is held already no more than so many: it is given, whatever the others would say of it.
    pub(in crate::job::catalogue) fn add(&mut self, line: AssertionLine) {
        if self.lines.len() >= LINES_OF_A_LOCATION {
            if self.held.is_empty() {
                self.held = self.lines.iter().map(|line| line.version.content).collect();
            }
            if !self.held.insert(line.version.content) {
                self.with_unread_lines.insert(line.version.content);
                return;
            }
        }
        self.lines.push(line);
    }
}

impl Candidate {
    /// Those as of which it was there; where it never was, those as of which it is missing.
    pub(in crate::job::catalogue) fn effective_positions(&self) -> &Positions {
        match self.present.is_empty() {
            true => &self.positions,
            false => &self.present,
        }
    }
}

impl Candidate {
    /// Whether every ledger that has it calls it damage, and something else is given there.
    pub(in crate::job::catalogue) fn is_damage_with_substitute(&self, given: &[Self]) -> bool {
        let good = given.iter().any(|other| other.version.suspect.is_none());
        good && self.version.suspect.is_some() && !self.vouched
    }
}

/// The contents of one location, with what is asserted of each.
pub(in crate::job::catalogue) fn candidates(
    catalogue: &Catalogue,
    lineage: &mut Lineage,
    LocationLines { lines, with_unread_lines: crowded, .. }: &LocationLines,
    plain: bool,
) -> Result<Vec<Candidate>, JobError> {
    let mut candidates: Vec<Candidate> = Vec::new();
    let (mut at, mut next_lines) = (HashMap::new(), HashMap::new());
    // From the next line of it on, that one says whether it is there.
    let until: Vec<Option<i64>> = lines
        .iter()
        .rev()
        .map(|line| next_lines.insert((line.replica, line.version.content), line.line))
        .collect();
    for (line, next) in lines.iter().zip(until.into_iter().rev()) {
        let content = line.version.content;
        let index = *at.entry(content).or_insert_with(|| {
            candidates.push(Candidate {
                version: ContentVersion { suspect: None, ..line.version.clone() },
                missing: false,
                positions: Positions::default(),
                present: Positions::default(),
                withheld: None,
                elsewhere: false,
                vouched: false,
                in_doubt: None,
            });
            candidates.len() - 1
        });
        let Some(candidate) = candidates.get_mut(index) else { continue };
        // The last line of a content has its time and mode. That it looks like damage any ledger may say by its last
        // line; it is left out for that only where all say so.
        let mut suspect = candidate.version.suspect;
        if next.is_none() {
            suspect = suspect.or(line.version.suspect);
            candidate.vouched |= line.version.suspect.is_none();
        }
        candidate.version = ContentVersion { suspect, ..line.version.clone() };
        candidate.positions.add(line.replica, line.position);
        if !line.missing {
            candidate.present.add(line.replica, line.position);
        }
        if plain {
            continue;
        }
        let marks = (line.replica, line.mailbox);
        lineage.renew(catalogue, &mut candidate.positions, marks, (line.line, line.ended))?;
        if !line.missing {
            let end = line.ended.into_iter().chain(next).min();
            lineage.renew(catalogue, &mut candidate.present, marks, (line.line, end))?;
        }
    }
    for candidate in &mut candidates {
        if crowded.contains(&candidate.version.content) {
            candidate.positions.add_unknown();
            candidate.vouched = true;
        }
    }
    Ok(candidates)
}
