//! What is committed together, and what came of it. Only values: nothing is decided or written here.

use crate::job::catalogue::FileRow;
use crate::model::ledger::{Event, Place};
use crate::model::limits::{OVERHEAD_BYTES, RESERVE_BYTES};
use crate::model::{Identity, PayloadName, Reason};
use std::collections::HashSet;

/// A message to be copied.
pub(super) struct CopyItem {
    pub row: FileRow,
    /// What it was when it was last read; anything else is not committed.
    pub identity: Identity,
    pub place: Place,
    pub replaces: Option<PayloadName>,
}

/// What is committed together.
pub(super) struct Batch {
    pub copies: Vec<CopyItem>,
    /// What is being copied, to find the same content twice.
    pub contents: HashSet<Identity>,
    pub bytes: u64,
    /// Lines that need no copy.
    pub notes: Vec<Event>,
    /// Places that one of these lines says a message has left.
    pub left: HashSet<(i64, Vec<u8>)>,
    /// Places that one of these lines says a message has gone to.
    pub placed: HashSet<(i64, Vec<u8>)>,
    /// The era of this card, for the order of the lines.
    pub era: u64,
    /// Room left on the drive, in octets, after everything planned.
    pub room: u64,
}

impl Batch {
    pub(super) fn new(era: u64, room: u64) -> Self {
        Self {
            copies: Vec::new(),
            contents: HashSet::new(),
            bytes: 0,
            notes: Vec::new(),
            left: HashSet::new(),
            placed: HashSet::new(),
            era,
            room,
        }
    }

    /// Whether a message fits, with everything planned and the reserve.
    pub(super) fn has_room_for(&self, item: &CopyItem) -> bool {
        item.identity.bytes + OVERHEAD_BYTES + RESERVE_BYTES <= self.room
    }

    pub(super) fn add(&mut self, item: CopyItem) {
        self.room -= item.identity.bytes + OVERHEAD_BYTES;
        self.bytes += item.identity.bytes;
        self.contents.insert(item.identity);
        self.copies.push(item);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.copies.is_empty() && self.notes.is_empty()
    }
}

/// What a commit achieved.
#[derive(Default)]
pub(super) struct Committed {
    pub copied: u64,
    pub bytes: u64,
    /// Messages left out, and why.
    pub failed: Vec<(FileRow, Reason)>,
}
