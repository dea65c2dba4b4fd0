//! The contents that ledgers tell of at one location, each with all that is asserted of it. Never decides which is given.

use super::decisions::Version;
use super::ledger_lines::AssertionLine;
use super::merge::Judge;
use super::stamps::Stamps;
use crate::job::JobError;
use crate::model::ledger::Departed;
use std::collections::HashMap;

/// A content at a location, as all ledgers tell of it.
pub(super) struct Candidate {
    pub(super) version: Version,
    /// By the latest word it is missing there.
    pub(super) missing: bool,
    /// The positions as of which it is asserted, and the replicas whose ledgers say so.
    pub(super) stamps: Stamps,
    /// Of these, those as of which it was there, and not missing.
    pub(super) present: Stamps,
    /// The counting departure that covers it, if the departures cover all of its stamps.
    pub(super) withheld: Option<(Departed, i64)>,
    /// Another location still has the content, by some ledger.
    pub(super) elsewhere: bool,
    /// Some ledger says last that it does not look like damage.
    pub(super) vouched: bool,
    /// The departure of another drive, by whose word alone it would be left out.
    pub(super) in_doubt: Option<(Departed, i64)>,
}

impl Candidate {
    /// Those as of which it was there; where it never was, those as of which it is missing.
    pub(super) fn there(&self) -> &Stamps {
        match self.present.is_empty() {
            true => &self.stamps,
            false => &self.present,
        }
    }
}

impl Judge<'_> {
    /// The contents of one location, with what is asserted of each.
    pub(super) fn candidates(
        &mut self,
        lines: &[AssertionLine],
        plain: bool,
    ) -> Result<Vec<Candidate>, JobError> {
        let mut candidates: Vec<Candidate> = Vec::new();
        let (mut at, mut next_lines) = (HashMap::new(), HashMap::new());
        // From the next line of it on, that one says whether it is there.
        let until: Vec<i64> = lines
            .iter()
            .rev()
            .map(|line| {
                let of = (line.book, line.version.content);
                next_lines.insert(of, line.line).unwrap_or(i64::MAX)
            })
            .collect();
        for (line, next) in lines.iter().zip(until.into_iter().rev()) {
            let content = line.version.content;
            let index = *at.entry(content).or_insert_with(|| {
                candidates.push(Candidate {
                    version: Version { suspect: None, ..line.version.clone() },
                    missing: false,
                    stamps: Stamps::default(),
                    present: Stamps::default(),
                    withheld: None,
                    elsewhere: false,
                    vouched: false,
                    in_doubt: None,
                });
                candidates.len() - 1
            });
            let Some(candidate) = candidates.get_mut(index) else { continue };
            // The last line of a content tells its time and mode. That it looks like damage any ledger may say by its
            // last line; it is left out for that only where all say so.
            let mut suspect = candidate.version.suspect;
            if next == i64::MAX {
                suspect = suspect.or(line.version.suspect);
                candidate.vouched |= line.version.suspect.is_none();
            }
            candidate.version = Version { suspect, ..line.version.clone() };
            candidate.stamps.add(line.book, line.position);
            if !line.missing {
                candidate.present.add(line.book, line.position);
            }
            if plain {
                continue;
            }
            let (marks, end) = ((line.book, line.mailbox), line.ended.unwrap_or(i64::MAX));
            for position in self.lineage.renewed(self.catalogue, marks, (line.line, end))? {
                candidate.stamps.add(line.book, position);
            }
            if !line.missing {
                let end = end.min(next);
                for position in self.lineage.renewed(self.catalogue, marks, (line.line, end))? {
                    candidate.present.add(line.book, position);
                }
            }
        }
        Ok(candidates)
    }
}
