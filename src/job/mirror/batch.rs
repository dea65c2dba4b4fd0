//! What is to be committed together. Only values: nothing is decided or written here.

use crate::disk::Volume;
use crate::job::catalogue::{ContentAt, ContentRowId, FileRow, MailboxRowId, ReplicaRowId};
use crate::model::ledger::{Assertion, Event};
use crate::model::limits::{
    BATCH_BYTES, BATCH_BYTES_MAX, BATCH_MESSAGES, BATCH_MESSAGES_MAX, BATCH_QUICK, OVERHEAD_BYTES,
    RESERVE_BYTES,
};
use crate::model::{Extension, Identity, PayloadName, Position, Reason, RelName};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// A message to be copied.
pub(super) struct CopyItem {
    /// Its row in the mailbox; none of a copy taken from another drive, whose message may be in no mailbox.
    pub row: Option<FileRow>,
    /// What it was when it was last read; anything else is not committed.
    pub identity: Identity,
    /// Where it is; none of a copy that is made again and of whose location nothing new is said.
    pub assertion: Option<Assertion>,
    pub replaces: Option<PayloadName>,
    /// Taken from another drive; none if from the mailbox.
    pub peer_copy: Option<PeerCopy>,
}

impl CopyItem {
    /// The place that the line of its copy tells.
    pub(super) fn place(&self) -> Option<ContentAt> {
        let row = self.row.as_ref().filter(|_| self.assertion.is_some())?;
        Some((row.mailbox, row.key.clone(), row.content?))
    }

    pub(super) fn extension(&self) -> Extension {
        match (&self.peer_copy, &self.assertion) {
            (Some(peer_copy), _) => peer_copy.payload.extension,
            (None, Some(assertion)) => Extension::of(&assertion.location.path),
            (None, None) => Extension::NONE,
        }
    }
}

/// A good copy on another drive, for a message that the mailbox does not have any more.
pub(super) struct PeerCopy {
    pub volume: Arc<dyn Volume>,
    pub dir: RelName,
    pub replica: ReplicaRowId,
    pub payload: PayloadName,
}

/// What is to be committed together.
pub(super) struct BatchPlan {
    pub copies: Vec<CopyItem>,
    /// What is being copied, to find the same content twice.
    pub contents: HashSet<Identity>,
    pub bytes: u64,
    /// Lines that need no copy.
    pub notes: Vec<Event>,
    /// Departures, each with the place that a copy of this batch must have first.
    pub departures: Vec<(Event, Option<ContentAt>)>,
    /// What these lines assert, and where, of each content, one of them does.
    places: HashSet<ContentAt>,
    asserted: HashMap<ContentRowId, (MailboxRowId, Vec<u8>)>,
    /// What its copies assert, where they succeed.
    copied: HashSet<ContentAt>,
    /// The position of this card as of which it speaks.
    pub position: Position,
    /// Room left on the drive, in bytes, after everything planned.
    pub room: u64,
    /// The drive has told something of a message, and it is to be told what follows from that.
    pub learnt: bool,
}

impl BatchPlan {
    pub(super) fn new(position: Position, room: u64) -> Self {
        Self {
            copies: Vec::new(),
            contents: HashSet::new(),
            bytes: 0,
            notes: Vec::new(),
            departures: Vec::new(),
            places: HashSet::new(),
            asserted: HashMap::new(),
            copied: HashSet::new(),
            position,
            room,
            learnt: false,
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
        self.copied.extend(item.place());
        self.copies.push(item);
    }

    /// A line that says that a content is somewhere.
    pub(super) fn assert(&mut self, event: Event, place: ContentAt) {
        self.notes.push(event);
        self.asserted.entry(place.2).or_insert_with(|| (place.0, place.1.clone()));
        self.places.insert(place);
    }

    /// Whether one of its lines says so.
    pub(super) fn asserts(&self, place: &ContentAt) -> bool {
        self.places.contains(place)
    }

    /// Whether one of its copies, if it succeeds, says so.
    pub(super) fn copies_to(&self, place: &ContentAt) -> bool {
        self.copied.contains(place)
    }

    /// Where, by one of its copies that succeeds, a content is.
    pub(super) fn copied_place_of(&self, content: ContentRowId) -> Option<ContentAt> {
        self.copied.iter().find(|place| place.2 == content).cloned()
    }

    /// Where, by one of its lines, a content is.
    pub(super) fn place_of(&self, content: ContentRowId) -> Option<(MailboxRowId, Vec<u8>)> {
        self.asserted.get(&content).cloned()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.copies.is_empty() && self.notes.is_empty() && self.departures.is_empty()
    }
}

/// How much goes into a batch: as designed at first, more while a quick medium works off a backlog.
pub(super) struct BatchSize {
    messages: usize,
    bytes: u64,
}

impl Default for BatchSize {
    fn default() -> Self {
        Self { messages: BATCH_MESSAGES, bytes: BATCH_BYTES }
    }
}

impl BatchSize {
    pub(super) fn is_full(&self, batch: &BatchPlan) -> bool {
        batch.copies.len() >= self.messages
            || batch.bytes >= self.bytes
            || batch.notes.len() + batch.departures.len() >= BATCH_MESSAGES_MAX
    }

    pub(super) fn took(&mut self, milliseconds: i64) {
        if u128::try_from(milliseconds).is_ok_and(|took| took < BATCH_QUICK.as_millis()) {
            self.messages = (self.messages * 2).min(BATCH_MESSAGES_MAX);
            self.bytes = (self.bytes * 2).min(BATCH_BYTES_MAX);
        } else {
            *self = Self::default();
        }
    }
}

/// Messages that a batch leaves out, and why.
pub(super) type LeftOut = Vec<(FileRow, Reason)>;
