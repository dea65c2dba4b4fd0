//! Keeps the payload manifest complete: every copy is listed once, and what a power failure left at the end is
//! overwritten. Never removes the line of a copy that exists. On FAT nothing is truncated, so the end is overwritten in
//! place.

use super::append_log::write_proven;
use super::copy::{self, CopyCheck, CopyLength};
use super::line_reader::{LineReader, Piece};
use super::station_bag::StationBag;
use crate::disk::{ReadFrom, Volume};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, CopyRow, CopyState, ReplicaRowId, ReplicaState};
use crate::model::limits::{BATCH_MESSAGES_MAX, MANIFEST_JUNK_BYTES, NUMBER_MAX};
use crate::model::{Digest, Finding, Identity, PayloadName, RelName, bag};
use std::collections::{BTreeMap, HashSet};
use std::ops::Range;

fn path(dir: &RelName) -> RelName {
    dir.join(&RelName::fixed(bag::MANIFEST))
}

/// Appends lines and makes them durable, together with every copy written to the device before.
pub(crate) fn append(
    volume: &dyn Volume,
    dir: &RelName,
    replica: &mut ReplicaState,
    lines: &str,
) -> Result<(), JobError> {
    write_proven(volume, &path(dir), replica.manifest_bytes, lines.as_bytes())?;
    replica.manifest_bytes += lines.len() as u64;
    Ok(())
}

/// Whether the manifest has its known length: then nobody else has written to it.
pub(super) fn is_unchanged(
    volume: &dyn Volume,
    dir: &RelName,
    replica: &ReplicaState,
) -> Result<bool, JobError> {
    Ok(volume.length(&path(dir))? == Some(replica.manifest_bytes))
}

/// Overwrites the lines of some copies with comments, in place.
pub(super) fn blank_lines(
    volume: &dyn Volume,
    dir: &RelName,
    copies: &[PayloadName],
) -> Result<(), JobError> {
    let mut covered: Vec<Range<u64>> = Vec::new();
    read(volume, dir, |_, payload, at| {
        if copies.binary_search_by_key(&payload.number, |name| name.number).is_ok() {
            covered.push(at);
        }
        Ok(())
    })?;
    for run in covered.chunk_by(|one, next| one.end == next.start) {
        let (Some(first), filler) = (run.first(), run.iter()) else { continue };
        let filler: Vec<u8> = filler.flat_map(|at| bag::filler(at.end - at.start)).collect();
        write_proven(volume, &path(dir), first.start, &filler)?;
    }
    Ok(())
}

/// Rewrites the last line as it is, which flushes the device.
pub(super) fn flush(volume: &dyn Volume, dir: &RelName) -> Result<(), JobError> {
    let listed = read(volume, dir, |_, _, _| Ok(()))?;
    let Some((digest, payload, at)) = listed.last else { return Ok(()) };
    let line = bag::manifest_line(&digest, payload);
    match line.len() as u64 == at.end - at.start {
        true => write_proven(volume, &path(dir), at.start, line.as_bytes()),
        false => Ok(()),
    }
}

/// The numbers of those copies without a ledger line that the manifest lists with the hash they have: they were read
/// back before the power failure, so each is whole.
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

/// The context of a repair of the manifest.
pub(super) struct ManifestRepair<'a> {
    pub bag: StationBag<'a>,
    /// Its last lines may exist in the system's memory only.
    pub doubtful: bool,
}

impl ManifestRepair<'_> {
    /// Compares the manifest with the known copies and those to be adopted, by number, and writes what is missing.
    pub(super) fn run(
        &self,
        replica: &mut ReplicaState,
        adopted: &[(PayloadName, Identity)],
        findings: &mut Vec<Finding>,
    ) -> Result<(), JobError> {
        let Self { bag: StationBag { catalogue, volume, dir }, doubtful } = *self;
        let mut held = PayloadNumbers::default();
        let mut uncertain = BTreeMap::new();
        each_copy(catalogue, replica, |copy| {
            held.insert(copy.name.number);
            if copy.state == CopyState::Debris {
                uncertain.insert(copy.name.number, copy.identity.digest);
            }
        })?;
        for (payload, identity) in adopted {
            held.insert(payload.number);
            uncertain.insert(payload.number, identity.digest);
        }
        let mut wrong = Vec::new();
        let mut listed = read(volume, dir, |digest, payload, at| {
            let is = uncertain.get(&payload.number);
            if !held.contains(payload.number) || is.is_some_and(|is| *is != digest) {
                wrong.push((at, payload));
            }
            // A power failure cannot leave more than one batch.
            wrong.truncate(BATCH_MESSAGES_MAX + 1);
            Ok(())
        })?;
        if listed.oversized_garbage {
            let at = volume.facts().shown.clone();
            return Err(JobError::OversizedGarbage { path: at, file: bag::MANIFEST });
        }
        if wrong.len() <= BATCH_MESSAGES_MAX {
            self.correct_line(&mut listed, wrong, &uncertain)?;
        }
        replica.next_number = replica.next_number.max(listed.numbers.highest() + 1);
        let text = self.unlisted(replica, adopted, &listed.numbers)?;
        let junk = listed.length - listed.sound;
        let filler = junk.saturating_sub(text.len() as u64);
        if junk > 0 {
            findings.push(Finding::ManifestTorn { bytes: junk });
        }
        replica.manifest_bytes = listed.length.max(listed.sound + text.len() as u64);
        if text.is_empty() && filler == 0 {
            // Rewritten as it is, the last line makes those before it durable.
            let Some((digest, payload, at)) = listed.last.filter(|_| doubtful) else {
                return Ok(());
            };
            let line = bag::manifest_line(&digest, payload);
            return match line.len() as u64 == at.end - at.start {
                true => write_proven(volume, &path(dir), at.start, line.as_bytes()),
                false => Ok(()),
            };
        }
        let mut bytes = text.into_bytes();
        bytes.extend_from_slice(&bag::filler(filler));
        write_proven(volume, &path(dir), listed.sound, &bytes)
    }

    /// The lines of the copies that are not listed.
    fn unlisted(
        &self,
        replica: &ReplicaState,
        adopted: &[(PayloadName, Identity)],
        listed: &PayloadNumbers,
    ) -> Result<String, JobError> {
        let mut text = String::new();
        let mut debris = Vec::new();
        each_copy(self.bag.catalogue, replica, |copy| {
            let line = || bag::manifest_line(&copy.identity.digest, copy.name);
            match copy.state {
                _ if listed.contains(copy.name.number) => {}
                // A missing copy need not be listed; it would only make the bag invalid.
                CopyState::Missing => {}
                CopyState::GivenUp | CopyState::Removed => {}
                // Nobody records that debris is gone.
                CopyState::Debris => debris.push((copy.name, line())),
                _ => text.push_str(&line()),
            }
        })?;
        for (payload, line) in debris {
            if self.bag.volume.length(&self.bag.dir.join(&payload.to_rel()))?.is_some() {
                text.push_str(&line);
            }
        }
        for (payload, identity) in adopted.iter().filter(|(p, _)| !listed.contains(p.number)) {
            text.push_str(&bag::manifest_line(&identity.digest, *payload));
        }
        Ok(text)
    }

    /// Until it is flushed, a device may keep lines and lose the files that they list. At the end of the manifest such
    /// a line is junk; before other lines it is overwritten in place: by a comment, or with the hash that the copy has.
    fn correct_line(
        &self,
        listed: &mut ManifestContents,
        mut wrong: Vec<(Range<u64>, PayloadName)>,
        uncertain: &BTreeMap<u32, Digest>,
    ) -> Result<(), JobError> {
        // A file that cannot be examined may exist.
        let absent = |payload| -> Result<bool, JobError> {
            Ok(copy::length(self.bag.volume, self.bag.dir, payload)?
                == CopyLength::None(CopyCheck::Absent))
        };
        while let Some((at, payload)) = wrong.pop_if(|(at, _)| at.end == listed.sound) {
            if !absent(payload)? {
                wrong.push((at, payload));
                break;
            }
            listed.sound = at.start;
        }
        for (at, payload) in wrong {
            let length = at.end - at.start;
            let line = match uncertain.get(&payload.number) {
                Some(digest) => bag::manifest_line(digest, payload).into_bytes(),
                None if absent(payload)? => bag::filler(length),
                // Nobody knows what it is; the next mount will show it.
                None => continue,
            };
            if line.len() as u64 == length {
                write_proven(self.bag.volume, &path(self.bag.dir), at.start, &line)?;
                // The line must not be rewritten as it was.
                listed.last.take_if(|(_, _, last)| *last == at);
            }
        }
        Ok(())
    }
}

/// A piece of a manifest, compared with what the ledger says of the copies.
pub(super) enum LineJudgement {
    /// The right line of a copy.
    Right(PayloadName),
    /// A wrong line of a known copy; nobody can tell which part of it rotted.
    Wrong,
    /// A line in our format of a copy that the ledger does not name.
    Unknown,
    /// A comment or an empty line.
    Comment,
    /// Bytes that are no line.
    Junk,
}

/// Judges a piece, and returns its length in bytes.
pub(super) fn judge(
    catalogue: &Catalogue,
    replica: ReplicaRowId,
    piece: &Piece<'_>,
) -> Result<(LineJudgement, u64), JobError> {
    let (raw, length) = match *piece {
        Piece::Line(raw, length) if length as usize > raw.len() => (raw, length),
        Piece::Line(_, length) | Piece::TooLong(length) => {
            return Ok((LineJudgement::Junk, length));
        }
    };
    if raw.starts_with(b"#") || raw.is_empty() {
        return Ok((LineJudgement::Comment, length));
    }
    let Some((digest, payload)) = bag::read_manifest_line(raw) else {
        return Ok((LineJudgement::Junk, length));
    };
    let Some(copy) = catalogue.payload(replica, payload.number)? else {
        return Ok((LineJudgement::Unknown, length));
    };
    let line = bag::manifest_line(&copy.identity.digest, copy.name);
    // An editor may have changed line ends or separators, but then the line is not as long as ours.
    let same = copy.name == payload && copy.identity.digest == digest;
    let right = same && (line.len() as u64 != length || line.as_bytes().starts_with(raw));
    Ok((if right { LineJudgement::Right(payload) } else { LineJudgement::Wrong }, length))
}

/// Overwrites wrong pieces before the manifest's end with comments, in place. [`Mending`] then writes the lines of the
/// copies that are no longer listed at the end.
pub(super) fn comment_out_wrong_lines(
    bag: StationBag<'_>,
    replica: ReplicaRowId,
) -> Result<(), JobError> {
    let StationBag { catalogue, volume, dir } = bag;
    let at = path(dir);
    if volume.length(&at)?.is_none() {
        return Ok(());
    }
    let mut lines = LineReader::new(volume.read(&at, 0, ReadFrom::Medium)?);
    let (mut offset, mut runs, mut last_wrong) = (0, 0, 0);
    // The piece to overwrite next, extended while wrong pieces follow each other.
    let mut run = 0..0;
    let cover = |run: &Range<u64>| match run.is_empty() {
        true => Ok(()),
        false => write_proven(volume, &at, run.start, &bag::filler(run.end - run.start)),
    };
    while let Some(piece) = lines.next()? {
        let (judged, length) = judge(catalogue, replica, &piece)?;
        let end = offset + length;
        if matches!(judged, LineJudgement::Wrong) {
            last_wrong = end;
        }
        if matches!(judged, LineJudgement::Junk | LineJudgement::Wrong) {
            run = if run.end == offset && !run.is_empty() { run.start..end } else { offset..end };
        } else if !run.is_empty() {
            cover(&run)?;
            run = 0..0;
            runs += 1;
        }
        offset = end;
        // Far more than rots between two readings: the rest stays reported.
        if runs > BATCH_MESSAGES_MAX || run.end - run.start > MANIFEST_JUNK_BYTES {
            return Ok(());
        }
    }
    // Junk at the very end is what a power failure leaves, and is overwritten with the next lines.
    cover(&(run.start..last_wrong.max(run.start)))
}

pub(super) fn each_copy(
    catalogue: &Catalogue,
    replica: &ReplicaState,
    mut each: impl FnMut(&CopyRow),
) -> Result<(), JobError> {
    let mut after = 0;
    loop {
        let page = catalogue.payloads_after(replica.row, after, 1_000)?;
        let Some(last) = page.last() else { return Ok(()) };
        after = last.name.number;
        page.iter().for_each(&mut each);
    }
}

/// The contents of a manifest.
pub struct ManifestContents {
    numbers: PayloadNumbers,
    /// Offset of the end of the last line in our format.
    sound: u64,
    /// The last line of a copy, and its bytes in the file.
    last: Option<(Digest, PayloadName, Range<u64>)>,
    length: u64,
    /// Junk continues for longer than any power failure can leave; reading stopped there.
    oversized_garbage: bool,
}

impl ManifestContents {
    /// Offset of the end of the last line in our format: what follows may be overwritten.
    pub fn sound_bytes(&self) -> u64 {
        self.sound
    }

    /// Length of the file in bytes.
    pub fn length(&self) -> u64 {
        self.length
    }
}

/// Reads the manifest. Passes every line in our format to `each`, with its bytes in the file, and skips all others.
pub fn read(
    volume: &dyn Volume,
    dir: &RelName,
    mut each: impl FnMut(Digest, PayloadName, Range<u64>) -> Result<(), JobError>,
) -> Result<ManifestContents, JobError> {
    let mut listed = ManifestContents {
        numbers: PayloadNumbers::default(),
        sound: 0,
        last: None,
        length: 0,
        oversized_garbage: false,
    };
    let at = path(dir);
    if volume.length(&at)?.is_none() {
        return Ok(listed);
    }
    let mut lines = LineReader::new(volume.read(&at, 0, ReadFrom::Medium)?);
    while let Some(piece) = lines.next()? {
        let (line, length) = match piece {
            Piece::Line(raw, length) => {
                // Without its line feed the last line may be torn anywhere, even within its extension.
                let whole = length as usize > raw.len();
                let comment = raw.starts_with(b"#") || raw.is_empty();
                let line = bag::read_manifest_line(raw).filter(|_| whole);
                (line.map(Some).or((comment && whole).then_some(None)), length)
            }
            Piece::TooLong(length) => (None, length),
        };
        let at = listed.length..listed.length + length;
        listed.length += length;
        if let Some(line) = line {
            listed.sound = listed.length;
            if let Some((digest, payload)) = line {
                listed.numbers.insert(payload.number);
                listed.last = Some((digest, payload, at.clone()));
                each(digest, payload, at)?;
            }
        }
        listed.oversized_garbage = listed.length - listed.sound > MANIFEST_JUNK_BYTES;
        if listed.oversized_garbage {
            break;
        }
    }
    Ok(listed)
}

/// A set of payload numbers, one bit each: at most 12.5 MB whatever a manifest claims.
#[derive(Default)]
pub(super) struct PayloadNumbers(Vec<u64>);

impl PayloadNumbers {
    pub(super) fn insert(&mut self, number: u32) {
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

    pub(super) fn contains(&self, number: u32) -> bool {
        self.0.get((number / 64) as usize).is_some_and(|word| word >> (number % 64) & 1 == 1)
    }
}
