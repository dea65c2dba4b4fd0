//! The keys that every report for a script has: the verdict, and what it rests on.

use super::contradictions::{self, ContradictionJson};
use super::verdict::Summary;
use crate::cli::notices::StateNotKept;
use crate::job::report::verdict::{Counts, MailboxStatus};
use crate::model::{MailboxName, Timestamp};
use serde::Serialize;
use std::borrow::Cow;

/// What is flattened into the JSON of a report.
#[derive(Serialize)]
pub(in crate::cli) struct SummaryJson<'a> {
    verdict: &'static str,
    messages: MessagesJson,
    lacking: Vec<LackingJson<'a>>,
    mailboxes: Vec<MailboxJson<'a>>,
    not_in_config: Vec<NotInConfigJson<'a>>,
    state: StateJson<'a>,
    contradictions: Vec<ContradictionJson<'a>>,
    same_device_counted: Vec<&'a str>,
    same_device_left_out: Vec<&'a str>,
}

#[derive(Serialize)]
struct MessagesJson {
    total: u64,
    bytes: u64,
    mirrored: u64,
    unmirrored: u64,
    unmirrored_bytes: u64,
    on_no_drive: u64,
    on_no_drive_bytes: u64,
    unconfirmed: u64,
    unconfirmed_bytes: u64,
    fewer_copies: u64,
    fewer_copies_bytes: u64,
    suspect: u64,
    suspect_on_no_drive: u64,
    vanished: u64,
    vanished_on_no_drive: u64,
    by_damaged_ledgers: u64,
    by_drives_in_question: u64,
    deleted: u64,
    held_back: u64,
}

#[derive(Serialize)]
struct LackingJson<'a> {
    drive: &'a str,
    messages: u64,
    bytes: u64,
    newest: Option<Timestamp>,
}

#[derive(Serialize)]
struct MailboxJson<'a> {
    name: &'a MailboxName,
    path: Cow<'a, str>,
    state: &'a str,
    why: Option<&'a str>,
    messages: u64,
    missing: u64,
    ignored: u64,
    was_at: Option<Cow<'a, str>>,
}

#[derive(Serialize)]
struct NotInConfigJson<'a> {
    mailbox: &'a MailboxName,
    messages: u64,
}

/// The state folder, and why nothing is remembered there, if it is not.
#[derive(Serialize)]
struct StateJson<'a> {
    folder: Cow<'a, str>,
    kept: bool,
    why: Option<&'static str>,
}

impl<'a> Summary<'a> {
    pub(in crate::cli) fn json(&self) -> SummaryJson<'a> {
        let (counts, (folder, why)) = (self.counts, self.state);
        let labels = |counted| {
            let drives = counts.on_same_device.iter();
            let drives = drives.filter(move |drive| drive.is_counted == counted);
            drives.map(|drive| &*drive.label).collect()
        };
        let lacking = counts.lacking.iter().map(|(label, lacking)| LackingJson {
            drive: label,
            messages: lacking.messages,
            bytes: lacking.bytes,
            newest: lacking.newest.map(|seconds| Timestamp { seconds, nanos: 0 }),
        });
        let not_in_config = counts
            .not_in_config
            .iter()
            .map(|left| NotInConfigJson { mailbox: &left.name, messages: left.messages });
        SummaryJson {
            verdict: counts.verdict().as_str(),
            messages: messages(counts),
            lacking: lacking.collect(),
            mailboxes: counts.mailboxes.iter().map(mailbox).collect(),
            not_in_config: not_in_config.collect(),
            state: StateJson {
                folder: folder.to_string_lossy(),
                kept: why.is_none(),
                why: why.map(StateNotKept::as_str),
            },
            contradictions: contradictions::json(&counts.contradictions),
            same_device_counted: labels(true),
            same_device_left_out: labels(false),
        }
    }
}

fn mailbox(mailbox: &MailboxStatus) -> MailboxJson<'_> {
    MailboxJson {
        name: &mailbox.name,
        path: mailbox.path.to_string_lossy(),
        state: mailbox.state.as_str(),
        why: mailbox.state.why(),
        messages: mailbox.messages,
        missing: mailbox.missing,
        ignored: mailbox.ignored,
        was_at: mailbox.was_at.as_ref().map(|path| path.to_string_lossy()),
    }
}

fn messages(counts: &Counts) -> MessagesJson {
    let messages = &counts.messages;
    let (fewer_copies, fewer_copies_bytes) = counts.fewer_copies();
    MessagesJson {
        total: messages.messages,
        bytes: messages.bytes,
        mirrored: messages.mirrored,
        unmirrored: counts.unmirrored(),
        unmirrored_bytes: messages.unmirrored_bytes,
        on_no_drive: messages.on_none,
        on_no_drive_bytes: messages.on_none_bytes,
        unconfirmed: messages.unconfirmed,
        unconfirmed_bytes: messages.unconfirmed_bytes,
        fewer_copies,
        fewer_copies_bytes,
        suspect: messages.damaged,
        suspect_on_no_drive: messages.damaged_on_none,
        vanished: messages.missing,
        vanished_on_no_drive: messages.missing_on_none,
        by_damaged_ledgers: counts.resting_on_damaged,
        by_drives_in_question: counts.resting_on_questions,
        deleted: counts.held_back.deleted,
        held_back: counts.held_back.acknowledged,
    }
}
