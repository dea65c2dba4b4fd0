//! Deals with times of files that move in steps: a file that is read in the step of its last change may change once
//! more in that step, keep its length, and look unchanged. Decides only whether a file is read once more.

use crate::job::JobError;
use crate::job::catalogue::{Catalogue, FileRow};
use crate::model::{Identity, Timestamp};

/// Seconds in which a second change stays invisible. FAT stores times in steps of two (FAT specification 1.03).
const HIDDEN_FOR: i64 = 2;
/// Nanoseconds in a second, the unit of a row's time of change.
const NANOS: i64 = 1_000_000_000;

/// Whether any change after reading began shows in a file's times, so that a look at these is enough to know that it is
/// what was read. Of a file that has just changed it is not: the kernel stamps both changes with one tick of its clock
/// (some milliseconds, before Linux 6.13 on every file system).
pub(super) fn shows_changes(row: &FileRow, begun: Timestamp) -> bool {
    begun.seconds.saturating_sub(row.changed.div_euclid(NANOS)) >= HIDDEN_FOR
}

/// Decides whether a file that was just read is to be read once more at the next scan. `begun` is when reading began.
pub(super) fn recheck_if_hidden(
    catalogue: &Catalogue,
    row: &FileRow,
    now: &Identity,
    begun: Timestamp,
) -> Result<(), JobError> {
    let Some(age) = age(row, begun) else { return Ok(()) };
    let may_hide = match age {
        0..HIDDEN_FOR => true,
        // With a clock that is earlier than the file's time, the file looks new for long. Once is enough: a change
        // would get the clock's own time.
        ..0 => row.content.map(|before| catalogue.identity(before)).transpose()? != Some(*now),
        _ => false,
    };
    match may_hide {
        true => catalogue.recheck_later(row),
        false => Ok(()),
    }
}

/// Seconds since the last change of a file whose times are whole seconds.
fn age(row: &FileRow, now: Timestamp) -> Option<i64> {
    let is_coarse = row.modified.nanos == 0 && row.changed.rem_euclid(NANOS) == 0;
    is_coarse.then(|| now.seconds.saturating_sub(row.changed.div_euclid(NANOS)))
}
