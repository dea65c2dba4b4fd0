//! File systems that keep whole seconds: a file that is read in the second of its last change may change once more in
//! that second, at the same length, and look the same. Never decides what is in it.

use crate::job::JobError;
use crate::job::catalogue::{Catalogue, FileRow};
use crate::model::{Identity, Timestamp};

/// Seconds for which a change may hide behind the one before. FAT keeps times in steps of two (FAT specification 1.03).
const HIDDEN_FOR: i64 = 2;
/// Nanoseconds of a second; a row has the time of change in them.
const NANOS: i64 = 1_000_000_000;

/// Notes of a file that was just settled, by reading that began at a time, whether it is to be read once more at the
/// next scan.
pub(super) fn recheck_if_hidden(
    catalogue: &Catalogue,
    row: &FileRow,
    now: &Identity,
    begun: Timestamp,
) -> Result<(), JobError> {
    let Some(age) = age(row, begun) else { return Ok(()) };
    let may_hide = match age {
        0..HIDDEN_FOR => true,
        // By a clock that is behind it the file stays as new for long. Once is enough: a change would get the
        // clock's own time.
        ..0 => row.content.map(|before| catalogue.identity(before)).transpose()? != Some(*now),
        _ => false,
    };
    match may_hide {
        true => catalogue.recheck_later(row),
        false => Ok(()),
    }
}

/// Seconds since the last change of a file whose times have no finer part.
fn age(row: &FileRow, now: Timestamp) -> Option<i64> {
    let is_coarse = row.modified.nanos == 0 && row.changed.rem_euclid(NANOS) == 0;
    is_coarse.then(|| now.seconds.saturating_sub(row.changed.div_euclid(NANOS)))
}
