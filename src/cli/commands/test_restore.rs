//! `restore --rehearse`: everything but writing to the mailbox. Into a temporary folder, read again there,
//! compared with the mailboxes; the folder goes, the date of a good one stays in the catalogue.

use super::state::state_to_read;
use crate::cli::Exit;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::test_restore::{self, MailboxResult, Rehearsal};
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::disk::{TemporaryDir, host};
use crate::job::MailboxRef;
use crate::job::catalogue::{Catalogue, RestoreReason};
use crate::job::restore::{MailboxTarget, RestoreOptions, RestoreSources, compare, restore};
use crate::job::scan::mailboxes::state_of;
use crate::model::limits::PROBLEMS_MAX;
use crate::model::{Clock as _, RelName, escape};
use std::collections::BTreeSet;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// A folder with a mailbox in it, or several: what a restore gives to all of them is one tree.
struct MailboxTree {
    mailbox: MailboxRef,
    /// Its path without links.
    resolved: PathBuf,
    /// What stands for it in the temporary folder.
    temporary: PathBuf,
}

impl MailboxTree {
    /// Where a path of the host lies in it.
    fn below<'p>(&self, resolved: &'p Path) -> Option<&'p Path> {
        resolved.strip_prefix(&self.resolved).ok()
    }
}

/// `mailboxes` are those of the station that are named, whether a stick lists them or not.
pub(super) fn run(
    resolved: &Resolved,
    restore_sources: &RestoreSources,
    mailbox_targets: &[MailboxTarget],
    mailboxes: &[MailboxRef],
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    super::leave_nothing_behind()?;
    let folder = TemporaryDir::make("rehearsal")?;
    // A restore follows no link on its way.
    let roots = roots(mailbox_targets, mailboxes, &host::resolved(folder.path()));
    refuse_within_a_mailbox(folder.path(), &roots)?;
    let temporary: Vec<_> =
        mailbox_targets.iter().map(|target| temporary_target(target, &roots)).collect();
    for root in &roots {
        crate::disk::make_dirs(&root.temporary)?;
    }
    let paths = restore_sources.catalogue.asserted_paths(&restore_sources.station)?;
    let once = |dry_run, what| {
        let bar = Bar::new(output, what, paths);
        let mailbox_targets = temporary.clone();
        let (with_removed, with_doubtful) = (false, false);
        let (versions, progress) = (None, &bar);
        let options = RestoreOptions {
            mailbox_targets,
            with_removed,
            versions,
            with_doubtful,
            dry_run,
            progress,
        };
        let report = restore(restore_sources, &options);
        bar.end();
        report
    };
    let restored = once(false, "rehearsing")?;
    // A dry run into the same folder reads everything that was put there.
    let again = once(true, "reading")?;
    let suspect = suspect(restore_sources, mailbox_targets, &roots)?;
    let mut seen = Vec::new();
    for (number, root) in roots.iter().enumerate() {
        let is_suspect = |path: &RelName| suspect.contains(&(number, path.as_bytes().to_vec()));
        let at = &root.mailbox.path;
        let compared = compare(&root.temporary, at, &resolved.ignore, &is_suspect)?;
        let mailbox = root.mailbox.clone();
        seen.push(MailboxResult { mailbox, compared: compared.map_err(|error| state_of(&error)) });
    }
    drop(folder);
    let mut rehearsal = Rehearsal {
        // In two mailboxes that are one folder a message is put back once, and found the second time.
        read_again: again.identical.saturating_sub(restored.identical),
        restored,
        seen,
        not_read: restore_sources.failed.iter().map(|(at, _)| at.clone()).collect(),
        rehearsed: None,
        options: &resolved.options,
    };
    if rehearsal.is_good() {
        let now = SystemClock::new().event_time().time;
        rehearsal.rehearsed = Some(now);
        // While a daemon runs too: one entry in the catalogue, by which nothing is decided.
        let (state, _) = state_to_read(resolved);
        let kept = Catalogue::open(&state).and_then(|(known, _)| known.set_rehearsed(now));
        if let Err(error) = kept {
            output.warn(CliError::from(error).to_string());
        }
    }
    match as_json {
        true => output.json(&test_restore::json(&rehearsal)),
        false => test_restore::text(&rehearsal, output),
    }
    Ok(Exit::safe(rehearsal.rehearsed.is_some()))
}

/// The folders to be compared: of mailboxes that lie in each other, or are one folder, the outermost.
fn roots(
    mailbox_targets: &[MailboxTarget],
    mailboxes: &[MailboxRef],
    temporary: &Path,
) -> Vec<MailboxTree> {
    let listed = mailbox_targets.iter().map(|mailbox_target| MailboxRef {
        name: mailbox_target.name.clone(),
        path: mailbox_target.path.clone(),
    });
    let all: Vec<_> = mailboxes.iter().cloned().chain(listed).collect();
    let resolved: Vec<_> = all.iter().map(|mailbox| host::resolved(&mailbox.path)).collect();
    let is_outermost = |at: usize, path: &PathBuf| {
        let mut others = resolved.iter().enumerate();
        !others.any(|(other, above)| path.starts_with(above) && (path != above || other < at))
    };
    let mut roots = Vec::new();
    for (at, (mailbox, path)) in all.into_iter().zip(&resolved).enumerate() {
        if is_outermost(at, path) {
            let temporary = temporary.join(roots.len().to_string());
            roots.push(MailboxTree { mailbox, resolved: path.clone(), temporary });
        }
    }
    roots
}

/// Where a restore of a mailbox goes to in the temporary folder.
fn temporary_target(mailbox_target: &MailboxTarget, roots: &[MailboxTree]) -> MailboxTarget {
    let resolved = host::resolved(&mailbox_target.path);
    let found = roots.iter().find_map(|root| Some(root.temporary.join(root.below(&resolved)?)));
    // Every target lies in a root.
    MailboxTarget {
        path: found.unwrap_or_else(|| mailbox_target.path.clone()),
        ..mailbox_target.clone()
    }
}

/// The messages that the sticks know to be damaged on the card, each as the number of its root and its path there.
fn suspect(
    restore_sources: &RestoreSources,
    mailbox_targets: &[MailboxTarget],
    roots: &[MailboxTree],
) -> Result<BTreeSet<(usize, Vec<u8>)>, CliError> {
    let mut found = BTreeSet::new();
    restore_sources.catalogue.each_to_restore(&restore_sources.station, false, |wanted| {
        if wanted.role == RestoreReason::InsteadOfSuspect && found.len() < PROBLEMS_MAX {
            let mailbox_target =
                mailbox_targets.iter().find(|mailbox_target| mailbox_target.row == wanted.mailbox);
            let file = mailbox_target.map(|mailbox_target| -> Result<_, crate::job::JobError> {
                Ok(host::resolved(&mailbox_target.path).join(wanted.path()?.as_path()))
            });
            if let Some(file) = file.transpose()? {
                let below = |(number, root): (usize, &MailboxTree)| {
                    Some((number, root.below(&file)?.as_os_str().as_bytes().to_vec()))
                };
                found.extend(roots.iter().enumerate().find_map(below));
            }
        }
        Ok(())
    })?;
    Ok(found)
}

/// In a mailbox, what is restored would be taken for mail.
fn refuse_within_a_mailbox(folder: &Path, roots: &[MailboxTree]) -> Result<(), CliError> {
    let folder = host::resolved(folder);
    match roots.iter().find(|root| root.below(&folder).is_some()) {
        None => Ok(()),
        Some(root) => Err(CliError::usage(format!(
            "the folder for temporary files lies in mailbox {} ({}): name another one in TMPDIR",
            root.mailbox.name,
            escape::shown_path(&root.mailbox.path)
        ))),
    }
}
