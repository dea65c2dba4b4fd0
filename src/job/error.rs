//! The errors that end a piece of work. A damaged ledger or copy is none of them: that is a finding, and the work
//! continues.

use crate::disk::{DiskError, ErrorKind};
use crate::model::escape::in_shell;
use crate::model::{DriveId, DriveLoss, MailboxName, PayloadName, RelName, StationName};

/// Why a piece of work could not be done.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// The file system failed.
    #[error(transparent)]
    Disk(#[from] DiskError),
    /// A sync failed: the system reports lost pages once and calls them clean afterwards.
    #[error(transparent)]
    NotSynced(DiskError),
    /// The first write to a drive failed.
    #[error(
        "{path}: the first writing to this drive failed, and what of it is there the system may only believe: \
         unmount it, pull it out and plug it in again"
    )]
    BadBeginning {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// The catalogue failed.
    #[error("the catalogue cannot be used: {0}; it is a cache: move it away and run again")]
    Catalogue(#[from] rusqlite::Error),
    /// A file next to the catalogue cannot be written.
    #[error(transparent)]
    State(DiskError),
    /// One of our own files contradicts itself.
    #[error("{0}")]
    Broken(String),
    /// A drive was at this place before, and is absent now.
    #[error(
        "{path}: drive {id} was here and is not: plug it in and mount it. Nothing was written. \
         To begin a new drive in this folder: counterfoil drives add {}",
        in_shell(.path)
    )]
    DriveAway {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The random id in its `drive.json`.
        id: DriveId,
    },
    /// A drive was at this place before, and what is mounted there now has nothing of it.
    #[error(
        "{path}: {label} ({id}) was here, and an empty stick is here now. Nothing was written. If it was reformatted, \
         type: counterfoil drives forget {id} --why reformatted; if it is another stick, kept in another place, type: \
         counterfoil drives away {id}. Then, to use this stick: counterfoil drives add {}",
        in_shell(.path)
    )]
    EmptyStick {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The drive that was there.
        id: DriveId,
        /// That drive's name for a person.
        label: String,
    },
    /// There is no drive at this place, and none may be begun.
    #[error("{path}: no counterfoil drive is there: it has no counterfoil/drive.json")]
    NoDrive {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// The drive is not a known one, and only known ones are accepted.
    #[error(
        "{path}: not used, since it is no drive that was added (accept = \"known\"). Nothing was written. \
         To use it: counterfoil drives add {}",
        in_shell(.path)
    )]
    NotAccepted {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// It has the id of a known drive, and is on another file system: only known drives are accepted.
    #[error(
        "{path}: not used: it says that it is drive {id}, and is not the stick that was known as that one \
         (accept = \"known\"). Nothing was written. If it is yours, as after it was copied: counterfoil drives add {}",
        in_shell(.path)
    )]
    NotTheKnown {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The id that it has.
        id: DriveId,
    },
    /// Its file system has no serial number by which it could be identified: only known drives are accepted.
    #[error(
        "{path}: not used: its file system has no serial number, so another stick could pass for it (accept = \
         \"known\"). Nothing was written. If it is yours, name its folder {path} in the config (folders, below \
         [drives])"
    )]
    NoSerial {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// It has the id of a known drive, and whether it is that one cannot be determined yet.
    #[error(
        "{path}: not used yet: it says that it is drive {id}, which is known by the serial number of its file system, \
         and none can be read here. It is looked at again. If it is yours and stays so, name its folder {path} in the \
         config (folders, below [drives])"
    )]
    SerialUnread {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The id that it has.
        id: DriveId,
    },
    /// Its owner has marked it as not to be written.
    #[error(
        "{path}: not used, since it carries a file counterfoil.skip: delete that to use this drive"
    )]
    SkipFile {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// The drive was pulled out in the middle of the work.
    #[error(
        "{path}: pulled out while it was written to ({while_doing}). What was called mirrored is on it; plug \
         it in again for the rest"
    )]
    PulledOut {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The operation that failed.
        while_doing: String,
    },
    /// Another drive, which is present or known on another file system, has the same id, and this one was only to be
    /// read.
    #[error(
        "{path}: a copy of another drive ({id}): it is given an id of its own when it is next written to"
    )]
    CopiedDrive {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The id of both.
        id: DriveId,
    },
    /// Two paths lead to one drive.
    #[error("{path}: this drive ({id}) is here by another path already: name it once")]
    SecondTime {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The random id in its `drive.json`.
        id: DriveId,
    },
    /// The drive was written by a later version of the program.
    #[error(
        "{path}: written by a later version of counterfoil (format {format}): it can be restored from, \
         but not written; update the program on this station"
    )]
    NewerFormat {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The format found.
        format: u32,
    },
    /// The state folder belongs to another station.
    #[error(
        "this state folder is station {known}'s, and this run is for station {asked}. Nothing was done. Give \
         station {asked} a state folder of its own: --state DIR (in the config: state = \"DIR\")"
    )]
    OtherStation {
        /// The station that it belongs to.
        known: StationName,
        /// The station that it was opened for.
        asked: StationName,
    },
    /// A mailbox's name stands for another folder, and the mailbox is still where it was.
    #[error(
        "mailbox {name} is {was_at} in this state folder and still lies there, and {is_at} is another folder. \
         Nothing was done. For another mailbox give another name: --mailbox NAME={is_at} (in the config: name = \
         \"NAME\"). For another station give another state folder: --state DIR. If the mailbox has moved, give its \
         old folder another name first"
    )]
    OtherMailbox {
        /// The name.
        name: MailboxName,
        /// Where the mailbox lies.
        was_at: String,
        /// The folder that has its name now.
        is_at: String,
    },
    /// A message was not repaired.
    #[error("{path} is not repaired: {why}. Nothing was changed")]
    NotRepaired {
        /// The message.
        path: String,
        /// Why.
        why: &'static str,
    },
    /// The drive has proven not to keep what is written to it.
    #[error(
        "{path}: not trusted any more: {why}. Nothing more is written to it, and nothing counts as mirrored on it \
         alone; restore still reads from it. Use another drive; to begin afresh with this one: \
         counterfoil drives add {}",
        in_shell(.path)
    )]
    Untrusted {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// What it did.
        why: String,
    },
    /// Its operator gave it up.
    #[error(
        "{path}: this is drive {id}, which is {} since {since}{}. It takes no mail, and its copies count for \
         nothing{}. To use it {}: counterfoil drives add {}",
        .why.given_up(), reason_phrase(*.why, .place.as_deref()), restore_phrase(*.why), again_phrase(*.why),
        in_shell(.path)
    )]
    Forgotten {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The random id in its `drive.json`.
        id: DriveId,
        /// The time of that decision.
        since: String,
        /// What became of the drive, as the operator said.
        why: DriveLoss,
        /// Where it went, in the operator's words.
        place: Option<String>,
    },
    /// Junk in one of our files continues for longer than any power failure can leave.
    #[error(
        "{path}: {file} goes on for very long without a line of ours: somebody else has written to it. It can \
         be restored from, but is not written: use another drive"
    )]
    OversizedGarbage {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The file.
        file: &'static str,
    },
    /// A ledger has far more lines than its copies account for.
    #[error(
        "{path}: not used: its ledger has more than {lines} lines, and only {copies} copies are there. Somebody made \
         it up, or copies were deleted. Nothing of it was taken over, and nothing was written to it. If it is yours \
         and right: counterfoil drives add {}",
        in_shell(.path)
    )]
    LedgerNotBorneOut {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// Lines that would have been accepted.
        lines: u64,
        /// Copies found.
        copies: u64,
    },
    /// The card has no room for a ledger's contents.
    #[error(
        "{path}: not used: this card has {} MiB free, and what the ledger of this drive tells may take {} MiB. Part is \
         kept for new mail. Nothing of it was taken over, and nothing was written to it. Make room on the card",
        free >> 20,
        needed.div_ceil(1 << 20)
    )]
    NoRoomForLedger {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// Bytes that they may take.
        needed: u64,
        /// Bytes that were free.
        free: u64,
    },
    /// What was read back is not what was written.
    #[error(
        "{path}: {payload} reads back other than it was written: do not trust this drive; use another one"
    )]
    NotAsWritten {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The copy's file, in a folder of `data/`.
        payload: PayloadName,
    },
    /// What was read back of a log is not what was written.
    #[error(
        "{path}: {log} reads back other than it was written: do not trust this drive; use another one"
    )]
    LogNotAsWritten {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// The log: the ledger or the manifest.
        log: RelName,
    },
    /// Every payload number or segment is used up.
    #[error("{path}: the numbers of this drive are used up: begin another drive")]
    NumbersUsedUp {
        /// Where the drive is mounted, as shown to a person.
        path: String,
    },
    /// Another restore is at work in the folder restored into.
    #[error(
        "{path}: another restore is writing there. Nothing was changed: wait until it ends, then give the same command \
         again"
    )]
    TargetBusy {
        /// The folder.
        path: String,
    },
    /// The drive had no room for all messages.
    #[error(
        "{path}: no room for {waiting} messages: use another drive, or free room beside counterfoil/"
    )]
    NoRoom {
        /// Where the drive is mounted, as shown to a person.
        path: String,
        /// Messages that did not fit.
        waiting: u64,
    },
}

/// The reason for giving up a drive, as a phrase, with the place it went to; a refused drive went nowhere.
fn reason_phrase(why: DriveLoss, place: Option<&str>) -> String {
    match place {
        Some(place) => format!(": {why}, {place}"),
        None if why == DriveLoss::Refused => String::new(),
        None => format!(": {why}"),
    }
}

/// What a restore does with the drive, as a phrase: a refused one is read only if it is named.
fn restore_phrase(why: DriveLoss) -> &'static str {
    if why == DriveLoss::Refused { "" } else { "; restore still reads them" }
}

fn again_phrase(why: DriveLoss) -> &'static str {
    if why == DriveLoss::Refused { "all the same" } else { "again" }
}

impl From<crate::disk::ReaderFault> for JobError {
    fn from(fault: crate::disk::ReaderFault) -> Self {
        Self::Broken(fault.to_string())
    }
}

impl JobError {
    /// Whether the catalogue is damaged: then it is set aside and built anew.
    pub fn is_damaged_catalogue(&self) -> bool {
        use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
        match self {
            Self::Catalogue(error) => {
                matches!(error.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase))
            }
            _ => false,
        }
    }

    /// The trouble with the state folder, as on a card that is full, read-only or failing: then the work continues with
    /// a state in memory.
    pub fn state_trouble(&self) -> Option<ErrorKind> {
        use rusqlite::ErrorCode::{CannotOpen, DiskFull, ReadOnly, SystemIoFailure};
        match self {
            Self::Catalogue(error) => match error.sqlite_error_code()? {
                DiskFull => Some(ErrorKind::Full),
                ReadOnly => Some(ErrorKind::ReadOnly),
                SystemIoFailure | CannotOpen => Some(ErrorKind::Failing),
                _ => None,
            },
            Self::State(error) => match error.trouble {
                trouble @ (ErrorKind::Full | ErrorKind::ReadOnly | ErrorKind::Failing) => {
                    Some(trouble)
                }
                _ => None,
            },
            _ => None,
        }
    }

    /// Whether a pulled stick may cause it: it answers with read and write errors, or has lost what it took.
    pub fn may_be_a_pull(&self) -> bool {
        matches!(
            self,
            Self::Disk(_)
                | Self::NotSynced(_)
                | Self::NotAsWritten { .. }
                | Self::LogNotAsWritten { .. }
        )
    }

    /// The kind of trouble, as far as the file system reported one.
    pub fn trouble(&self) -> ErrorKind {
        match self {
            Self::Disk(error) | Self::NotSynced(error) => error.trouble,
            Self::DriveAway { .. }
            | Self::EmptyStick { .. }
            | Self::NoDrive { .. }
            | Self::PulledOut { .. } => ErrorKind::Gone,
            Self::NotAccepted { .. }
            | Self::NotTheKnown { .. }
            | Self::NoSerial { .. }
            | Self::SkipFile { .. }
            | Self::Forgotten { .. } => ErrorKind::NotAccepted,
            Self::NewerFormat { .. } | Self::OversizedGarbage { .. } => ErrorKind::ReadOnly,
            Self::Untrusted { .. } => ErrorKind::Untrusted,
            Self::NoRoom { .. } | Self::NumbersUsedUp { .. } => ErrorKind::Full,
            Self::NotAsWritten { .. }
            | Self::LogNotAsWritten { .. }
            | Self::BadBeginning { .. } => ErrorKind::Failing,
            Self::SecondTime { .. }
            | Self::CopiedDrive { .. }
            | Self::NotRepaired { .. }
            | Self::LedgerNotBorneOut { .. }
            | Self::NoRoomForLedger { .. } => ErrorKind::Refused,
            Self::TargetBusy { .. } => ErrorKind::Busy,
            Self::Catalogue(_)
            | Self::State(_)
            | Self::SerialUnread { .. }
            | Self::Broken(_)
            | Self::OtherStation { .. }
            | Self::OtherMailbox { .. } => ErrorKind::Other,
        }
    }
}
