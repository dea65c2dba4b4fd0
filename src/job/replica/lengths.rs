//! Compares the copies that a ledger names with the listings of a drive's folders: a copy that is missing, or has
//! another length, is bad without being read. Opens no copy, and calls none right: a length says nothing of the bytes.

use super::copy::{self, CopyCheck, CopyLength};
use super::station_bag::StationBag;
use crate::disk::{EntryKind, Volume};
use crate::job::JobError;
use crate::job::catalogue::{CopyRow, ReplicaRowId};
use crate::model::limits::LENGTHS_FOR;
use crate::model::{Clock, Finding, PayloadName, RelName};
use std::collections::HashMap;

/// Copies read from the catalogue at a time.
const PAGE: u32 = 1_000;

/// How far lengths are checked.
pub(super) struct LengthCheck<'a> {
    pub clock: &'a dyn Clock,
    /// Whether the place where the check ended is stored, so that the next one continues there.
    pub kept: bool,
}

/// The folder listed last: its files, with their lengths where those were checked; none if it cannot be listed.
struct ListedFolder {
    segment: u32,
    files: Option<HashMap<PayloadName, Option<u64>>>,
}

impl ListedFolder {
    fn list(
        volume: &dyn Volume,
        dir: &RelName,
        segment: u32,
        with_lengths: bool,
    ) -> Result<Self, JobError> {
        // A mount that shows short names in lower case means the same names.
        let name = |(mut file, length): (Vec<u8>, Option<u64>)| {
            file.make_ascii_uppercase();
            Some((PayloadName::from_file(segment, &file)?, length))
        };
        let files = match with_lengths {
            true => copy::lengths(volume, dir, segment)?.map(|files| {
                let files = files.into_iter().map(|(file, length)| (file, Some(length)));
                files.filter_map(name).collect()
            }),
            false => copy::list(volume, dir, segment)?.map(|entries| {
                let files = entries.into_iter().filter(|entry| entry.kind == EntryKind::File);
                files.map(|entry| (entry.name, None)).filter_map(name).collect()
            }),
        };
        Ok(Self { segment, files })
    }

    /// Whether a copy exists, and has the right length as far as that was checked.
    fn has(&self, copy: &CopyRow) -> bool {
        let found = self.files.as_ref().and_then(|files| files.get(&copy.name));
        found.is_some_and(|length| length.is_none_or(|length| length == copy.identity.bytes))
    }
}

/// The copies of a replica that count, but are absent or of another length, in order. If a folder alone cannot be
/// listed, all its copies are among them. Existence is checked for all copies, which is fast everywhere; a length costs
/// FAT a search through the folder, so lengths are checked for [`LENGTHS_FOR`] only, and the next check continues from
/// there.
pub(super) fn wrong(
    bag: StationBag<'_>,
    replica: ReplicaRowId,
    within: &LengthCheck<'_>,
) -> Result<Vec<CopyRow>, JobError> {
    let StationBag { catalogue, volume, dir } = bag;
    let (mut wrong, mut after) = (Vec::new(), 0);
    let begun = within.clock.since_boot();
    let from = catalogue.lengths_seen_to(replica)?;
    let (mut seen_to, mut all) = (from, true);
    let mut folder = ListedFolder { segment: 0, files: None };
    loop {
        let page = catalogue.payloads_after(replica, after, PAGE)?;
        let Some(last) = page.last() else { break };
        after = last.name.number;
        for copy in page {
            if !copy.state.is_whole() {
                continue;
            }
            let segment = copy.name.segment;
            if segment > folder.segment {
                let in_time = within.clock.since_boot().saturating_sub(begun) < LENGTHS_FOR;
                let with_lengths = segment > from && in_time;
                folder = ListedFolder::list(volume, dir, segment, with_lengths)?;
                seen_to = if with_lengths { segment } else { seen_to };
                all &= with_lengths || segment <= from;
            }
            let is_right = match segment == folder.segment {
                true => folder.has(&copy),
                // Numbers and folders rise together in all that we write: a forged order makes no folder be listed
                // twice.
                false => {
                    copy::length(volume, dir, copy.name)? == CopyLength::Bytes(copy.identity.bytes)
                }
            };
            if !is_right {
                wrong.push(copy);
            }
        }
    }
    // After the last folder, the next check begins with the first.
    let seen_to = if all { 0 } else { seen_to };
    if within.kept && seen_to != from {
        catalogue.set_lengths_seen_to(replica, seen_to)?;
    }
    Ok(wrong)
}

/// Marks such copies in the catalogue when the drive may not be written to, and reports them.
pub(super) fn mark_wrong_lengths(
    bag: StationBag<'_>,
    replica: ReplicaRowId,
    clock: &dyn Clock,
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let StationBag { catalogue, volume, dir } = bag;
    let wrong = wrong(bag, replica, &LengthCheck { clock, kept: false })?;
    catalogue.write_transaction(|| {
        for copy in wrong {
            let found = match copy::length(volume, dir, copy.name)? {
                CopyLength::Bytes(length) if length == copy.identity.bytes => continue,
                CopyLength::Bytes(_) => CopyCheck::OtherLength,
                CopyLength::None(found) => found,
            };
            let verdict = found.judge(&copy);
            catalogue.set_copy_state(replica, copy.name.number, verdict.state())?;
            if let Some(finding) = verdict.finding() {
                finding.note(findings);
            }
        }
        Ok(())
    })
}
