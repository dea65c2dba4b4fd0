//! Reads a ledger once more if this card, or the ledger of another drive, remembers hashes of some of its lines.
//! Decides nothing; and reads nothing where there is nothing to compare.

use super::line_reader::{LineReader, Piece};
use super::station_bag::StationBag;
use crate::disk::{ErrorKind, ReadFrom};
use crate::job::JobError;
use crate::job::catalogue::ReplicaState;
use crate::model::bag::LEDGER;
use crate::model::ledger::{ChainReader, LineTrust, LineVerdict};
use crate::model::{Digest, DriveId};
use std::collections::BTreeMap;

/// Compares an open drive's ledger with what is remembered of it; `reloaded`: it does not continue from where this card
/// knew it to end.
pub(crate) fn compare(
    bag: StationBag<'_>,
    replica: &ReplicaState,
    (id, reloaded): (DriveId, bool),
) -> Result<(), JobError> {
    let catalogue = bag.catalogue;
    let numbers = catalogue.witnesses_to_compare(replica, id, reloaded)?;
    // A drive without an id is not one that other ledgers can name.
    if numbers.is_empty() || id == DriveId::NIL {
        return Ok(());
    }
    match hashes_of(bag, replica, &numbers) {
        // Nothing can be said of what the medium does not return.
        Err(JobError::Disk(error)) if error.trouble == ErrorKind::Failing => Ok(()),
        hashes => catalogue.compare(replica, id, reloaded, &hashes?),
    }
}

/// The hashes of the lines with these numbers, as far as every line before them can be read.
fn hashes_of(
    bag: StationBag<'_>,
    replica: &ReplicaState,
    numbers: &[u64],
) -> Result<BTreeMap<u64, Digest>, JobError> {
    let mut lines = LineReader::new(bag.volume.read(&bag.file(LEDGER), 0, ReadFrom::Medium)?);
    let (mut reader, mut hashes) = (ChainReader::default(), BTreeMap::new());
    let mut numbers_left = numbers.iter().copied().peekable();
    while numbers_left.peek().is_some() && reader.offset() < replica.ledger_bytes {
        let verdict = match lines.next()? {
            Some(Piece::Line(raw, length)) => reader.line(raw, length),
            Some(Piece::TooLong(length)) => {
                reader.junk(length);
                LineVerdict::Junk
            }
            None => break,
        };
        match verdict {
            LineVerdict::Line(line, LineTrust::Sound) if reader.gaps() == 0 => {
                while let Some(number) = numbers_left.next_if(|number| *number <= line.seq) {
                    // A number that was skipped has no line.
                    if number == line.seq {
                        hashes.insert(number, reader.chain().head);
                    }
                }
            }
            LineVerdict::Newer(_) => break,
            _ => {}
        }
    }
    Ok(hashes)
}
