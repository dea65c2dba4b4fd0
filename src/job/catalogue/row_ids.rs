//! Numbers of the catalogue's rows, a type for each table: one taken for another does not compile.
//! They mean nothing outside the catalogue that gave them, and are never written to a drive.

use rusqlite::ToSql;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};
use std::fmt;
use std::str::FromStr;

/// A type for the rows of one table.
macro_rules! row_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl ToSql for $name {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                self.0.to_sql()
            }
        }

        impl FromSql for $name {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                i64::column_result(value).map(Self)
            }
        }

        /// As it appears in names and lists that the catalogue keeps as text.
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        #[cfg(test)]
        impl From<i64> for $name {
            fn from(row: i64) -> Self {
                Self(row)
            }
        }

        impl FromStr for $name {
            type Err = std::num::ParseIntError;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                text.parse().map(Self)
            }
        }
    };
}

row_id! {
    /// The row of a drive.
    DriveRowId
}
row_id! {
    /// The row of a replica: what is known of one station's ledger and copies on one drive.
    ReplicaRowId
}
row_id! {
    /// The row of a mailbox.
    MailboxRowId
}
row_id! {
    /// The row of a content.
    ContentRowId
}

/// A content at a location: the mailbox's row, the path as its sorting key, the content's row.
pub type ContentAt = (MailboxRowId, Vec<u8>, ContentRowId);

impl DriveRowId {
    /// Of the row that was just inserted.
    pub(super) fn of_inserted(db: &rusqlite::Connection) -> Self {
        Self(db.last_insert_rowid())
    }
}

impl ContentRowId {
    /// Of the row that was just inserted.
    pub(super) fn of_inserted(db: &rusqlite::Connection) -> Self {
        Self(db.last_insert_rowid())
    }

    /// Grows with each content, in the order in which this card first saw them.
    pub fn order(self) -> u64 {
        self.0.unsigned_abs()
    }
}
