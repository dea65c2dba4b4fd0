//! Keeps the payload manifest whole: every copy is listed once, and what a cut left at its end is
//! covered. Never removes the line of a copy; on FAT nothing is truncated, so the end is written over
//! in place.

use super::ledger::{Lines, Piece};
use crate::disk::{ReadFrom, Volume};
use crate::job::JobError;
use crate::job::catalogue::{BookRow, Catalogue, PayloadRow};
use crate::model::limits::{BATCH_MESSAGES_MAX, NUMBER_MAX};
use crate::model::{Digest, Finding, Identity, PayloadName, RelName, bag};
use std::collections::HashSet;

fn path(dir: &RelName) -> RelName {
    dir.join(&RelName::fixed(bag::MANIFEST))
}

/// Appends lines and makes them durable, with every copy written to the device before.
pub(crate) fn append(
    volume: &dyn Volume,
    dir: &RelName,
    book: &mut BookRow,
    lines: &str,
) -> Result<(), JobError> {
    volume.write_synced(&path(dir), book.manifest_bytes, lines.as_bytes())?;
    book.manifest_bytes += lines.len() as u64;
    Ok(())
}

/// Whether the manifest is as long as it is known to be: then nobody but us has written to it.
pub(super) fn is_as_known(
    volume: &dyn Volume,
    dir: &RelName,
    book: &BookRow,
) -> Result<bool, JobError> {
    Ok(volume.length(&path(dir))? == Some(book.manifest_bytes))
}

/// The numbers of those among some copies without a line that are listed with the hash they have: they had
/// been read back when the cut came, so each is whole.
pub(super) fn listed_with_their_hash(
    volume: &dyn Volume,
    dir: &RelName,
    orphans: &[(PayloadName, Identity)],
) -> Result<HashSet<u32>, JobError> {
    let mut proven = HashSet::new();
    if orphans.is_empty() {
        return Ok(proven);
    }
    read(volume, dir, |digest, payload, _| {
        let at = orphans.binary_search_by_key(&payload.number, |(name, _)| name.number);
        if at.is_ok_and(|n| orphans[n].0 == payload && orphans[n].1.digest == digest) {
            proven.insert(payload.number);
        }
        Ok(())
    })?;
    Ok(proven)
}

/// Compares the manifest with the copies known and those to be adopted, by number, and writes what is
/// missing.
pub(super) fn mend(
    catalogue: &Catalogue,
    volume: &dyn Volume,
    dir: &RelName,
    book: &mut BookRow,
    adopted: &[(PayloadName, Identity)],
    findings: &mut Vec<Finding>,
) -> Result<(), JobError> {
    let mut held = Numbers::default();
    each_copy(catalogue, book, |copy| held.insert(copy.name.number))?;
    adopted.iter().for_each(|(payload, _)| held.insert(payload.number));
    let mut tail = Vec::new();
    let mut listed = read(volume, dir, |_, payload, at| {
        match held.contains(payload.number) {
            true => tail.clear(),
            false => tail.push((at, payload)),
        }
        // More than one batch is nothing that a cut can leave.
        tail.truncate(BATCH_MESSAGES_MAX + 1);
        Ok(())
    })?;
    if tail.len() <= BATCH_MESSAGES_MAX {
        // A device may keep these lines and lose the copies, until it is flushed.
        while let Some((at, payload)) = tail.pop()
            && volume.length(&dir.join(&payload.to_rel()))?.is_none()
        {
            listed.sound = at;
        }
    }
    book.next_number = book.next_number.max(listed.numbers.highest() + 1);
    let mut text = String::new();
    each_copy(catalogue, book, |copy| {
        if !listed.numbers.contains(copy.name.number) {
            text.push_str(&bag::manifest_line(&copy.identity.digest, copy.name));
        }
    })?;
    for (payload, identity) in adopted.iter().filter(|(p, _)| !listed.numbers.contains(p.number)) {
        text.push_str(&bag::manifest_line(&identity.digest, *payload));
    }
    let junk = listed.length - listed.sound;
    let filler = junk.saturating_sub(text.len() as u64);
    if junk > 0 {
        findings.push(Finding::ManifestTorn { bytes: junk });
    }
    book.manifest_bytes = listed.length.max(listed.sound + text.len() as u64);
    if text.is_empty() && filler == 0 {
        return Ok(());
    }
    let mut bytes = text.into_bytes();
    bytes.extend_from_slice(&bag::filler(filler));
    volume.write_synced(&path(dir), listed.sound, &bytes)?;
    Ok(())
}

fn each_copy(
    catalogue: &Catalogue,
    book: &BookRow,
    mut each: impl FnMut(&PayloadRow),
) -> Result<(), JobError> {
    let mut after = 0;
    loop {
        let page = catalogue.payloads_after(book.row, after, 1_000)?;
        let Some(last) = page.last() else { return Ok(()) };
        after = last.name.number;
        page.iter().for_each(&mut each);
    }
}

/// What a manifest lists.
pub struct Listed {
    numbers: Numbers,
    /// Octets up to the end of the last line of ours.
    sound: u64,
    length: u64,
}

impl Listed {
    /// Octets up to the end of the last line of ours: what comes behind may be written over.
    pub fn sound(&self) -> u64 {
        self.sound
    }

    /// Octets of the file.
    pub fn length(&self) -> u64 {
        self.length
    }
}

/// Reads the manifest; `each` is given every line of ours, and the octet at which it begins. Other
/// lines are passed over.
pub fn read(
    volume: &dyn Volume,
    dir: &RelName,
    mut each: impl FnMut(Digest, PayloadName, u64) -> Result<(), JobError>,
) -> Result<Listed, JobError> {
    let mut listed = Listed { numbers: Numbers::default(), sound: 0, length: 0 };
    let at = path(dir);
    if volume.length(&at)?.is_none() {
        return Ok(listed);
    }
    let mut lines = Lines::new(volume.read(&at, 0, ReadFrom::Medium)?);
    while let Some(piece) = lines.next()? {
        let (line, length) = match piece {
            Piece::Line(raw, length) => {
                // Without its line feed the last line may be torn anywhere, also within its extension.
                let whole = length as usize > raw.len();
                let comment = raw.starts_with(b"#") || raw.is_empty();
                let line = bag::read_manifest_line(raw).filter(|_| whole);
                (line.map(Some).or((comment && whole).then_some(None)), length)
            }
            Piece::TooLong(length) => (None, length),
        };
        let at = listed.length;
        listed.length += length;
        if let Some(line) = line {
            listed.sound = listed.length;
            if let Some((digest, payload)) = line {
                listed.numbers.insert(payload.number);
                each(digest, payload, at)?;
            }
        }
    }
    Ok(listed)
}

/// A set of payload numbers: one bit each, so at most 12.5 MB whatever a manifest claims.
#[derive(Default)]
struct Numbers(Vec<u64>);

impl Numbers {
    fn insert(&mut self, number: u32) {
        let word = (number.min(NUMBER_MAX) / 64) as usize;
        if word >= self.0.len() {
            self.0.resize(word + 1, 0);
        }
        self.0[word] |= 1 << (number % 64);
    }

    fn highest(&self) -> u32 {
        let last = self.0.iter().rposition(|word| *word != 0);
        last.map_or(0, |word| word as u32 * 64 + self.0[word].ilog2())
    }

    fn contains(&self, number: u32) -> bool {
        self.0.get((number / 64) as usize).is_some_and(|word| word >> (number % 64) & 1 == 1)
    }
}
