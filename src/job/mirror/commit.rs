//! The commit: how a batch of messages becomes safe. The order of the steps in [`commit`] is the
//! promise of the whole program; nothing else writes copies to a drive.

use super::batch::{Batch, BatchSize, Committed, CopyItem};
use super::copy::{Written, write_copies};
use super::pass::{Pass, PassReport};
use crate::job::JobError;
use crate::job::catalogue::{ContentAt, millis};
use crate::job::replica::{CopyCheck, Replica, hash_copies};
use crate::model::bag;
use crate::model::ledger::Event;
use std::collections::HashSet;
use std::os::unix::ffi::OsStrExt as _;

impl Pass<'_> {
    /// Commits a batch and counts it; the earliest change_no that must be told again.
    pub(super) fn commit(
        &self,
        drive: &mut Replica,
        batch: Batch,
        size: &mut BatchSize,
        report: &mut PassReport,
    ) -> Result<u64, JobError> {
        report.room = Some(batch.room);
        if batch.is_empty() {
            return Ok(u64::MAX);
        }
        let begun = millis(self.clock);
        let notes = (batch.notes.len() + batch.departures.len()) as u64;
        let done = commit(self, drive, batch)?;
        size.took(millis(self.clock) - begun);
        report.copied += done.copied;
        report.bytes += done.bytes;
        report.noted += notes;
        report.batches += 1;
        let mut unfinished = u64::MAX;
        for (row, reason) in done.failed {
            unfinished = unfinished.min(row.change_no);
            report.fail(self, row.mailbox, row.path()?, reason);
        }
        Ok(unfinished)
    }
}

/// Commits a batch. On any error the whole batch is void: the caller drops the volume, nothing is
/// synced a second time, and the next admission mends what was left.
fn commit(pass: &Pass<'_>, drive: &mut Replica, batch: Batch) -> Result<Committed, JobError> {
    let mut done = Committed::default();

    // 1. Is it still the drive that was admitted? Survives: a pulled stick, a mount point without it.
    drive.volume.present()?;
    let session = drive.state.session.take();
    pass.catalogue.save_replica(&drive.state)?;

    // 2. Write every copy under a name never used before. Survives: a cut anywhere in here, since no
    //    line tells of these files yet and no old file is touched.
    let Batch { copies, mut notes, departures, .. } = batch;
    let (written, full) = write_copies(pass, drive, &copies, &mut done)?;
    notes.extend(backed(departures, &written));
    // After a refused write there may be a file that no line tells of: the next admission looks for it.
    let session = session.filter(|_| !full);
    if written.is_empty() && notes.is_empty() {
        drive.state.session = session;
        return Ok(done);
    }

    let (whole, debris): (Vec<_>, Vec<_>) = written.iter().partition(|file| file.item.is_some());
    let lines = |files: &[&Written<'_>]| -> String {
        files.iter().map(|f| bag::manifest_line(&f.identity.digest, f.payload)).collect()
    };
    let (lines, debris) = (lines(&whole), lines(&debris));
    let events = events(pass, drive, &written, notes, &mut done)?;

    // 3. Hand all of it to the device, and room for the lines with it. Survives: nothing yet; but an error
    //    here is reported once only and makes the batch void, so that no lost page is ever taken for a
    //    written one.
    if !written.is_empty() {
        drive.reserve(lines.len() + debris.len(), &pass.clock.stamp(), &events)?;
        drive.volume.sync_all().map_err(JobError::NotSynced)?;
    }

    // 4. Read every copy back from the medium. Survives: a device that took the bytes and did not
    //    keep them, or kept others.
    read_back(drive, &written)?;

    // 5a. The manifest, synced; on FAT this is what flushes the device's own cache. Survives: a cut
    //     between here and the ledger, after which recovery finds the copies listed and adopts them.
    //     What turned out to be debris is listed behind the ledger: listed before, it would be adopted.
    if !lines.is_empty() {
        drive.list(&lines)?;
    }

    // 5b. The ledger, synced: the commit point. Survives: everything from here on. Both logs are read back
    //     like the copies: a worn stick may take a line, call it durable and not keep it.
    drive.state.session = session.filter(|_| debris.is_empty());
    drive.state.opened = true;
    let stamp = pass.clock.stamp();
    drive.record(pass.catalogue, &stamp, events)?;
    if !debris.is_empty() {
        drive.list(&debris)?;
        pass.catalogue.save_replica(&drive.state)?;
    }

    // 6. Only now may anyone be told.
    pass.progress.advance(done.copied, done.bytes);
    Ok(done)
}

/// The departures of a batch, without those that need a copy which was left out.
fn backed(
    departures: Vec<(Event, Option<ContentAt>)>,
    written: &[Written<'_>],
) -> impl Iterator<Item = Event> {
    let there: HashSet<ContentAt> =
        written.iter().filter_map(|file| file.item.and_then(CopyItem::place)).collect();
    let backed =
        move |needs: &Option<ContentAt>| needs.as_ref().is_none_or(|place| there.contains(place));
    departures.into_iter().filter(move |(_, needs)| backed(needs)).map(|(event, _)| event)
}

fn read_back(drive: &Replica, written: &[Written<'_>]) -> Result<(), JobError> {
    let copies: Vec<_> = written.iter().map(|file| (file.payload, file.identity.bytes)).collect();
    let found = hash_copies(&*drive.volume, &drive.dir, &copies)?;
    match written.iter().zip(found).find(|(file, copy)| *copy != CopyCheck::Is(file.identity)) {
        None => Ok(()),
        Some((file, _)) => {
            let at = drive.volume.facts().shown.clone();
            Err(JobError::NotAsWritten { at, payload: file.payload })
        }
    }
}

fn events(
    pass: &Pass<'_>,
    drive: &Replica,
    written: &[Written<'_>],
    notes: Vec<Event>,
    done: &mut Committed,
) -> Result<Vec<Event>, JobError> {
    let mut events = Vec::with_capacity(written.len() + notes.len() + 2);
    if !drive.state.opened {
        events.push(Event::opened());
    }
    // One may be named while the drive stays in: a card that knows nothing must find out where it was all the same.
    for mailbox in pass.mailboxes {
        let root = crate::disk::host::resolved(mailbox.dir.path());
        let root = root.as_os_str().as_bytes();
        if !pass.catalogue.replica_knows_root(drive.state.row, mailbox.row, root)? {
            events.push(Event::Mailbox { mailbox: mailbox.name.clone(), root: root.to_vec() });
        }
    }
    for &Written { payload, identity, item } in written {
        let Some(CopyItem { assertion, replaces, .. }) = item else {
            events.push(Event::Debris { payload, identity });
            continue;
        };
        done.copied += 1;
        done.bytes += identity.bytes;
        events.push(match assertion.clone() {
            Some(assertion) => {
                Event::Mirrored { payload, identity, assertion, replaces: *replaces }
            }
            None => Event::Adopted { payload, identity },
        });
    }
    events.extend(notes);
    events.extend(pass.catalogue.witnesses_untold(&drive.state)?);
    drive.with_writers(pass.catalogue, events)
}
