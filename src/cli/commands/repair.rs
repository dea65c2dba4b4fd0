//! `restore --repair`: puts back the good version of one message that the card has damaged.

use super::targets::allowed;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::cli::{Exit, named, report};
use crate::job::restore::{MailboxTarget, RestoreSources, repair};
use crate::model::RelName;
use std::path::Path;

/// Repairs the one message that is named by its file, or by its mailbox and its path in it.
pub(super) fn run(
    resolved: &Resolved,
    restore_sources: &RestoreSources,
    mailbox_targets: &[MailboxTarget],
    typed: &Path,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    let NamedMessage { mailbox_target, path, .. } =
        message_named(restore_sources, mailbox_targets, typed)?;
    let mailbox_target =
        &MailboxTarget { path: allowed(resolved, &mailbox_target.path)?, ..mailbox_target.clone() };
    let done = repair(restore_sources, mailbox_target, &path)?;
    match as_json {
        true => output.json(&report::restore::repaired_json(mailbox_target, &path, &done)),
        false => output.say(format!(
            "{}: {path} is good again ({}); the damaged file is kept as {}",
            mailbox_target.name,
            report::size(done.good.bytes),
            done.damaged_path
        )),
    }
    Ok(Exit::Safe)
}

/// A message that is named on the command line.
pub(super) struct NamedMessage<'g> {
    pub mailbox_target: &'g MailboxTarget,
    pub path: RelName,
    /// Some drive lists it.
    pub is_known: bool,
}

/// The message that is named by its file, or by its mailbox and its path in it: of several that may be meant, the first
/// that a drive lists.
pub(super) fn message_named<'g>(
    restore_sources: &RestoreSources,
    mailbox_targets: &'g [MailboxTarget],
    typed: &Path,
) -> Result<NamedMessage<'g>, CliError> {
    let mailboxes: Vec<_> = mailbox_targets
        .iter()
        .map(|mailbox_target| (&mailbox_target.name, &*mailbox_target.path))
        .collect();
    let mut first = None;
    for message in named::messages(typed, &mailboxes) {
        let (at, path) = message?;
        let mailbox_target = &mailbox_targets[at];
        let is_known = restore_sources.catalogue.lists(
            &restore_sources.station,
            mailbox_target.row,
            &path.key(),
        )?;
        if is_known {
            return Ok(NamedMessage { mailbox_target, path, is_known });
        }
        first = first.or(Some(NamedMessage { mailbox_target, path, is_known }));
    }
    first.ok_or_else(|| notices::in_no_mailbox(typed))
}
