//! The contents of one location, each with what all ledgers say of it. Never decides which of them is given.

use super::Catalogue;
use super::decisions::Version;
use super::ledger_lines::AssertionLine;
use super::stamps::{Lineage, Stamps};
use crate::job::JobError;
use crate::model::ledger::Departed;
use std::collections::HashMap;

/// A content at a location, as all ledgers tell of it.
pub(super) struct Candidate {
    pub version: Version,
    /// By the latest word it is missing there.
    pub missing: bool,
    /// The positions as of which it is asserted, and the replicas whose ledgers say so.
    pub stamps: Stamps,
    /// Of these, those as of which it was there, and not missing.
    pub present: Stamps,
    /// The counting departure that covers it, if the departures cover all of its stamps.
    pub withheld: Option<(Departed, i64)>,
    /// Another location still has the content, by some ledger.
    pub elsewhere: bool,
}

impl Candidate {
    pub(super) fn there(&self) -> &Stamps {
        match self.present.is_empty() {
            true => &self.stamps,
            false => &self.present,
        }
    }
}

/// The contents of one location, with what is asserted of each.
pub(super) fn candidates(
    catalogue: &Catalogue,
    lineage: &mut Lineage,
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
                version: line.version.clone(),
                missing: false,
                stamps: Stamps::default(),
                present: Stamps::default(),
                withheld: None,
                elsewhere: false,
            });
            candidates.len() - 1
        });
        let Some(candidate) = candidates.get_mut(index) else { continue };
        // The last line of a content tells its time and mode.
        candidate.version = line.version.clone();
        candidate.stamps.add(line.book, line.position);
        if !line.missing {
            candidate.present.add(line.book, line.position);
        }
        if plain {
            continue;
        }
        let (marks, end) = ((line.book, line.mailbox), line.ended.unwrap_or(i64::MAX));
        for position in lineage.renewed(catalogue, marks, (line.line, end))? {
            candidate.stamps.add(line.book, position);
        }
        if !line.missing {
            let end = end.min(next);
            for position in lineage.renewed(catalogue, marks, (line.line, end))? {
                candidate.present.add(line.book, position);
            }
        }
    }
    Ok(candidates)
}
