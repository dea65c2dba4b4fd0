//! The kinds of events that a ledger records. Holds nothing that could not be read back.

use crate::model::digest::{Digest, Identity};
use crate::model::finding::Suspicion;
use crate::model::ids::{DriveId, WriterId};
use crate::model::names::{MailboxName, PayloadName, RelName};
use crate::model::position::Position;
use crate::model::time::{EventTime, Timestamp};

/// One line of a ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Number of the line in its ledger, from 1.
    pub seq: u64,
    /// When it was written, as far as the station knew.
    pub stamp: EventTime,
    /// What happened.
    pub event: Event,
}

/// Where a message is: its mailbox, and its path in it.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Location {
    /// As the config of the writing card names it.
    pub mailbox: MailboxName,
    /// Path in it.
    pub path: RelName,
}

/// That a content is at a location, with what a restore needs in addition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assertion {
    /// Where.
    pub location: Location,
    /// The file's own time.
    pub modified: Timestamp,
    /// Permission bits.
    pub mode: u32,
    /// When the station first saw this content there.
    pub first_seen: Timestamp,
    /// Set if this version looks like damage to the card.
    pub suspect: Option<Suspicion>,
    /// The position of the station as of which this is true.
    pub as_of: Position,
}

/// Why a content has left a location. Only a departure that was seen has a reason; a content that nobody saw go is
/// missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Departed {
    /// Deleted while the daemon watched.
    Deleted,
    /// A later version took its place.
    Replaced,
    /// It is at another location now.
    Moved,
    /// A person decided that it shall not come back.
    Acknowledged,
}

impl Departed {
    /// Every reason.
    pub const ALL: [Self; 4] = [Self::Deleted, Self::Replaced, Self::Moved, Self::Acknowledged];

    /// The text used in the ledger.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Deleted => "deleted",
            Self::Replaced => "replaced",
            Self::Moved => "moved",
            Self::Acknowledged => "acknowledged",
        }
    }

    /// Reads [`as_str`](Self::as_str) back.
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|why| why.as_str() == text)
    }
}

/// That a content has left a location, written by somebody who saw it go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Departure {
    /// SHA-256 and length of the content.
    pub identity: Identity,
    /// The location it left.
    pub location: Location,
    /// The position of the change: the departure withholds only what was asserted as of this position or before.
    pub position: Position,
    /// Whether it was deleted, replaced, moved or acknowledged.
    pub why: Departed,
    /// A location that has what came after it, by an earlier line of this ledger: the content itself, or a later
    /// version. The departure counts only while that line can be read.
    pub to: Option<Location>,
    /// The content of that location, if it is another one.
    pub successor: Option<Identity>,
    /// Unreadable lines of this ledger that the writer knew of when the content left. With more, the departure does not
    /// count.
    pub gaps: u64,
}

/// What a line records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A mount session begins to write here.
    Opened {
        /// Name and version of the program.
        program: String,
    },
    /// A writer, and the positions before it, by which two assertions are ordered.
    Writer {
        /// Drawn at random when the writer began.
        writer: WriterId,
        /// The position that it continued from, then those that it had read in ledgers; empty for a card's first
        /// writer.
        links: Vec<Position>,
    },
    /// Where a mailbox lies on the card.
    Mailbox {
        /// As the config names it, or a ledger.
        mailbox: MailboxName,
        /// Its absolute path in raw bytes.
        root: Vec<u8>,
    },
    /// The last line of another drive's ledger that this card knows: whoever rewrites one drive has to rewrite all.
    Witness {
        /// The other drive.
        drive: DriveId,
        /// The number of that line.
        line: u64,
        /// The hash at the end of that line.
        hash: Digest,
    },
    /// A new copy: read back from the medium with the right hash before this line was written.
    Mirrored {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// SHA-256 and length of what is in the file.
        identity: Identity,
        /// Its location.
        assertion: Assertion,
        /// The damaged copy that it replaces.
        replaces: Option<PayloadName>,
    },
    /// A content that the drive has already is (also, or again) at this location.
    Placed {
        /// SHA-256 and length of the content.
        identity: Identity,
        /// Its location.
        assertion: Assertion,
    },
    /// A content that the drive has already is missing from this location: nobody saw it go, or the card has damaged
    /// it. A restore brings it back.
    Missing {
        /// SHA-256 and length of the content.
        identity: Identity,
        /// Its former location.
        assertion: Assertion,
    },
    /// A content has left a location. The copies stay.
    Removed(Departure),
    /// Everything that this ledger asserts for these mailboxes up to this line is true as of this position too.
    Mark {
        /// Up to which change of which writer everything earlier stands.
        as_of: Position,
        /// Those that the mark is about, 16 at most.
        mailboxes: Vec<MailboxName>,
    },
    /// A copy found without a line, with the content of a known message.
    Adopted {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// SHA-256 and length of what is in the file.
        identity: Identity,
    },
    /// A copy found without a line, with the content of no known message.
    Debris {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// SHA-256 and length of what is in the file.
        identity: Identity,
    },
    /// A copy was read and is not what it should be, or could not be read (`found` is `None`).
    Damaged {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// The hash that it has.
        found: Option<Digest>,
    },
    /// A copy does not exist.
    Absent {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// A copy recorded as damaged or missing is right again.
    Sound {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// A superseded version is given up to make room: its copy is taken out of the manifest and removed.
    Pruned {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// SHA-256 and length of what is in the file.
        identity: Identity,
    },
    /// All copies were read again.
    Verified {
        /// Copies read.
        checked: u64,
        /// Damaged ones.
        damaged: u64,
        /// Missing ones.
        absent: u64,
    },
    /// A power failure or a fault broke the lines between two offsets of this ledger. The whole lines among them were
    /// checked against their copies before this line, and failures were recorded.
    Recovered {
        /// Offset at which sound lines end.
        from: u64,
        /// Offset at which this line begins.
        to: u64,
        /// Whole lines between the two.
        whole_lines: u64,
        /// Pieces of junk between the two that a power failure left: never committed, and so no gaps.
        torn: u64,
    },
}

impl Event {
    /// The event with which this program begins to write.
    pub fn opened() -> Self {
        Self::Opened { program: concat!("counterfoil ", env!("CARGO_PKG_VERSION")).to_owned() }
    }

    /// The content that the event says is present or missing; and where, unless the event only names a copy.
    pub fn content(&self) -> Option<(&Identity, Option<&Assertion>)> {
        match self {
            Self::Mirrored { identity, assertion, .. }
            | Self::Placed { identity, assertion }
            | Self::Missing { identity, assertion } => Some((identity, Some(assertion))),
            Self::Adopted { identity, .. } => Some((identity, None)),
            _ => None,
        }
    }

    /// The good copy that the event adds to the drive.
    pub fn new_copy(&self) -> Option<PayloadName> {
        match self {
            Self::Mirrored { payload, .. } | Self::Adopted { payload, .. } => Some(*payload),
            _ => None,
        }
    }

    /// Whether the event says that a copy counts no more.
    pub fn is_copy_loss(&self) -> bool {
        matches!(self, Self::Damaged { .. } | Self::Absent { .. })
    }

    /// The position as of which the event speaks, if it is one about locations.
    pub fn position(&self) -> Option<Position> {
        match self {
            Self::Removed(departure) => Some(departure.position),
            Self::Mark { as_of, .. } => Some(*as_of),
            _ => self.content()?.1.map(|assertion| assertion.as_of),
        }
    }

    /// The position of whoever wrote the event: of its location, or of the writer that it announces.
    pub fn author(&self) -> Option<Position> {
        match self {
            Self::Writer { writer, .. } => Some(Position { writer: *writer, n: 0 }),
            _ => self.position(),
        }
    }

    /// The entries that the event brings into the catalogue: itself, and one for each item of its list.
    pub fn entries(&self) -> u64 {
        1 + match self {
            Self::Writer { links, .. } => links.len() as u64,
            Self::Mark { mailboxes, .. } => mailboxes.len() as u64,
            _ => 0,
        }
    }
}
