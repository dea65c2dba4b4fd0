//! Decides what becomes of each message that the drives hold: it is there already, restored, restored next to another,
//! or not available. Overwrites nothing: where another content has the name, both are kept.

use super::RestoreSources;
use super::conflict_name::RECOVERED;
use super::copy_reader::{CopyReader, ReadEnd};
use super::free_name::free_name;
use super::maildir::Maildirs;
use super::options::{MailboxTarget, RestoreOptions};
use super::pipeline::{self, Fetched, Pipeline};
use super::report::{LeftOut, RestoreReport, Tally, UnrestoredMessage};
use super::sources::UnlocatedCopies;
use super::staging::{StagedMessage, StagingBatch};
use super::targets;
use crate::disk::{DiskError, ErrorKind, FileAttrs, STAGING, TargetDir};
use crate::job::JobError;
use crate::job::catalogue::{
    ContentRowId, ContentVersion, Decision, ReplicaRowId, RestoreItem, RestoreReason, Withheld,
};
use crate::model::ledger::Departed;
use crate::model::{Identity, RelName, Timestamp};
use std::collections::{BTreeSet, VecDeque};

/// Restores everything that the drives hold and the options select.
pub fn restore(
    sources: &RestoreSources,
    options: &RestoreOptions<'_>,
) -> Result<RestoreReport, JobError> {
    // One thread keeps the order in which a drive is read, so that a history of the simulator can be repeated.
    let readers = sources.drives.iter().map(|drive| drive.volume.facts().readers).min();
    let readers = readers.unwrap_or(1) as usize;
    std::thread::scope(|scope| put_back(sources, options, &pipeline::begin(scope, readers)))
}

fn put_back<'scope>(
    sources: &'scope RestoreSources,
    options: &RestoreOptions<'_>,
    pipeline: &Pipeline<'scope, '_>,
) -> Result<RestoreReport, JobError> {
    let mut report = RestoreReport::default();
    let locks = targets::lock_all(options)?;
    let mut merge = sources.catalogue.merge(&sources.station, options.with_removed)?;
    let mut nameless = sources.unlocated_copies(&mut merge)?;
    for mailbox_target in &options.mailbox_targets {
        let mut work = Restorer {
            sources,
            options,
            mailbox_target,
            target: targets::open(mailbox_target, options, &locks)?,
            maildirs: Maildirs::default(),
            report: &mut report,
            pipeline,
            pending: VecDeque::new(),
            instead: Vec::new(),
            staging: StagingBatch::default(),
            names: BTreeSet::new(),
        };
        let mut any_in_doubt = false;
        merge.each_in(Some(mailbox_target.row), |decision| match decision {
            Decision::Give(item) if item.role.is_in_doubt() => {
                any_in_doubt = true;
                Ok(())
            }
            Decision::Give(item) => work.message(item),
            Decision::Withhold(left_out) => work.leave_out(&left_out),
        })?;
        if any_in_doubt {
            // After all others, so that none takes the name of mail that has a location.
            merge.each_in(Some(mailbox_target.row), |decision| match decision {
                Decision::Give(item) if item.role.is_in_doubt() => work.message(item),
                _ => Ok(()),
            })?;
        }
        if options.mailbox_targets.first().is_some_and(|first| first.row == mailbox_target.row) {
            work.numbered(std::mem::take(&mut nameless))?;
        }
        work.name_all()?;
        work.finish()?;
    }
    Ok(report)
}

/// A message to restore.
struct Message {
    /// Its path in the mailbox.
    path: RelName,
    content: ContentRowId,
    identity: Identity,
    attrs: FileAttrs,
    kind: RestoreKind,
    /// The versions to use, in this order, if no copy of it is right.
    instead: Vec<ContentVersion>,
}

/// A requested message that has a name to go to.
struct Pending {
    message: Message,
    path: RelName,
    /// The name is another than the message's own.
    renamed: bool,
}

/// Why a message is restored.
#[derive(Debug, Clone, Copy)]
enum RestoreKind {
    AsAsserted,
    InsteadOfSuspect,
    /// It is what the card made of a message, and no good version is available.
    Suspect,
    /// It is an older version of a message whose latest one is not available.
    Older,
    Numbered,
}

struct Restorer<'a, 'scope, 'env> {
    sources: &'scope RestoreSources,
    options: &'a RestoreOptions<'a>,
    mailbox_target: &'a MailboxTarget,
    pipeline: &'a Pipeline<'scope, 'env>,
    /// In the order in which they were requested.
    pending: VecDeque<Pending>,
    /// Replacements for messages of which no copy was right.
    instead: Vec<Message>,
    staging: StagingBatch,
    /// None in a dry run into a folder that does not exist, and if there is no room for the folder itself.
    target: Option<TargetDir>,
    maildirs: Maildirs,
    report: &'a mut RestoreReport,
    /// Names given in this batch, or in a dry run.
    names: BTreeSet<Vec<u8>>,
}

/// Counts one more message that a drive says has left.
fn count(all: &mut Vec<LeftOut>, by: String, why: Departed, bytes: u64) {
    match all.iter_mut().find(|known| known.by == by && known.why == why) {
        Some(known) => {
            known.messages += 1;
            known.bytes = known.bytes.saturating_add(bytes);
        }
        None => all.push(LeftOut { by, why, messages: 1, bytes }),
    }
}

impl Restorer<'_, '_, '_> {
    fn message(&mut self, item: RestoreItem) -> Result<(), JobError> {
        if self.options.progress.stop() {
            self.report.stopped = true;
            return Ok(());
        }
        let path = item.path()?;
        if item.conflict && item.role != RestoreReason::Beside {
            self.report.conflicts.push(path.clone());
        }
        let what = match item.role {
            RestoreReason::InDoubt { why, replica } => {
                return self.in_doubt(path, &item.version, why, replica);
            }
            RestoreReason::InsteadOfSuspect => RestoreKind::InsteadOfSuspect,
            RestoreReason::InPlace | RestoreReason::Beside | RestoreReason::Removed => {
                RestoreKind::AsAsserted
            }
        };
        let message = self.version(path, &item.version, what, item.instead)?;
        self.restore_message(message)
    }

    /// Restores into a folder of its own, unless it is at its old location, a message that one drive alone says has
    /// left and another drive has.
    fn in_doubt(
        &mut self,
        path: RelName,
        version: &ContentVersion,
        why: Departed,
        replica: ReplicaRowId,
    ) -> Result<(), JobError> {
        let mut message = self.version(path, version, RestoreKind::AsAsserted, Vec::new())?;
        let (target, maildirs) = (self.target.as_ref(), &mut self.maildirs);
        let there = free_name(target, maildirs, &self.names, &message.path, &message.identity);
        if !matches!(there, Ok(None)) {
            let by = self.shown(Some(replica));
            count(&mut self.report.in_doubt, by, why, message.identity.bytes);
            message.path = RelName::fixed(RECOVERED).join(&message.path);
        }
        self.restore_message(message)
    }

    fn version(
        &self,
        path: RelName,
        version: &ContentVersion,
        what: RestoreKind,
        instead: Vec<ContentVersion>,
    ) -> Result<Message, JobError> {
        let identity = self.sources.catalogue.identity(version.content)?;
        let attrs = FileAttrs { mode: version.mode, modified: version.modified };
        Ok(Message { path, content: version.content, identity, attrs, kind: what, instead })
    }

    /// Counts a message that is left out because a drive says that it left.
    fn leave_out(&mut self, left_out: &Withheld) -> Result<(), JobError> {
        let asked = self.options.versions.as_ref();
        if asked.is_some_and(|(mailbox, key)| (*mailbox, key) == (left_out.mailbox, &left_out.key))
        {
            let path = RelName::from_key(&left_out.key)
                .map_err(|e| JobError::Broken(format!("ledger: {e}")))?;
            let message =
                self.version(path, &left_out.version, RestoreKind::AsAsserted, Vec::new())?;
            return self.restore_message(message);
        }
        let bytes = self.sources.catalogue.identity(left_out.version.content)?.bytes;
        let by = self.shown(left_out.replica);
        count(&mut self.report.left_out, by, left_out.why, bytes);
        Ok(())
    }

    /// Whose word it is, for a person: the name of a replica's drive; without one it is this card.
    fn shown(&self, replica: Option<ReplicaRowId>) -> String {
        let drive = self.sources.drives.iter().find(|drive| Some(drive.state.row) == replica);
        drive.map_or("this card".to_owned(), |drive| drive.volume.facts().shown.clone())
    }

    /// Restores messages without a location, under their numbers.
    fn numbered(&mut self, nameless: UnlocatedCopies) -> Result<(), JobError> {
        let mut copies = nameless.good;
        match self.options.with_doubtful {
            true => copies.extend(nameless.doubtful),
            false => self.report.doubtful += nameless.doubtful.len() as u64,
        }
        for (drive, copy) in copies {
            let (number, extension) = (copy.name.number, copy.name.extension);
            let name = format!("{RECOVERED}/{drive}-{number:08}.{}", extension.as_str());
            self.restore_message(Message {
                path: RelName::fixed(&name),
                content: copy.content,
                identity: copy.identity,
                attrs: FileAttrs { mode: 0o600, modified: Timestamp::default() },
                kind: RestoreKind::Numbered,
                instead: Vec::new(),
            })?;
        }
        Ok(())
    }

    /// Restores one message at its path, or next to it, unless it is there already.
    fn restore_message(&mut self, message: Message) -> Result<(), JobError> {
        let (what, bytes) = (message.kind, message.identity.bytes);
        if !self.request(message)? {
            self.count_finished(what, bytes);
        }
        Ok(())
    }

    /// Requests a message that has to be written somewhere. `false`: there is nothing more to do for it.
    fn request(&mut self, message: Message) -> Result<bool, JobError> {
        let (original, identity) = (&message.path, &message.identity);
        if original.parts().any(|part| part == STAGING.as_bytes()) {
            // No mailbox has a message there: only a forged line can say so, and the message would be removed with the
            // staging folder.
            let why = format!("{original}: a restore in progress has that folder");
            let error = DiskError::with("write", why, rustix::io::Errno::PERM, ErrorKind::Other);
            self.report.unwritten(original.clone(), identity.bytes, error);
            return Ok(false);
        }
        let (target, maildirs) = (self.target.as_ref(), &mut self.maildirs);
        let (path, renamed) = match free_name(target, maildirs, &self.names, original, identity) {
            Ok(Some(free)) => free,
            Ok(None) => {
                if target.is_some_and(TargetDir::is_resumed) {
                    self.staging.is_there(original);
                }
                self.report.identical += 1;
                return Ok(false);
            }
            Err(error) => {
                self.report.unwritten(original.clone(), identity.bytes, error);
                return Ok(false);
            }
        };
        let slot = match target {
            _ if self.options.dry_run => Ok(None),
            Some(target) => {
                self.staging.slot(target, &path, identity.bytes, message.attrs).map(Some)
            }
            None => Err(DiskError::new("write", &path, rustix::io::Errno::NOSPC)),
        };
        let slot = match slot {
            Ok(slot) => slot,
            // A message that does not fit keeps no other from being restored.
            Err(error) if matches!(error.trouble, ErrorKind::Full | ErrorKind::TooLarge) => {
                self.report.unwritten(path, identity.bytes, error);
                return Ok(false);
            }
            Err(error) => return Err(error.into()),
        };
        let copies = CopyReader::of(self.sources, message.content, *identity)?;
        self.pipeline.ask(copies, slot)?;
        self.names.insert(path.as_bytes().to_vec());
        self.pending.push_back(Pending { message, path, renamed });
        if self.pending.len() >= Pipeline::LENGTH {
            self.receive()?;
        }
        if self.staging.is_full() {
            self.name_all()?;
        }
        Ok(true)
    }

    /// Reports the progress on a message of the drives.
    fn count_finished(&self, what: RestoreKind, bytes: u64) {
        match what {
            RestoreKind::AsAsserted | RestoreKind::InsteadOfSuspect => {
                self.options.progress.advance(1, bytes)
            }
            // Of these only the copy is counted, or the message was counted before.
            RestoreKind::Suspect | RestoreKind::Older | RestoreKind::Numbered => {}
        }
    }

    /// Takes the result for the message that was requested first.
    fn receive(&mut self) -> Result<(), JobError> {
        let Some(pending) = self.pending.pop_front() else { return Ok(()) };
        let Fetched { end, written } = self.pipeline.next()?;
        self.count_finished(pending.message.kind, pending.message.identity.bytes);
        match (written, end) {
            (Ok(staged), ReadEnd::Right { first }) => {
                self.received(pending, staged, first);
                Ok(())
            }
            (Ok(_), ReadEnd::NotToBeHad { seen }) => {
                self.names.remove(pending.path.as_bytes());
                self.lost(pending, seen)
            }
            (Err(error), _) => {
                self.names.remove(pending.path.as_bytes());
                if !matches!(error.trouble, ErrorKind::Full | ErrorKind::TooLarge) {
                    return Err(error.into());
                }
                let bytes = pending.message.identity.bytes;
                self.report.unwritten(pending.path, bytes, error);
                Ok(())
            }
        }
    }

    /// Counts a message of which no copy is right, and requests the next best version.
    fn lost(&mut self, pending: Pending, seen: bool) -> Result<(), JobError> {
        let Pending { message, path, .. } = pending;
        if !matches!(message.kind, RestoreKind::Suspect | RestoreKind::Older) {
            let digest = message.identity.digest;
            let lost =
                UnrestoredMessage { mailbox: self.mailbox_target.name.clone(), path, digest };
            match seen {
                true => self.report.damaged.push(lost),
                false => self.report.missing.push(lost),
            }
        }
        let mut instead = message.instead.into_iter();
        let Some(next) = instead.next() else { return Ok(()) };
        let what = if next.suspect.is_some() { RestoreKind::Suspect } else { RestoreKind::Older };
        let next = self.version(message.path, &next, what, instead.collect())?;
        self.instead.push(next);
        Ok(())
    }

    /// Records that a message was staged whole.
    fn received(&mut self, pending: Pending, staged: Option<RelName>, from_first: bool) {
        let Pending { message, path, renamed } = pending;
        let tally = Tally {
            bytes: message.identity.bytes,
            renamed,
            from_second_copy: !from_first,
            instead_of_suspect: matches!(message.kind, RestoreKind::InsteadOfSuspect),
            older: matches!(message.kind, RestoreKind::Older),
            numbered: matches!(message.kind, RestoreKind::Numbered),
        };
        self.report.count(&tally);
        if let Some(staged) = staged {
            self.staging.taken(StagedMessage { staged, path, identity: message.identity, tally });
        }
    }

    /// Takes the results for everything that was requested.
    fn receive_all(&mut self) -> Result<(), JobError> {
        loop {
            while !self.pending.is_empty() {
                self.receive()?;
            }
            // Replacements are requested once it is known that the messages are not available.
            let instead = std::mem::take(&mut self.instead);
            if instead.is_empty() {
                return Ok(());
            }
            instead.into_iter().try_for_each(|message| self.restore_message(message))?;
        }
    }

    /// Gives everything that was requested its name.
    fn name_all(&mut self) -> Result<(), JobError> {
        // A folder that gets its name must hold whole messages only.
        self.receive_all()?;
        let Some(target) = self.target.as_ref().filter(|_| !self.options.dry_run) else {
            return Ok(());
        };
        self.staging.name_all(target, self.report)?;
        // They have their names in the mailbox now, where they can be seen.
        self.names.clear();
        Ok(())
    }

    fn finish(&mut self) -> Result<(), JobError> {
        match (&self.target, self.options.dry_run) {
            (Some(target), false) => self.staging.end(target, self.report),
            _ => Ok(()),
        }
    }
}
