//! Owns the kinds of events a ledger records. Never holds anything that could not be read back.

use crate::model::digest::{Digest, Identity};
use crate::model::finding::Suspicion;
use crate::model::names::{CardId, MailboxName, PayloadName, RelName};
use crate::model::stamp::{Moment, Order, Stamp};

/// One line of a ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Number of the line in its ledger, from 1.
    pub seq: u64,
    /// When, as far as the station knew.
    pub stamp: Stamp,
    /// What happened.
    pub event: Event,
}

/// Where a message was in the mailbox, and what else a restore needs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Mailbox.
    pub mailbox: MailboxName,
    /// Path in it.
    pub path: RelName,
    /// The file's own time.
    pub modified: Moment,
    /// Permission bits.
    pub mode: u32,
    /// When the station first saw this content there.
    pub first_seen: Moment,
    /// Set if this version looks like damage to the card.
    pub suspect: Option<Suspicion>,
    /// Which of two places or versions is the later.
    pub order: Order,
}

/// What a line records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A mount session begins to write here.
    Opened {
        /// The card that writes.
        card: CardId,
        /// Its era.
        era: u64,
        /// Name and version of the program.
        program: String,
    },
    /// Where a mailbox lies on the card.
    Mailbox {
        /// Its name.
        mailbox: MailboxName,
        /// Its absolute path, raw.
        root: Vec<u8>,
    },
    /// A new copy, proven: read back from the medium with the right hash before this line was written.
    Mirrored {
        /// The copy.
        payload: PayloadName,
        /// What it is.
        identity: Identity,
        /// Where it came from.
        place: Place,
        /// The damaged copy it stands in for.
        replaces: Option<PayloadName>,
    },
    /// A content already held is (also, or again) at this place.
    Placed {
        /// What it is.
        identity: Identity,
        /// Where.
        place: Place,
    },
    /// A content already held went from one place to another.
    Moved {
        /// What it is.
        identity: Identity,
        /// Where it is now.
        place: Place,
        /// The mailbox it left.
        from_mailbox: MailboxName,
        /// The path it left.
        from: RelName,
    },
    /// Its deletion from the mailbox was seen. The copies stay.
    Removed {
        /// Mailbox.
        mailbox: MailboxName,
        /// Path in it.
        path: RelName,
        /// Order of the change.
        order: Order,
    },
    /// It was found missing from the mailbox. The copies stay.
    Vanished {
        /// Mailbox.
        mailbox: MailboxName,
        /// Path in it.
        path: RelName,
        /// Order of the change.
        order: Order,
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
    Missing {
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
        /// How many are missing.
        missing: u64,
    },
    /// The lines between two octets of this ledger were broken by a cut or a fault. Whole lines
    /// among them were checked against their copies, and what failed was recorded, before this.
    Recovered {
        /// Octet at which sound lines ended.
        from: u64,
        /// Octet before which this line begins.
        to: u64,
        /// Whole lines between.
        whole_lines: u64,
    },
}

impl Event {
    /// This program opens a ledger for a card.
    pub fn opened(card: CardId, era: u64) -> Self {
        Self::Opened {
            card,
            era,
            program: concat!("counterfoil ", env!("CARGO_PKG_VERSION")).to_owned(),
        }
    }
}
