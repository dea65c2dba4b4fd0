//! Owns the kinds of events a ledger records. Never holds anything that could not be read back.

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
    /// When, as far as the station knew.
    pub stamp: EventTime,
    /// What happened.
    pub event: Event,
}

/// Where a message is: its mailbox, and its path in it.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Location {
    /// Mailbox.
    pub mailbox: MailboxName,
    /// Path in it.
    pub path: RelName,
}

/// That a content is at a location, and what else a restore needs.
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
    /// The position of the station as of which this is so.
    pub as_of: Position,
}

/// Why a content has left a location. Only what was seen has a reason: what is gone and nobody saw it go is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Departed {
    /// Deleted before the daemon's eyes.
    Deleted,
    /// A later version took its place.
    Replaced,
    /// It is at another location now.
    Moved,
    /// A person said that it shall not come back.
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

/// That a content has left a location, by the word of somebody who saw it go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Departure {
    /// What it is.
    pub identity: Identity,
    /// The location it left.
    pub location: Location,
    /// The position of the change: it withholds only what was asserted as of this position or before.
    pub position: Position,
    /// Why.
    pub why: Departed,
    /// A location that has what came after it, by an earlier line of this ledger: the content itself, or a later
    /// version. The departure counts only while that line can be read.
    pub to: Option<Location>,
    /// What that location has, where it is another content.
    pub heir: Option<Identity>,
    /// Unreadable lines of this ledger that its writer knew of when it left. With more it does not count.
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
    /// A writer, and what it had before it: needed to tell which of two words is the later.
    Writer {
        /// Its id.
        writer: WriterId,
        /// The position it went on from, then those it had read in ledgers; none of a card's first writer.
        links: Vec<Position>,
    },
    /// Where a mailbox lies on the card.
    Mailbox {
        /// Its name.
        mailbox: MailboxName,
        /// Its absolute path, raw.
        root: Vec<u8>,
    },
    /// The last line of another drive's ledger, as far as whoever wrote here knew it: who rewrites one drive has to
    /// rewrite all.
    Witness {
        /// The other drive.
        drive: DriveId,
        /// The number of that line.
        line: u64,
        /// Its hash.
        hash: Digest,
    },
    /// A new copy, proven: read back from the medium with the right hash before this line was written.
    Mirrored {
        /// The copy.
        payload: PayloadName,
        /// What it is.
        identity: Identity,
        /// Where it is.
        assertion: Assertion,
        /// The damaged copy it stands in for.
        replaces: Option<PayloadName>,
    },
    /// A content already held is (also, or again) at this location.
    Placed {
        /// What it is.
        identity: Identity,
        /// Where it is.
        assertion: Assertion,
    },
    /// A content already held is missing from this location: nobody saw it go, or the card has damaged it. It is
    /// wanted back.
    Missing {
        /// What it is.
        identity: Identity,
        /// Where it was.
        assertion: Assertion,
    },
    /// A content has left a location. The copies stay.
    Removed(Departure),
    /// All that this ledger asserts for these mailboxes up to this line stands as of this position too.
    Mark {
        /// The position.
        as_of: Position,
        /// The mailboxes.
        mailboxes: Vec<MailboxName>,
    },
    /// A copy found without a line, with the content of a known message.
    Adopted {
        /// The copy.
        payload: PayloadName,
        /// What it is.
        identity: Identity,
    },
    /// A copy found without a line, with the content of no known message.
    Debris {
        /// The copy.
        payload: PayloadName,
        /// What it is.
        identity: Identity,
    },
    /// A copy was read and is not what it should be, or could not be read (`found` is `None`).
    Damaged {
        /// The copy.
        payload: PayloadName,
        /// What it hashes to.
        found: Option<Digest>,
    },
    /// A copy is not there.
    Absent {
        /// The copy.
        payload: PayloadName,
    },
    /// A copy recorded as damaged or missing reads right again.
    Sound {
        /// The copy.
        payload: PayloadName,
    },
    /// A superseded version is given up to make room: its copy is taken out of the manifest and removed.
    Pruned {
        /// The copy.
        payload: PayloadName,
        /// What it is.
        identity: Identity,
    },
    /// All copies were re-read.
    Verified {
        /// How many were read.
        checked: u64,
        /// How many are damaged.
        damaged: u64,
        /// How many are not there.
        absent: u64,
    },
    /// The lines between two bytes of this ledger were broken by a power failure or a fault. Whole lines
    /// among them were checked against their copies, and what failed was recorded, before this.
    Recovered {
        /// Octet at which sound lines ended.
        from: u64,
        /// Octet before which this line begins.
        to: u64,
        /// Whole lines between.
        whole_lines: u64,
        /// Of what is no line between, how many a power failure left: never committed, and so no gaps.
        torn: u64,
    },
}

impl Event {
    /// This program begins to write.
    pub fn opened() -> Self {
        Self::Opened { program: concat!("counterfoil ", env!("CARGO_PKG_VERSION")).to_owned() }
    }

    /// The content that the event says is there, or is to come back; and where, unless the event names a copy alone.
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
