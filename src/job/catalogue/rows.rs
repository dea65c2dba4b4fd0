//! Runs queries, and makes values of their rows: the columns are read one after the other, in the order in which the
//! query names them. Owns no query.

use super::row_ids::{ContentRowId, DriveRowId, MailboxRowId, ReplicaRowId};
use super::{Catalogue, ContentAt, CopyState, FileState, Log};
use crate::job::JobError;
use crate::model::ledger::Departed;
use crate::model::message::Headers;
use crate::model::{Digest, DriveId, Identity, Position, Suspicion, Timestamp, WallTime, WriterId};
use rusqlite::types::FromSql;
use rusqlite::{OptionalExtension as _, Params, Row};

/// What can be read from the columns of a row.
pub(super) trait FromRow: Sized {
    /// Takes as many columns as it is made of.
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self>;
}

/// The columns of a row that are not read yet.
pub(super) struct Columns<'r, 's> {
    row: &'r Row<'s>,
    next: usize,
}

impl<'r, 's> Columns<'r, 's> {
    /// All columns of a row.
    pub(super) fn of(row: &'r Row<'s>) -> Self {
        Self { row, next: 0 }
    }

    /// The next value.
    pub(super) fn read<T: FromRow>(&mut self) -> rusqlite::Result<T> {
        T::read(self)
    }

    /// The next column as a claimed time written as text.
    pub(super) fn written_time(&mut self) -> rusqlite::Result<Option<Timestamp>> {
        self.parsed(Timestamp::from_text)
    }

    /// The next column as seconds of a claimed time.
    pub(super) fn seconds(&mut self) -> rusqlite::Result<Timestamp> {
        Ok(Timestamp { seconds: self.read()?, nanos: 0 })
    }

    /// The next three columns as a content at a location, where there is one.
    pub(super) fn location(&mut self) -> rusqlite::Result<Option<ContentAt>> {
        let (mailbox, key, content): (Option<_>, Option<_>, Option<_>) =
            (self.read()?, self.read()?, self.read()?);
        Ok(mailbox.zip(key).zip(content).map(|((mailbox, key), content)| (mailbox, key, content)))
    }

    /// The next two columns as claimed seconds, and whether something vouched for the clock; nothing where it was never
    /// seen.
    pub(super) fn first_seen(&mut self) -> rusqlite::Result<Option<(i64, bool)>> {
        let (seen, clock): (Option<i64>, Option<bool>) = self.read()?;
        Ok(seen.map(|seen| (seen, clock == Some(true))))
    }

    /// The next column as text of which a value is made; nothing where there is none, or it makes no value.
    pub(super) fn parsed<T>(
        &mut self,
        parse: impl FnOnce(&str) -> Option<T>,
    ) -> rusqlite::Result<Option<T>> {
        Ok(self.reference()?.as_str_or_null()?.and_then(parse))
    }

    fn reference(&mut self) -> rusqlite::Result<rusqlite::types::ValueRef<'r>> {
        self.next += 1;
        self.row.get_ref(self.next - 1)
    }
}

/// A row of a query whose rows are read as they come.
pub(super) fn read<T: FromRow>(row: &Row<'_>) -> rusqlite::Result<T> {
    Columns::of(row).read()
}

/// What is one column.
macro_rules! column {
    ($($name:ty),*) => {$(
        impl FromRow for $name {
            fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
                columns.next += 1;
                columns.row.get(columns.next - 1)
            }
        }
    )*};
}
column!(i64, u32, bool, String, Vec<u8>, [u8; 32]);
column!(DriveRowId, ReplicaRowId, MailboxRowId, ContentRowId, FileState, CopyState, Log);

impl<T: FromSql> FromRow for Option<T> {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        columns.next += 1;
        columns.row.get(columns.next - 1)
    }
}

/// A count, a number of bytes, a line or a change.
impl FromRow for u64 {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        columns.read::<i64>().map(|number| number as u64)
    }
}

/// What is several columns, or one that is made of another type.
macro_rules! made_of {
    ($($name:ty: $columns:ident => $value:expr;)*) => {$(
        impl FromRow for $name {
            fn read($columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
                Ok($value)
            }
        }
    )*};
}
made_of! {
    Digest: c => Digest::from_bytes(c.read()?);
    Identity: c => Identity { digest: c.read()?, bytes: c.read()? };
    WriterId: c => WriterId::from_bits(c.read()?);
    Position: c => Position { writer: c.read()?, n: c.read()? };
    Timestamp: c => Timestamp { seconds: c.read()?, nanos: c.read()? };
    WallTime: c => WallTime { time: c.seconds()?, trusted: c.read()? };
    Departed: c => c.parsed(Departed::from_text)?.unwrap_or(Departed::Replaced);
    Option<Suspicion>: c => c.parsed(Suspicion::from_text)?;
    Option<WriterId>: c => c.read::<Option<i64>>()?.map(|bits| WriterId::from_bits(bits as u64));
    Option<DriveId>: c => c.parsed(|text| text.parse().ok())?;
    Option<Headers>: c => {
        let (from, to, subject): (Option<_>, Option<String>, Option<String>) = c.read()?;
        let (to, subject) = (to.unwrap_or_default(), subject.unwrap_or_default());
        let date = c.read::<Option<String>>()?.unwrap_or_default();
        Option::map(from, |from| Headers { from, to, subject, date, ..Headers::default() })
    };
}

macro_rules! tuple {
    ($($part:ident),*) => {
        impl<$($part: FromRow),*> FromRow for ($($part,)*) {
            fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
                Ok(($(columns.read::<$part>()?,)*))
            }
        }
    };
}
tuple!(A, B);
tuple!(A, B, C);
tuple!(A, B, C, D);
tuple!(A, B, C, D, E);

impl Catalogue {
    /// Every row of a query.
    pub(super) fn rows<T: FromRow>(&self, sql: &str, of: impl Params) -> Result<Vec<T>, JobError> {
        let mut query = self.db.prepare_cached(sql)?;
        let rows = query.query_map(of, read)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The first row of a query, if it has any.
    pub(super) fn first_row<T: FromRow>(
        &self,
        sql: &str,
        of: impl Params,
    ) -> Result<Option<T>, JobError> {
        let mut query = self.db.prepare_cached(sql)?;
        Ok(query.query_row(of, read).optional()?)
    }

    /// The row of a query that has one, as a sum has.
    pub(super) fn only_row<T: FromRow>(&self, sql: &str, of: impl Params) -> Result<T, JobError> {
        let mut query = self.db.prepare_cached(sql)?;
        Ok(query.query_row(of, read)?)
    }

    /// Whether a query has any row.
    pub(super) fn has_row(&self, sql: &str, of: impl Params) -> Result<bool, JobError> {
        Ok(self.db.prepare_cached(sql)?.exists(of)?)
    }

    /// Goes through the rows of a query, one at a time.
    pub(super) fn each_row<T: FromRow>(
        &self,
        sql: &str,
        of: impl Params,
        mut each: impl FnMut(T) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let mut query = self.db.prepare_cached(sql)?;
        let mut rows = query.query(of)?;
        while let Some(row) = rows.next()? {
            each(read(row)?)?;
        }
        Ok(())
    }

    /// Changes rows; how many.
    pub(super) fn change(&self, sql: &str, of: impl Params) -> Result<usize, JobError> {
        Ok(self.db.prepare_cached(sql)?.execute(of)?)
    }
}
