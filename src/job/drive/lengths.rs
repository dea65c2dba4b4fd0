//! Compares the copies that a ledger tells of with what the folders of a drive list: a copy that is not there, or is
//! not as long as it should be, needs no reading to count for nothing.
//! Never opens a copy, and never calls one right: of its bytes a length says nothing.

use super::payload::{self, Copy};
use crate::disk::Volume;
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, PayloadRow, PayloadState};
use crate::model::{Finding, PayloadName, RelName};
use std::collections::HashMap;

/// Copies looked at together.
const PAGE: u32 = 1_000;

/// The folder looked at last, with the lengths of its files by number; none of one that cannot be listed.
struct Folder {
    segment: u32,
    files: Option<HashMap<PayloadName, u64>>,
}

impl Folder {
    fn list(volume: &dyn Volume, dir: &RelName, segment: u32) -> Result<Self, JobError> {
        let files = payload::lengths(volume, dir, segment)?;
        // Where a mount shows short names in small letters they are the same names.
        let name = |(mut file, length): (Vec<u8>, u64)| {
            file.make_ascii_uppercase();
            Some((PayloadName::from_file(segment, &file)?, length))
        };
        let files = files.map(|files| files.into_iter().filter_map(name).collect());
        Ok(Self { segment, files })
    }

    fn length(&self, copy: PayloadName) -> Option<u64> {
        self.files.as_ref()?.get(&copy).copied()
    }
}

/// The copies of a book that count and are absent or of another length, in order. Where a folder alone cannot be listed
/// all of its copies are among them.
pub(super) fn wrong(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    dir: &RelName,
    book: i64,
) -> Result<Vec<PayloadRow>, JobError> {
    let (mut wrong, mut after) = (Vec::new(), 0);
    let mut folder = Folder { segment: 0, files: None };
    loop {
        let page = catalogue.payloads_after(book, after, PAGE)?;
        let Some(last) = page.last() else { return Ok(wrong) };
        after = last.name.number;
        for copy in page {
            if !copy.state.is_whole() {
                continue;
            }
            let segment = copy.name.segment;
            if segment > folder.segment {
                folder = Folder::list(volume, dir, segment)?;
            }
            let length = match segment == folder.segment {
                true => folder.length(copy.name),
                // Numbers and folders rise together in all that we write: no folder is listed twice for a forger.
                false => payload::length(volume, dir, copy.name)?.ok(),
            };
            if length != Some(copy.identity.bytes) {
                wrong.push(copy);
            }
        }
    }
}

/// The same where nothing may be written to the drive: these copies count for nothing from now on, which is told.
pub(super) fn set_apart(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    dir: &RelName,
    book: i64,
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let wrong = wrong(catalogue, volume, dir, book)?;
    catalogue.together(|| {
        for copy in wrong {
            let (payload, expected) = (copy.name, copy.identity.digest);
            let (state, finding) = match payload::length(volume, dir, payload)? {
                Ok(length) if length == copy.identity.bytes => continue,
                Err(Copy::Absent) => (PayloadState::Missing, Finding::Missing { payload }),
                _ => (PayloadState::Damaged, Finding::Damaged { payload, expected, found: None }),
            };
            catalogue.set_payload_state(book, payload.number, state)?;
            finding.note(findings);
        }
        Ok(())
    })
}
