//! The closed lists of what can be wrong: why a message is not mirrored, what is suspect about a version, what was
//! found on a drive. The sentences for a person are in `cli`.

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
    /// No drive is present.
    NoDrive,
    /// It will be mirrored by the next pass.
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
    /// The file keeps changing.
    Changing,
    /// Its mailbox cannot be scanned.
    MailboxAway,
    /// Its path is longer than any that the system can open.
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

/// Why a new version of a message looks damaged by the card. It is copied and marked, and never replaces the last good
/// version in a restore.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Suspicion {
    /// The version before had bytes, this one has none.
    Emptied,
    /// It is the beginning of the version before.
    CutShort,
    /// It ends in NUL bytes, as blocks that were never written do.
    NulFilled,
    /// It has other bytes although nobody wrote to it: length, times and inode are the same. Also stands for a
    /// suspicion of a later version of the program that this one does not know.
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
    /// The random id in its `drive.json`.
    pub id: DriveId,
    /// The drive's name for a person.
    pub label: String,
}

/// Something found on a drive or in a mailbox that a person should know. No finding is an error of the pass: the work
/// continues.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// A folder of the mailbox could not be read; what is known of it stays as it was.
    FolderUnreadable {
        /// The folder; `None` for the mailbox itself.
        path: Option<RelName>,
        /// The operating system's message.
        why: String,
    },
    /// A message could not be read.
    MessageUnreadable {
        /// The message's path, below the folder of its mailbox.
        path: RelName,
        /// The operating system's message.
        why: String,
    },
    /// A Maildir's folder of unfinished deliveries was skipped, and something is in it.
    Excluded {
        /// The folder's path, below that of the mailbox.
        path: RelName,
    },
    /// A message on the card has other bytes than before although nobody wrote to it.
    MessageAltered {
        /// The message's path, below the folder of its mailbox.
        path: RelName,
    },
    /// The drive was copied from another, and has an id of its own now.
    CopiedDrive {
        /// The id of both until now.
        of: DriveId,
        /// The id of this one from now on.
        own: DriveId,
    },
    /// The operator gave this drive up; it was inspected, and its copies do not count.
    ForgottenDrive {
        /// The drive's place, for a person.
        at: String,
        /// The time of that decision.
        since: Timestamp,
        /// What became of the drive, as the operator said.
        why: DriveLoss,
        /// Where it went, in the operator's words.
        place: Option<String>,
    },
    /// A stick that was never seen before: from now on all mail is copied to it.
    NewDrive {
        /// The new drive.
        drive: KnownDrive,
        /// Whether another drive has the same name.
        alike: bool,
        /// Whether its operator gave leave for the next new stick.
        let_in: bool,
    },
    /// The drive's id cannot be read; everything else on it says that it is this drive.
    IdRecognised {
        /// The random id in its `drive.json`.
        id: DriveId,
    },
    /// The drive's id could not be read, the drive was recognised, and the id was written again.
    IdRestored {
        /// The random id in its `drive.json`.
        id: DriveId,
    },
    /// The drive's id could not be read, and nothing identifies the drive: it has a new id. The drives that it may have
    /// been do not count until they are seen.
    IdUnknown {
        /// Its id from now on.
        own: DriveId,
        /// The drives that it may have been.
        maybe: Vec<KnownDrive>,
    },
    /// This drive has taken another one's place, by evidence after which that one's copies no longer count.
    Replaces {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive, with an id never seen before, has the ledger of another drive, which is absent.
    HasLedgerOf {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive is new, and was found where another one was last: the operator must say whether it is that one.
    PerhapsReformatted {
        /// The other one.
        other: KnownDrive,
    },
    /// This drive was taken for replaced, and is present after all: its copies count again.
    SeenAgain,
    /// The ledger does not continue from where it was known to end: another state of the drive, or a copy of it that
    /// went its own way. It was read from its beginning.
    LedgerOther {
        /// Bytes that it had.
        known: u64,
        /// Bytes that it has now.
        found: u64,
    },
    /// A power failure tore the end of the ledger; everything before it is sound.
    LedgerTorn {
        /// Offset at which sound lines end.
        offset: u64,
        /// Bytes skipped.
        bytes: u64,
    },
    /// A line within the ledger is damaged or was altered; the lines after it were checked one by one.
    LedgerAltered {
        /// Offset at which sound lines end.
        offset: u64,
        /// Whole lines after it.
        whole_lines: u64,
    },
    /// From some offset on the ledger is junk, for longer than any power failure can leave.
    LedgerOversizedGarbage {
        /// Offset at which sound lines end.
        offset: u64,
    },
    /// The ledger is gone or shorter than it was: an old state of the drive, or the work of a repair tool.
    LedgerShorter {
        /// Bytes that it had.
        known: u64,
        /// Bytes that it has now.
        found: u64,
    },
    /// Lines of the ledger that were readable before are not any more: they rotted, or somebody changed them.
    LedgerLinesLost {
        /// Offset from which lines are lost.
        offset: u64,
        /// Number of lost lines, at least.
        lines: u64,
    },
    /// Lines of the manifest are wrong or gone.
    ManifestLinesLost {
        /// Offset of the first of them.
        offset: u64,
        /// Number of such lines.
        lines: u64,
    },
    /// The medium does not return a part of a log.
    LogUnreadable {
        /// The log's file.
        log: &'static str,
        /// Offset of that part.
        offset: u64,
    },
    /// Superseded versions were pruned because there was no room.
    Pruned {
        /// Number of copies.
        copies: u64,
        /// Room gained, in bytes.
        bytes: u64,
    },
    /// Every payload number or segment is used: the drive takes no more.
    NumbersUsedUp,
    /// The manifest had bytes that are no lines of ours; comment lines replaced them.
    ManifestTorn {
        /// Bytes replaced.
        bytes: u64,
    },
    /// A copy was found without a ledger line, as a power failure leaves it; it was adopted.
    Adopted {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// A copy was found without a ledger line and belongs to no known message; it was recorded as debris.
    Debris {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// A copy no longer has its hash, or cannot be read.
    Damaged {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
        /// The hash that it should have.
        expected: Digest,
        /// The hash that it has; `None` if it cannot be read.
        found: Option<Digest>,
    },
    /// A copy no longer exists.
    Missing {
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// Names in a folder of a mailbox make paths that are too long to be used.
    PathsTooLong {
        /// The folder.
        folder: RelName,
        /// Number of such names.
        names: u64,
    },
    /// Mirrored messages lie at paths that are ignored now.
    NowIgnored {
        /// Number of such messages.
        messages: u64,
    },
    /// The pass had more problems than are listed.
    More {
        /// Number of the others.
        count: usize,
    },
}

impl Finding {
    /// Whether it only says what was done, and nothing is wrong.
    pub fn is_notice(&self) -> bool {
        matches!(self, Self::Excluded { .. })
    }

    /// Adds a finding to a list of bounded length: beyond [`PROBLEMS_MAX`], findings are only counted.
    pub fn note(self, list: &mut Vec<Self>) {
        let full = list.len() >= PROBLEMS_MAX;
        match list.last_mut() {
            Some(Self::More { count }) => *count += 1,
            _ if full => list.push(Self::More { count: 1 }),
            _ => list.push(self),
        }
    }
}
