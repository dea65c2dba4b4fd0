//! The plan of one batch: the copies and lines that are committed together. Only values; decides and writes nothing.

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
    /// Its content when it was last read; a message with any other content is not committed.
    pub identity: Identity,
    /// Its location; none for a repaired copy, which says nothing new of any location.
    pub assertion: Option<Assertion>,
    pub replaces: Option<PayloadName>,
    /// The other drive that it is copied from; none if it comes from the mailbox.
    pub peer_copy: Option<PeerCopy>,
}

impl CopyItem {
    /// The location that the line of its copy will assert.
    pub(super) fn content_at(&self) -> Option<ContentAt> {
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

/// A good copy on another drive, of a message that the mailbox no longer has.
pub(super) struct PeerCopy {
    pub volume: Arc<dyn Volume>,
    pub dir: RelName,
    pub replica: ReplicaRowId,
    pub payload: PayloadName,
}

/// What is committed together.
pub(super) struct BatchPlan {
    pub copies: Vec<CopyItem>,
    /// The contents being copied, so that one that comes twice is copied once.
    pub contents: HashSet<Identity>,
    pub bytes: u64,
    /// Lines that need no copy.
    pub notes: Vec<Event>,
    /// Departures, each with the location that a copy of this batch has to assert first.
    pub departures: Vec<(Event, Option<ContentAt>)>,
    /// The locations that the lines assert; and for each content one of them.
    places: HashSet<ContentAt>,
    asserted: HashMap<ContentRowId, (MailboxRowId, Vec<u8>)>,
    /// The locations that the copies assert if they succeed.
    copied: HashSet<ContentAt>,
    /// The position of this card that the lines speak as of.
    pub position: Position,
    /// Room left on the drive, in bytes, after everything planned.
    pub room: u64,
    /// A copy on the drive has shown what became of a message, and lines that follow from that have to be written.
    pub others_need_pass: bool,
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
            others_need_pass: false,
        }
    }

    /// Whether a message fits, after everything planned and with the reserve kept free.
    pub(super) fn has_room_for(&self, item: &CopyItem) -> bool {
        item.identity.bytes + OVERHEAD_BYTES + RESERVE_BYTES <= self.room
    }

    pub(super) fn add(&mut self, item: CopyItem) {
        self.room -= item.identity.bytes + OVERHEAD_BYTES;
        self.bytes += item.identity.bytes;
        self.contents.insert(item.identity);
        self.copied.extend(item.content_at());
        self.copies.push(item);
    }

    /// Adds a line that asserts a content at a location.
    pub(super) fn assert(&mut self, event: Event, content_at: ContentAt) {
        self.notes.push(event);
        self.asserted.entry(content_at.2).or_insert_with(|| (content_at.0, content_at.1.clone()));
        self.places.insert(content_at);
    }

    /// Whether one of the lines asserts this.
    pub(super) fn asserts(&self, content_at: &ContentAt) -> bool {
        self.places.contains(content_at)
    }

    /// Whether one of the copies, if it succeeds, asserts this.
    pub(super) fn copies_to(&self, content_at: &ContentAt) -> bool {
        self.copied.contains(content_at)
    }

    /// A location at which one of the copies, if it succeeds, asserts a content.
    pub(super) fn copied_location_of(&self, content: ContentRowId) -> Option<ContentAt> {
        self.copied.iter().find(|content_at| content_at.2 == content).cloned()
    }

    /// A location at which one of the lines asserts a content.
    pub(super) fn location_of(&self, content: ContentRowId) -> Option<(MailboxRowId, Vec<u8>)> {
        self.asserted.get(&content).cloned()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.copies.is_empty() && self.notes.is_empty() && self.departures.is_empty()
    }
}

/// The size of the next batch: small at first, larger while a fast medium works off a backlog.
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

    /// How many copies the batch takes before it is full, at least one.
    pub(super) fn messages_left(&self, batch: &BatchPlan) -> usize {
        self.messages.saturating_sub(batch.copies.len()).max(1)
    }

    pub(super) fn adapt(&mut self, milliseconds: i64) {
        if u128::try_from(milliseconds).is_ok_and(|took| took < BATCH_QUICK.as_millis()) {
            self.messages = (self.messages * 2).min(BATCH_MESSAGES_MAX);
            self.bytes = (self.bytes * 2).min(BATCH_BYTES_MAX);
        } else {
            *self = Self::default();
        }
    }
}

/// Messages that a batch leaves out, with the reasons.
pub(super) type LeftOutFiles = Vec<(FileRow, Reason)>;
