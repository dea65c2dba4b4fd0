//! Prunes superseded versions on a drive without room, if its operator allows it. Never a version that is the latest at
//! its path, nor one of a message that was removed, vanished or damaged, nor while the clock is unsure.

use super::line_reader::{LineReader, Piece};
use super::open::{Replica, session_of};
use super::remove_pruned::finish_pruning;
use crate::disk::ReadFrom;
use crate::job::catalogue::{Catalogue, CopyRow, CopyStatus, FileState};
use crate::job::{JobError, Progress};
use crate::model::ledger::{ChainReader, Event, LineTrust, LineVerdict, Location};
use crate::model::limits::{BATCH_MESSAGES, OVERHEAD_BYTES};
use crate::model::{Clock, EventTime, Identity, RelName, bag};
use std::collections::HashMap;
use std::time::Duration;

/// The result of pruning.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Copies removed.
    pub copies: u64,
    /// Bytes that they took, with the overhead of each.
    pub bytes: u64,
}

/// Where and when a ledger last named a content.
#[derive(Default)]
struct LastReference {
    locations: Vec<Location>,
    /// Claimed seconds of the latest line.
    latest: Option<i64>,
    /// A line is past a break, or an unsure clock wrote it.
    unsure: bool,
}

/// Prunes as many copies as make `need` bytes of room, the oldest first, at most a batch: those whose last line is
/// older than `after`. The ledger records it first; then each copy is taken out of the manifest and removed.
pub fn prune(
    catalogue: &Catalogue,
    drive: &mut Replica,
    need: u64,
    after: Duration,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<Pruned, JobError> {
    let now = clock.event_time();
    let mut pruned = Pruned::default();
    if !now.trusted {
        return Ok(pruned);
    }
    let candidates = catalogue.superseded(drive.state.row)?;
    if candidates.is_empty() {
        return Ok(pruned);
    }
    let last_references = last_references(drive, &candidates)?;
    let mut events = Vec::new();
    for copy in &candidates {
        if pruned.bytes >= need || events.len() >= BATCH_MESSAGES || progress.stop() {
            break;
        }
        let Some(last_reference) = last_references.get(&copy.identity) else { continue };
        if !is_old(last_reference, &now, after)
            || !is_superseded(catalogue, drive, copy, last_reference)?
        {
            continue;
        }
        events.push(Event::Pruned { payload: copy.name, identity: copy.identity });
        pruned.copies += 1;
        pruned.bytes += copy.identity.bytes + OVERHEAD_BYTES;
        progress.advance(0, 0);
    }
    if events.is_empty() {
        return Ok(Pruned::default());
    }
    // 1. Check that it is still the drive that was admitted. From here on the next admission repairs a power failure.
    drive.volume.present()?;
    let session = drive.state.session.take();
    catalogue.save_replica(&drive.state)?;
    // 2. The ledger, synced: the copies are given up. Survives: a power failure before, after which nothing has
    // happened.
    drive.record(catalogue, &now, events)?;
    // 3. The manifest, then the files. Survives: a power failure anywhere, after which recovery does this again.
    finish_pruning(drive.bag(catalogue), &drive.state)?;
    drive.state.session = session.or_else(|| Some(session_of(&now, &*drive.volume)));
    catalogue.save_replica(&drive.state)?;
    Ok(pruned)
}

fn is_old(last_reference: &LastReference, now: &EventTime, after: Duration) -> bool {
    let after = i64::try_from(after.as_secs()).unwrap_or(i64::MAX);
    let age = last_reference.latest.map(|latest| now.time.seconds.saturating_sub(latest));
    !last_reference.unsure && age.is_some_and(|age| age >= after)
}

/// Whether each path of a version has a newer one, whose copy reads right just now.
fn is_superseded(
    catalogue: &Catalogue,
    drive: &Replica,
    copy: &CopyRow,
    last_reference: &LastReference,
) -> Result<bool, JobError> {
    let replica = drive.state.row;
    if !catalogue.is_withheld(replica, copy.content)? {
        return Ok(false);
    }
    for Location { mailbox, path } in &last_reference.locations {
        let mailbox = catalogue.mailbox(mailbox, None)?;
        let assertions = catalogue.current_assertions(replica, mailbox, &path.key())?;
        let newer = assertions.iter().find(|known| known.suspect.is_none());
        let Some(newer) = newer.map(|known| known.content) else { return Ok(false) };
        // The copy may be the last there is of a message that the card lacks just now. So the card must have the newer
        // version, or the one that replaced it and waits for the room.
        let file = catalogue.file(mailbox, &path.key())?;
        let file = file.filter(|file| file.state == FileState::Present && file.suspect.is_none());
        let Some(here) = file.and_then(|file| file.content) else { return Ok(false) };
        let followed = || -> Result<bool, JobError> {
            let left = catalogue.departed(mailbox, &path.key(), newer)?;
            Ok(left.is_some_and(|left| left.successor == Some((mailbox, path.key(), here))))
        };
        if here != newer && !followed()? {
            return Ok(false);
        }
        let CopyStatus::Good(name) = catalogue.copy_status(replica, newer)? else {
            return Ok(false);
        };
        let identity = catalogue.identity(newer)?;
        if !drive.hash(name, identity.bytes)?.is(&identity) {
            return Ok(false);
        }
    }
    Ok(!last_reference.locations.is_empty())
}

/// What the ledger says of the candidates, read from its beginning.
fn last_references(
    drive: &Replica,
    candidates: &[CopyRow],
) -> Result<HashMap<Identity, LastReference>, JobError> {
    let mut last_references: HashMap<Identity, LastReference> =
        candidates.iter().map(|copy| (copy.identity, LastReference::default())).collect();
    let at = drive.dir.join(&RelName::fixed(bag::LEDGER));
    let mut lines = LineReader::new(drive.volume.read(&at, 0, ReadFrom::Medium)?);
    let mut reader = ChainReader::default();
    while let Some(piece) = lines.next()? {
        let (raw, length) = match piece {
            Piece::Line(raw, length) => (raw, length),
            Piece::TooLong(length) => {
                reader.junk(length);
                continue;
            }
        };
        let LineVerdict::Line(line, trust) = reader.line(raw, length) else { continue };
        let Some((identity, assertion)) = line.event.content() else { continue };
        let Some(last_reference) = last_references.get_mut(identity) else { continue };
        last_reference.unsure |= trust != LineTrust::Sound || !line.stamp.trusted;
        last_reference.latest = last_reference.latest.max(Some(line.stamp.time.seconds));
        if let Some(location) = assertion.map(|assertion| &assertion.location)
            && !last_reference.locations.contains(location)
        {
            last_reference.locations.push(location.clone());
        }
    }
    Ok(last_references)
}
