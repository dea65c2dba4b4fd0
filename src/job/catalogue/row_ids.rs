//! Numbers of the catalogue's rows, a type for each table: one taken for another does not compile.
//! They mean nothing outside the catalogue that gave them, and are never written to a drive.

use rusqlite::ToSql;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};
use std::fmt;

/// A type for the rows of one table.
macro_rules! row_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl $name {
            /// No row: what it stands for is not in the table.
            pub const NONE: Self = Self(0);
        }

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

impl DriveRowId {
    /// Of the row that was just inserted.
    pub(super) fn of_inserted(db: &rusqlite::Connection) -> Self {
        Self(db.last_insert_rowid())
    }
}

/// As it stands in the names of what is kept of it.
impl fmt::Display for DriveRowId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
