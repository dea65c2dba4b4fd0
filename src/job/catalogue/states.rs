//! The states of files, copies and logs, and the numbers under which the tables keep them. In SQL a number appears in
//! the schema alone: a query binds a state, or asks for a column that names a set of them.

use rusqlite::ToSql;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};

/// A state that a column keeps as a number; one that no version of the program has written is read as `$unknown`.
macro_rules! state {
    ($(#[$doc:meta])* $name:ident, unknown: $unknown:ident, $($(#[$about:meta])* $state:ident = $number:literal,)*) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $name {
            $($(#[$about])* $state = $number,)*
        }

        impl ToSql for $name {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                Ok(ToSqlOutput::from(*self as i64))
            }
        }

        impl FromSql for $name {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                Ok(match i64::column_result(value)? {
                    $($number => Self::$state,)*
                    _ => Self::$unknown,
                })
            }
        }
    };
}

state! {
    /// The state of a path of a mailbox. States after `Present` are few and indexed.
    FileState, unknown: Fresh,
    /// Scanned; its content is known and settled.
    Present = 1,
    /// Seen with new facts; to be confirmed by a second look before it is read.
    Fresh = 2,
    /// It could not be read.
    Unreadable = 3,
    /// A link, pipe, socket or device.
    NotAFile = 4,
    /// Its new version is held back, since it keeps changing.
    Changing = 5,
    /// Not found by the last scan, and its deletion was seen.
    LeavingSeen = 6,
    /// Not found by the last scan.
    Leaving = 7,
    /// Gone; its deletion was seen.
    Removed = 8,
    /// Gone; found missing.
    Vanished = 9,
    /// Gone from here, and the same content is elsewhere in the mailbox.
    Moved = 10,
}

impl FileState {
    /// Whether the path was there when it was last scanned.
    pub fn is_there(self) -> bool {
        matches!(
            self,
            Self::Present | Self::Fresh | Self::Unreadable | Self::NotAFile | Self::Changing
        )
    }
}

state! {
    /// The state of a copy on a drive.
    CopyState, unknown: Claimed,
    /// A line after a break says so; not yet checked.
    Claimed = 0,
    /// Proven when it was made, or when it was last read again.
    Good = 1,
    /// It was read again and was not what it should be.
    Damaged = 2,
    /// It is not there.
    Missing = 3,
    /// What a power failure left of a copy; no known message is equal to it.
    Debris = 4,
    /// Whole, found after a power failure; no ledger line says yet where it belongs.
    Adopted = 5,
    /// Given up by the ledger, to make room; it may still be there.
    GivenUp = 6,
    /// The same, and it is not there any more.
    Removed = 7,
}

impl CopyState {
    /// Whether the copy was whole when it was last read.
    pub fn is_whole(self) -> bool {
        matches!(self, Self::Good | Self::Adopted)
    }

    /// Whether it belongs to nothing any more.
    pub fn is_given_up(self) -> bool {
        matches!(self, Self::GivenUp | Self::Removed)
    }
}

state! {
    /// One of a bag's two logs.
    Log, unknown: Manifest,
    /// The ledger.
    Ledger = 0,
    /// The payload manifest.
    Manifest = 1,
}
