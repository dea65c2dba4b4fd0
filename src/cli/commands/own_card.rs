//! What this card's own state adds to a restore onto it: what its operator does not want here, and what it misses
//! that the drives of the restore do not have. A restore needs none of it, and elsewhere it says nothing.

use super::state::state_to_read;
use crate::cli::resolved::Resolved;
use crate::disk::{EntryStat, MailboxDir, host};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, DriveRow, MailboxRowId};
use crate::job::restore::{MailboxTarget, RestoreSources};
use crate::model::RelName;
use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::ffi::OsStrExt as _;

/// The state of the card that a restore goes to.
pub(super) struct OwnCard<'a> {
    catalogue: Catalogue,
    restore_sources: &'a RestoreSources,
    /// Its row of each mailbox that goes to where it is, and the target.
    mailboxes: BTreeMap<MailboxRowId, &'a MailboxTarget>,
}

/// What a card misses and the drives of a restore do not have.
#[derive(Default)]
pub(super) struct NotHere {
    /// How many messages.
    pub messages: u64,
    /// The drives that do have some of them.
    pub on: Vec<DriveRow>,
}

impl<'a> OwnCard<'a> {
    /// None where nothing is known of this card, or another place is restored into.
    pub(super) fn of(
        resolved: &Resolved,
        restore_sources: &'a RestoreSources,
        mailbox_targets: &'a [MailboxTarget],
    ) -> Result<Option<Self>, JobError> {
        let (state, _) = state_to_read(resolved);
        let Some(catalogue) = Catalogue::read_only(&state) else { return Ok(None) };
        if catalogue.station()?.as_ref() != Some(&restore_sources.station) {
            return Ok(None);
        }
        let mut mailboxes = BTreeMap::new();
        for mailbox_target in mailbox_targets {
            let here = host::resolved(&mailbox_target.path);
            if let Some(known) = catalogue.mailbox_known(&mailbox_target.name)?
                && known.root.as_deref() == Some(here.as_os_str().as_bytes())
            {
                mailboxes.insert(known.row, mailbox_target);
            }
        }
        catalogue.put_ignored(&resolved.ignore);
        catalogue.put_in_force(&mailboxes.keys().copied().collect::<Vec<_>>());
        Ok((!mailboxes.is_empty()).then_some(Self { catalogue, restore_sources, mailboxes }))
    }

    /// Leaves out of the restore what the operator does not want on this card.
    pub(super) fn leave_out(&self) -> Result<(), JobError> {
        for (mailbox, key, content) in self.catalogue.not_wanted()? {
            let Some(mailbox_target) = self.mailboxes.get(&mailbox) else { continue };
            let identity = self.catalogue.identity(content)?;
            if let Some(content) = self.restore_sources.catalogue.known_content(&identity)? {
                self.restore_sources
                    .catalogue
                    .set_not_wanted((mailbox_target.row, &key, content), 0)?;
            }
        }
        Ok(())
    }

    /// What is missing from this card, or lacking on it, by the last scan, is not there now either, and is on no drive
    /// of this restore.
    pub(super) fn not_here(&self) -> Result<NotHere, JobError> {
        let mut wanted = BTreeSet::new();
        self.catalogue.each_missing(|row| {
            if !row.damaged {
                wanted.insert((row.mailbox, row.key, row.content));
            }
            Ok(())
        })?;
        let drives = self.catalogue.drives()?;
        for drive in drives.iter().filter(|drive| drive.counts) {
            for (replica, of) in self.catalogue.replicas_of(drive.row)? {
                if of == self.restore_sources.station
                    && self.catalogue.replica(drive.row, &of)?.lacking.messages > 0
                {
                    self.catalogue.each_lacking(replica, |row| {
                        wanted.insert((row.mailbox, row.key, row.content));
                        Ok(())
                    })?;
                }
            }
        }
        let mut not_here = NotHere::default();
        for (mailbox, key, content) in wanted {
            let identity = self.catalogue.identity(content)?;
            if self.is_at(mailbox, &key) || self.restore_sources.catalogue.has_copy(&identity)? {
                continue;
            }
            not_here.messages += 1;
            let on = self.catalogue.labels_with(&self.restore_sources.station, content)?;
            for drive in drives.iter().filter(|drive| on.contains(&drive.label)) {
                if !not_here.on.iter().any(|known| known.row == drive.row) {
                    not_here.on.push(drive.clone());
                }
            }
        }
        Ok(not_here)
    }

    /// Whether a message is at a path of a mailbox now.
    fn is_at(&self, mailbox: MailboxRowId, key: &[u8]) -> bool {
        let Some(mailbox_target) = self.mailboxes.get(&mailbox) else { return false };
        let Ok(path) = RelName::from_key(key) else { return false };
        let dir = MailboxDir::open(&mailbox_target.path);
        dir.is_ok_and(|dir| matches!(dir.stat(&path), Ok(EntryStat::File(_))))
    }
}
