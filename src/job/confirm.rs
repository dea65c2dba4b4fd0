//! Second looks: what stayed the same since the first is read and settled, what stayed away is called
//! gone. Never reads a file that changed between the looks, and never calls a moved message lost.

use super::catalogue::{Catalogue, FileRow, FileState, NewFile, millis};
use super::scan_rules::{PAGE, ScanReport, ScanRules};
use super::{JobError, coarse_time, headers};
use crate::disk::{DiskError, EntryStat, MailboxDir, Pieces, PrefixHash};
use crate::job::catalogue::{ContentRowId, MailboxRowId};
use crate::model::ledger::Departed;
use crate::model::limits::{HEADER_BYTES, NUL_BLOCK_BYTES, NUL_TAIL_BYTES};
use crate::model::message::FileFacts;
use crate::model::{Finding, Hasher, Identity, RelName, Suspicion, Timestamp};
use rustix::io::Errno;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// A file to be read, its path, and what was there before.
type Due<'a> = (&'a FileRow, RelName, Option<Identity>);

/// Files to be read from which on two read at once: below, a thread costs more than it brings.
const READ_TOGETHER: usize = 64;

/// Second looks: reads files unchanged for `settle`, then calls missing ones gone.
pub fn confirm(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    dir: &MailboxDir,
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let due = millis(rules.clock) - rules.settle;
    for state in [FileState::Changing, FileState::Fresh] {
        each_page(catalogue, mailbox, state, due, |page| {
            second_looks(catalogue, dir, page, rules, report)
        })?;
    }
    // What has a new place by now has moved: one line of the ledger tells of both.
    let moved = catalogue.leaving_and_present(mailbox, PAGE)?;
    let at = rules.clock.stamp().time.seconds;
    catalogue
        .write_transaction(|| moved.iter().try_for_each(|row| gone(catalogue, dir, row, at)))?;
    // A little later than files that appear, so that a move is seen as one: the new place is known
    // by the time the old one is called gone.
    let due = if rules.settle > 0 { due - rules.settle / 4 } else { due };
    for state in [FileState::LeavingSeen, FileState::Leaving] {
        each_page(catalogue, mailbox, state, due, |page| {
            catalogue
                .write_transaction(|| page.iter().try_for_each(|row| gone(catalogue, dir, row, at)))
        })?;
    }
    Ok(())
}

fn each_page(
    catalogue: &Catalogue,
    mailbox: MailboxRowId,
    state: FileState,
    due: i64,
    mut each: impl FnMut(&[FileRow]) -> Result<(), JobError>,
) -> Result<(), JobError> {
    let mut after = Vec::new();
    loop {
        let page = catalogue.files_in_state(mailbox, state, due, &after, PAGE)?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.key);
        each(&page)?;
    }
}

/// Reads a page of files, then writes down what they are: the catalogue is not held while a slow card
/// is read, and many files are read by two at once.
fn second_looks(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    page: &[FileRow],
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    let mut held = Vec::new();
    let mut due = Vec::new();
    for row in page {
        let path = row.path()?;
        let replaced = row.content.is_some_and(|_| row.change_no > 0);
        match replaced && (rules.hold)(&path, row.state) {
            true => held.push(row),
            false => {
                // What the card made of a message has no later version; the message has.
                let before = row.good.filter(|_| row.suspect.is_some()).or(row.content);
                let before = before.map(|content| catalogue.identity(content)).transpose()?;
                due.push((row, path, before));
            }
        }
    }
    let begun = rules.clock.stamp().time;
    let read = match due.len() < READ_TOGETHER {
        true => read_in_turn(dir, &due),
        false => {
            let (first, second) = due.split_at(due.len() / 2);
            std::thread::scope(|scope| {
                let other = scope.spawn(|| read_in_turn(dir, second));
                let mut read = read_in_turn(dir, first);
                // A reader that ended in a fault leaves its files for the next look.
                read.extend(other.join().unwrap_or_default());
                read
            })
        }
    };
    catalogue.write_transaction(|| {
        for row in held.iter().filter(|row| row.state != FileState::Changing) {
            catalogue.set_state(row, FileState::Changing, row.first_statted)?;
        }
        for ((row, path, _), read) in due.into_iter().zip(read) {
            second_look(catalogue, (dir, row), path, (read, begun), rules, report)?;
        }
        Ok(())
    })
}

fn read_in_turn(dir: &MailboxDir, due: &[Due<'_>]) -> Vec<Result<MessageRead, DiskError>> {
    due.iter().map(|(row, path, before)| read_message(dir, path, row, *before)).collect()
}

/// What is gone was seen to go, or has a new place, or is missing.
fn gone(catalogue: &Catalogue, dir: &MailboxDir, row: &FileRow, at: i64) -> Result<(), JobError> {
    let path = row.path()?;
    if !matches!(dir.look(&path), Ok(EntryStat::Gone | EntryStat::Folder)) {
        // Back again, or not to be seen just now: the next scan tells.
        return catalogue.set_state(row, FileState::Fresh, row.first_statted);
    }
    let seen = row.state == FileState::LeavingSeen;
    let Some(content) = row.content else { return catalogue.forget(row) };
    let place = catalogue.new_place(row, content)?;
    let to = place.as_ref().map(|(mailbox, key)| (*mailbox, key.as_slice(), content));
    let of = (row.mailbox, row.key.as_slice(), content);
    let state = match (to, seen) {
        (Some(_), _) => {
            catalogue.set_departed(of, Departed::Moved, to, at)?;
            FileState::Moved
        }
        (None, true) => {
            catalogue.set_departed(of, Departed::Deleted, None, at)?;
            FileState::Removed
        }
        // What the card made of a message is nobody's message; or it is an older version, on another card of the
        // station. Where the good one is not, it is better than nothing.
        (None, false) if row.suspect.is_some() => {
            let heir = row.good.map(|good| (row.mailbox, row.key.as_slice(), good));
            catalogue.set_departed(of, Departed::Replaced, heir, at)?;
            FileState::Vanished
        }
        // It is elsewhere too, and was before: nobody knows what became of this one.
        (None, false) if catalogue.is_present(content)? => FileState::Moved,
        (None, false) => {
            catalogue.set_missing(row, content, false)?;
            FileState::Vanished
        }
    };
    if let Some(good) = row.good.filter(|_| row.suspect.is_some()) {
        match state {
            FileState::Removed => {
                let of = (row.mailbox, row.key.as_slice(), good);
                catalogue.set_departed(of, Departed::Deleted, None, at)?;
            }
            // A damaged message that is moved leaves its last good version wanted where it was.
            _ => catalogue.damage_is_gone(row.mailbox, &row.key)?,
        }
    }
    catalogue.set_gone(row, state)
}

/// Another content is at a path than before: what becomes of the one before.
fn superseded(
    catalogue: &Catalogue,
    row: &FileRow,
    before: ContentRowId,
    new: &NewFile,
    at: i64,
) -> Result<(), JobError> {
    let of = |content| (row.mailbox, row.key.as_slice(), content);
    // What the card made of a message is nobody's message: the good one is in its place.
    let dropped = |content| {
        let heir = row.good.map(|good| (row.mailbox, row.key.as_slice(), good));
        catalogue.set_departed(of(content), Departed::Replaced, heir, at).map(drop)
    };
    let replaced = |content| {
        let heir = Some((row.mailbox, row.key.as_slice(), catalogue.content(&new.identity)?));
        catalogue.set_departed(of(content), Departed::Replaced, heir, at).map(drop)
    };
    match (new.suspect.is_some(), row.suspect.is_some()) {
        // What the card made of a message does not take its place.
        (true, false) => catalogue.set_missing(row, before, true),
        (true, true) => dropped(before),
        (false, true) => {
            dropped(before)?;
            let Some(good) = row.good else { return Ok(()) };
            if catalogue.identity(good)? == new.identity {
                return Ok(());
            }
            match is_later_version(catalogue, row, good, new)? {
                true => replaced(good),
                false => catalogue.damage_is_gone(row.mailbox, &row.key),
            }
        }
        (false, false) => {
            if new.continues || is_later_version(catalogue, row, before, new)? {
                return replaced(before);
            }
            match catalogue.new_place(row, before)? {
                Some((mailbox, key)) => {
                    let to = Some((mailbox, key.as_slice(), before));
                    catalogue.set_departed(of(before), Departed::Moved, to, at).map(drop)
                }
                None if catalogue.is_present(before)? => Ok(()),
                None => catalogue.set_missing(row, before, false),
            }
        }
    }
}

/// Whether a new content takes the place of one before: somebody was seen to write it, or both have one Message-ID. One
/// that was on this card before does not: an earlier version that turns up again takes no later one's place. Nor does
/// what nobody saw being written, and is shorter or has a block of NUL: it may be what the card left of the one before.
/// Only a drive that has that one can tell (`mirror/damage.rs`); until then it is missing, and nothing withholds it.
fn is_later_version(
    catalogue: &Catalogue,
    row: &FileRow,
    before: ContentRowId,
    new: &NewFile,
) -> Result<bool, JobError> {
    let is_doubtful = new.has_nul_block || new.identity.bytes < catalogue.identity(before)?.bytes;
    let id = &new.headers.message_id;
    let is_same = || -> Result<bool, JobError> {
        Ok(!id.is_empty() && catalogue.message_id(before)?.as_ref() == Some(id))
    };
    let is_new = || -> Result<bool, JobError> {
        Ok(!catalogue.was_here(row.mailbox, catalogue.content(&new.identity)?)?)
    };
    Ok(row.hinted || !is_doubtful && is_same()? && is_new()?)
}

fn second_look(
    catalogue: &Catalogue,
    (dir, row): (&MailboxDir, &FileRow),
    path: RelName,
    (read, begun): (Result<MessageRead, DiskError>, Timestamp),
    rules: &ScanRules<'_>,
    report: &mut ScanReport,
) -> Result<(), JobError> {
    match read {
        Ok(MessageRead::Whole(new, last_bytes)) => {
            let now = rules.clock.stamp().claim();
            // What the card made of a message that is missing here may be back, from a drive that has nothing else.
            let again = match row.content {
                None => catalogue.missing_behind(row, &new.identity)?,
                Some(_) => None,
            };
            let suspect = match row.content.or(again) {
                Some(before) => suspicion(catalogue, before, &new.identity, &last_bytes)?,
                None => None,
            };
            let row = &FileRow {
                content: row.content.or(again.filter(|_| suspect.is_some())),
                ..row.clone()
            };
            let new = NewFile { suspect, ..new };
            if let Some(before) = row.content
                && catalogue.identity(before)? != new.identity
            {
                superseded(catalogue, row, before, &new, now.time.seconds)?;
            }
            let content = catalogue.confirm_file(row, &new, now)?;
            if new.suspect.is_none() && row.content != Some(content) {
                look_at_twins(catalogue, dir, row, content)?;
            }
            coarse_time::recheck_if_hidden(catalogue, row, &new.identity, begun)
        }
        Ok(MessageRead::Changed(facts)) => {
            let now = rules.clock.stamp().claim();
            let looked = (millis(rules.clock), now);
            catalogue.look((row.mailbox, &row.key), &facts, FileState::Fresh, looked, row.hinted)
        }
        // Not there any more, nor perhaps the folder: a message may have its name now.
        Err(DiskError { errno: Errno::NOENT | Errno::NOTDIR, .. }) => match row.content {
            Some(_) => catalogue.set_state(row, FileState::Leaving, millis(rules.clock)),
            None => catalogue.forget(row),
        },
        Err(error) => {
            report.problem(Finding::MessageUnreadable { path, why: error.errno.to_string() });
            catalogue.set_state(row, FileState::Unreadable, row.first_statted)
        }
    }
}

/// Where a content that is new at the location of a row lies elsewhere too, that one did not move here, whatever
/// becomes of it later.
fn look_at_twins(
    catalogue: &Catalogue,
    dir: &MailboxDir,
    row: &FileRow,
    content: ContentRowId,
) -> Result<(), JobError> {
    let here = (row.mailbox, row.key.as_slice());
    for other in catalogue.files_of(content)? {
        if (other.mailbox, other.key.as_slice()) == here {
            continue;
        }
        let path = other.path()?;
        let look = match other.mailbox == row.mailbox {
            true => dir.look(&path),
            false => match catalogue.mailbox_name(other.mailbox)?.1 {
                Some(root) => MailboxDir::open(Path::new(OsStr::from_bytes(&root)))
                    .and_then(|dir| dir.look(&path)),
                None => continue,
            },
        };
        if matches!(look, Ok(EntryStat::File(_))) {
            catalogue.is_still_beside(&other)?;
        }
    }
    Ok(())
}

enum MessageRead {
    /// The message, and its last bytes.
    Whole(NewFile, Vec<u8>),
    /// It is not what the first look saw.
    Changed(FileFacts),
}

fn read_message(
    dir: &MailboxDir,
    path: &RelName,
    row: &FileRow,
    before: Option<Identity>,
) -> Result<MessageRead, DiskError> {
    let mut file = dir.open_message(path)?;
    let facts = file.facts_at_open();
    if !row.file_stat().has_facts(&facts) {
        return Ok(MessageRead::Changed(facts));
    }
    let mut hasher = Hasher::default();
    let mut start = Vec::new();
    let mut end: Vec<u8> = Vec::new();
    let mut has_nul_block = false;
    let before_it = before.filter(|before| (1..facts.bytes).contains(&before.bytes));
    let mut prefix = PrefixHash::new(before_it.map_or(0, |before| before.bytes));
    let (mut pieces, mut piece) = (Pieces::new(&mut file, facts.bytes), Vec::new());
    while pieces.next(&mut piece)? {
        hasher.update(&piece);
        prefix.update(&piece);
        has_nul_block |= any_nul_block(&piece);
        start.extend_from_slice(&piece[..piece.len().min(HEADER_BYTES - start.len())]);
        end.extend_from_slice(&piece[piece.len().saturating_sub(NUL_TAIL_BYTES)..]);
        end.drain(..end.len().saturating_sub(NUL_TAIL_BYTES));
    }
    let identity = hasher.finish();
    let now = file.current_facts()?;
    if identity.bytes != facts.bytes || now != facts {
        return Ok(MessageRead::Changed(now));
    }
    let (headers, weight) = headers::read_and_weigh(&start, identity.bytes);
    // Every message begins with nothing: a file that was made before it was filled.
    let was_empty = before.is_some_and(|before| before.bytes == 0);
    let continues = was_empty
        || headers.message_id.is_empty()
            && before_it.is_some_and(|before| prefix.finish() == before);
    let suspect = None;
    Ok(MessageRead::Whole(
        NewFile { identity, headers, weight, suspect, continues, has_nul_block },
        end,
    ))
}

/// Whether a whole block is NUL, of bytes that begin where a block does.
pub(super) fn any_nul_block(bytes: &[u8]) -> bool {
    bytes.chunks_exact(NUL_BLOCK_BYTES).any(|block| block.iter().all(|&b| b == 0))
}

/// Whether a new version looks like damage to the card: emptied, or ending in bytes never written.
/// (One cut short is found when it is copied, beside the version before.)
fn suspicion(
    catalogue: &Catalogue,
    before: ContentRowId,
    new: &Identity,
    last_bytes: &[u8],
) -> Result<Option<Suspicion>, JobError> {
    let before = catalogue.identity(before)?;
    Ok(match new.bytes {
        _ if before.bytes == 0 || before == *new => None,
        0 => Some(Suspicion::Emptied),
        _ if last_bytes.iter().all(|&b| b == 0) => Some(Suspicion::NulFilled),
        _ => None,
    })
}
