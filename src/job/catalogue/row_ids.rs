//! Numbers of the catalogue's rows, a type for each table: one taken for another does not compile.
//! They mean nothing outside the catalogue that gave them, and are never written to a drive.

use rusqlite::ToSql;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};
use std::fmt;

/// The row of a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DriveRowId(i64);

impl DriveRowId {
    /// Of a drive that has none, since nothing was ever written to it.
    pub const NONE: Self = Self(0);

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

impl ToSql for DriveRowId {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        self.0.to_sql()
    }
}

impl FromSql for DriveRowId {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        i64::column_result(value).map(Self)
    }
}
