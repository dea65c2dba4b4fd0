//! Owns the closed lists of what can be wrong: why a message is not mirrored, what is suspect
//! about a version, what was found on a drive. Words for a person are made in `cli`.

use super::digest::Digest;
use super::ids::DriveId;
use super::limits::PROBLEMS_MAX;
use super::loss::DriveLoss;
use super::names::{PayloadName, RelName};
use super::time::Timestamp;
use std::fmt;

/// Why a message is not mirrored. The texts are part of the JSON format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reason {
    /// No drive is there.
    NoDrive,
    /// It will be, at the next pass.
    NotYet,
    /// The drive's file system cannot hold a file of this length.
    TooLarge,
    /// It could not be read.
    Unreadable,
    /// It is a link, a pipe, a socket or a device.
    NotAFile,
    /// No room on the drive.
    DriveFull,
    /// The drive failed, or may not be written.
    DriveFailed,
    /// It keeps changing.
    Changing,
    /// Its mailbox cannot be looked at.
    MailboxAway,
    /// Its path is longer than any that can be used.
    PathTooLong,
}

impl Reason {
    /// Every reason.
    pub const ALL: [Self; 10] = [
        Self::NoDrive,
        Self::NotYet,
        Self::TooLarge,
        Self::Unreadable,
        Self::NotAFile,
        Self::DriveFull,
        Self::DriveFailed,
        Self::Changing,
        Self::MailboxAway,
        Self::PathTooLong,
    ];

    /// The text used in JSON and in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::NoDrive => "no-drive",
            Self::NotYet => "not-yet",
            Self::TooLarge => "too-large",
            Self::Unreadable => "unreadable",
            Self::NotAFile => "not-a-file",
            Self::DriveFull => "drive-full",
            Self::DriveFailed => "drive-failed",
            Self::Changing => "changing",
            Self::MailboxAway => "mailbox-away",
            Self::PathTooLong => "path-too-long",
        }
    }

    /// Reads [`as_str`](Self::as_str) back.
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.as_str() == text)
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// Why a new version of a message looks like damage to the card. It is kept, marked, and never
/// takes the place of the last good version in a restore.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Suspicion {
    /// It had bytes and has none now.
    Emptied,
    /// It is the beginning of the version before.
    CutShort,
    /// It ends in NUL bytes, as blocks never written do.
    NulFilled,
    /// Its bytes are others, though nobody wrote to it: length, times and inode are the same. Also whatever a
    /// later version of the program suspects that this one has no word for.
    Altered,
}

impl Suspicion {
    /// The text used in the ledger.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Emptied => "emptied",
            Self::CutShort => "cut-short",
            Self::NulFilled => "nul-filled",
            Self::Altered => "altered",
        }
    }

    /// Reads [`as_str`](Self::as_str) back.
    pub fn from_text(text: &str) -> Option<Self> {
        let known = [Self::Emptied, Self::CutShort, Self::NulFilled, Self::Altered];
        known.into_iter().find(|s| s.as_str() == text)
    }
}

/// Another drive that a finding names.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct KnownDrive {
    /// Its id.
    pub id: DriveId,
    /// How it is called.
    pub label: String,
}

/// Something found on a drive or in a mailbox that a person should know. Nothing found is an
/// error of the pass: the rest goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// Part of the mailbox tree could not be read; what is known of it stays as it was.
    FolderUnreadable {
        /// The folder, `None` for the mailbox itself.
        path: Option<RelName>,
        /// What the operating system said.
        why: String,
    },
    /// A message could not be read.
    MessageUnreadable {
        /// The message.
        path: RelName,
        /// What the operating system said.
        why: String,
    },
    /// A Maildir's folder of unfinished deliveries is left out, and something lies in it.
    Excluded {
        /// The folder.
        path: RelName,
    },
    /// A message's bytes on the card are not those it had, though nobody wrote to it.
    MessageAltered {
        /// The message.
        path: RelName,
    },
    /// The drive was copied from another, and has an id of its own now.
    CopiedDrive {
        /// The id of both until now.
        of: DriveId,
        /// The id of this one from now on.
        own: DriveId,
    },
    /// The operator gave this drive up; it was looked at, and counts for nothing.
    ForgottenDrive {
        /// Where it is, for a person.
        at: String,
        /// Since when.
        since: Timestamp,
        /// Why.
        why: DriveLoss,
        /// Where it went, as it was said.
        place: Option<String>,
    },
    /// A stick that was never seen before: from now on all mail is copied to it.
    NewDrive {
        /// Which.
        drive: KnownDrive,
        /// Another one is called alike.
        alike: bool,
        /// Its operator asked for the next one.
        let_in: bool,
    },
    /// The drive's id cannot be read; by what else is on it, it is this one.
    IdRecognised {
        /// The id.
        id: DriveId,
    },
    /// The same, and the id was written again.
    IdRestored {
        /// The id.
        id: DriveId,
    },
    /// The drive's id could not be read, and nothing tells which drive it was: it has a new one. Those it may have
    /// been count for nothing until they are seen.
    IdUnknown {
        /// Its id from now on.
        own: DriveId,
        /// The drives it may have been.
        maybe: Vec<KnownDrive>,
    },
    /// This drive stands where another one was, by evidence that lets that one's copies count no more.
    Replaces {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive, with an id never seen before, has the ledger of another one, which is not here.
    HasLedgerOf {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive is new, and was found where another one was last: the operator must say which it is.
    PerhapsReformatted {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive was taken for replaced, and is here after all: its copies count again.
    SeenAgain,
    /// The ledger does not go on from where it was known to end: another state of the drive, or a copy of it that
    /// went its own way. It was read from its beginning.
    LedgerOther {
        /// Bytes it had.
        known: u64,
        /// Bytes it has.
        found: u64,
    },
    /// The end of the ledger was torn by a power failure; everything before it stands.
    LedgerTorn {
        /// Octet at which sound lines ended.
        at: u64,
        /// Bytes passed over.
        bytes: u64,
    },
    /// A line within the ledger is damaged or was altered; the lines after it were checked one by one.
    LedgerAltered {
        /// Octet at which sound lines ended.
        at: u64,
        /// Lines after it that are whole.
        whole_lines: u64,
    },
    /// From there on the ledger goes on without lines, for longer than any power failure can leave it.
    LedgerEndless {
        /// Octet at which sound lines ended.
        at: u64,
    },
    /// The ledger is gone or shorter than it was: an old state of the drive, or a repair tool's work.
    LedgerShorter {
        /// Bytes it had.
        known: u64,
        /// Bytes it has.
        found: u64,
    },
    /// Lines of the ledger that could be read once cannot any more: they rotted, or somebody changed them.
    LedgerLinesLost {
        /// Byte from which on.
        at: u64,
        /// How many, at least.
        lines: u64,
    },
    /// Lines of the manifest are not what they should be, or are gone.
    ManifestLinesLost {
        /// Byte from which on.
        at: u64,
        /// How many.
        lines: u64,
    },
    /// The medium does not give a part of a log.
    LogUnreadable {
        /// The log's file.
        log: &'static str,
        /// Byte from which on.
        at: u64,
    },
    /// Superseded versions were given up, since there was no room.
    Pruned {
        /// How many.
        copies: u64,
        /// Room made by it, in bytes.
        bytes: u64,
    },
    /// Every payload number or segment is used up: the drive takes no more.
    NumbersUsedUp,
    /// The manifest has bytes that are no lines of ours; they were covered with comment lines.
    ManifestTorn {
        /// Bytes covered.
        bytes: u64,
    },
    /// A copy was there without a ledger line, as a power failure leaves it; it was adopted.
    Adopted {
        /// The copy.
        payload: PayloadName,
    },
    /// A copy was there without a ledger line and belongs to no message known; it was recorded as debris.
    Debris {
        /// The copy.
        payload: PayloadName,
    },
    /// A copy does not have its hash any more, or cannot be read.
    Damaged {
        /// The copy.
        payload: PayloadName,
        /// What it should hash to.
        expected: Digest,
        /// What it does hash to; `None` if it cannot be read.
        found: Option<Digest>,
    },
    /// A copy is not there any more.
    Missing {
        /// The copy.
        payload: PayloadName,
    },
    /// Names in a folder of a mailbox make paths that are too long.
    PathsTooLong {
        /// The folder.
        folder: RelName,
        /// How many.
        names: u64,
    },
    /// Messages that were kept lie at paths that are ignored now.
    NowIgnored {
        /// How many.
        messages: u64,
    },
    /// More problems of the same pass than are listed.
    More {
        /// How many.
        count: usize,
    },
}

impl Finding {
    /// Whether it only says what is done, and nothing is wrong.
    pub fn is_notice(&self) -> bool {
        matches!(self, Self::Excluded { .. })
    }

    /// Adds one to a list that is kept short: beyond [`PROBLEMS_MAX`] they are only counted.
    pub fn note(self, list: &mut Vec<Self>) {
        let full = list.len() >= PROBLEMS_MAX;
        match list.last_mut() {
            Some(Self::More { count }) => *count += 1,
            _ if full => list.push(Self::More { count: 1 }),
            _ => list.push(self),
        }
    }
}
