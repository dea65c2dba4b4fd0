//! What a rehearsal showed: its verdict, and the sentences on it. Never called good unless a restore gives every
//! mailbox as it is, no more and no less.

use super::{count, shown_time, size};
use crate::cli::notices;
use crate::cli::output::{Output, Style};
use crate::cli::shell::option;
use crate::disk::ErrorKind;
use crate::job::MailboxRef;
use crate::job::restore::{LimitedList, RestoreReport, TreeComparison};
use crate::job::scan::mailboxes::MailboxState;
use crate::model::{MailboxName, Timestamp, escape};
use serde::Serialize;

/// Commands of a kind that are printed: more would say nothing new.
const FOLDERS_SHOWN: usize = 3;

/// What a rehearsal showed.
pub(in crate::cli) struct Rehearsal<'a> {
    pub restored: RestoreReport,
    /// Messages that were right when they were read once more.
    pub read_again: u64,
    pub seen: Vec<MailboxResult>,
    /// Sticks that could not be read, or not to their end.
    pub not_read: Vec<String>,
    /// When it ended, if the answer is yes.
    pub rehearsed: Option<Timestamp>,
    /// The options of this run, for the commands to be typed next.
    pub options: &'a str,
}

/// A mailbox, and how what came back compares with it.
pub(in crate::cli) struct MailboxResult {
    pub mailbox: MailboxRef,
    /// The comparison, or else why there is none.
    pub compared: Result<TreeComparison, MailboxState>,
}

impl Rehearsal<'_> {
    fn sum(&self, of: impl Fn(&TreeComparison) -> u64) -> u64 {
        self.seen.iter().filter_map(|seen| seen.compared.as_ref().ok()).map(of).sum()
    }

    fn has(&self, of: impl Fn(&TreeComparison) -> u64) -> bool {
        self.sum(of) > 0
    }

    /// Whether a restore gives every mailbox as it is. A stick that could not be read may know of more.
    pub(in crate::cli) fn is_good(&self) -> bool {
        let is_alike =
            |seen: &MailboxResult| seen.compared.as_ref().is_ok_and(TreeComparison::is_alike);
        self.restored.is_whole()
            && self.read_again == self.restored.restored
            && self.not_read.is_empty()
            && !self.seen.is_empty()
            && self.seen.iter().all(is_alike)
    }
}

/// The JSON of `restore --rehearse`.
#[derive(Serialize)]
struct RehearsalJson<'a> {
    good: bool,
    rehearsed: Option<Timestamp>,
    restored: u64,
    bytes: u64,
    wrong_when_read_again: u64,
    damaged: usize,
    missing: usize,
    not_written: u64,
    same: u64,
    other: u64,
    damaged_on_card: u64,
    other_facts: u64,
    other_flags: u64,
    unread: u64,
    not_restored: u64,
    only_restored: u64,
    not_files: u64,
    folders: u64,
    excluded: u64,
    mailboxes_not_there: Vec<&'a MailboxName>,
    drives_not_read: &'a [String],
}

pub(in crate::cli) fn json<'a>(rehearsal: &'a Rehearsal<'_>) -> impl Serialize + 'a {
    let restored = &rehearsal.restored;
    let away = rehearsal.seen.iter().filter(|seen| seen.compared.is_err());
    RehearsalJson {
        good: rehearsal.rehearsed.is_some(),
        rehearsed: rehearsal.rehearsed,
        restored: restored.restored,
        bytes: restored.bytes,
        wrong_when_read_again: restored.restored.saturating_sub(rehearsal.read_again),
        damaged: restored.damaged.len(),
        missing: restored.missing.len(),
        not_written: restored.refused() + restored.no_room,
        same: rehearsal.sum(|c| c.same),
        other: rehearsal.sum(|c| c.other.all + c.damaged.all),
        damaged_on_card: rehearsal.sum(|c| c.damaged.all),
        other_facts: rehearsal.sum(|c| c.other_facts.all),
        other_flags: rehearsal.sum(|c| c.other_flags.all),
        unread: rehearsal.sum(|c| c.unread.all),
        not_restored: rehearsal.sum(|c| c.not_restored.all),
        only_restored: rehearsal.sum(|c| c.only_restored.all),
        not_files: rehearsal.sum(|c| c.not_files.all),
        folders: rehearsal.sum(|c| c.folders.all),
        excluded: rehearsal.sum(|c| c.excluded),
        mailboxes_not_there: away.map(|seen| &seen.mailbox.name).collect(),
        drives_not_read: &rehearsal.not_read,
    }
}

pub(in crate::cli) fn text(rehearsal: &Rehearsal<'_>, output: &Output) {
    let restored = &rehearsal.restored;
    output.say(format!(
        "Practice run in a temporary folder (removed again): {} ({}){}.",
        count(restored.restored, "message"),
        size(restored.bytes),
        correct_count(rehearsal.read_again, restored.restored)
    ));
    of_the_sticks(restored, output);
    for seen in &rehearsal.seen {
        of_a_mailbox(seen, output);
    }
    let verdict = match rehearsal.rehearsed {
        Some(at) => output.styled(
            Style::Good,
            &format!(
                "YES: a restore brings back every mailbox as it is now. Rehearsed {}.",
                shown_time(Some(at))
            ),
        ),
        None => output.styled(Style::Bad, &format!("NO: {}.", reasons(rehearsal).join("; "))),
    };
    output.wrapped(&verdict);
    advice(rehearsal, output);
}

/// How many of the restored messages were right when they were read again.
fn correct_count(right: u64, all: u64) -> String {
    match (right, all) {
        (_, 0) => String::new(),
        (1, 1) => ", correct".into(),
        (right, all) if right == all => ", all correct".into(),
        (right, all) => format!(", {} of them wrong when read again", all.saturating_sub(right)),
    }
}

/// What the sticks could not give, or the temporary folder could not take.
fn of_the_sticks(restored: &RestoreReport, output: &Output) {
    for lost in restored.damaged.iter().chain(&restored.missing) {
        output.warn(format!("{}/{}: no whole copy is on these sticks", lost.mailbox, lost.path));
    }
    let refused = restored.not_written.iter().filter(|(_, error)| error.trouble != ErrorKind::Full);
    for (path, error) in refused.chain(&restored.not_made) {
        output.warn(format!("{path}: {error}"));
    }
    if restored.no_room > 0 {
        output.warn(format!(
            "the folder for temporary files is full: {} ({}) did not fit; make room in it, or name another one with \
             more room in TMPDIR, and run the same command again",
            count(restored.no_room, "message"),
            size(restored.no_room_bytes)
        ));
    }
}

/// How what came back differs from a mailbox, each message with its path.
fn of_a_mailbox(seen: &MailboxResult, output: &Output) {
    let MailboxRef { name, path } = &seen.mailbox;
    let found = match &seen.compared {
        Ok(found) => found,
        Err(state) => return output.warn(notices::mailbox_found(name, path, state)),
    };
    let at = escape::shown_path(path);
    output.say(format!("Mailbox {name} ({at}): {}.", same(found)));
    let listed: [(&LimitedList, &str); 9] = [
        (&found.damaged, "is damaged on the card; the good version is on the sticks"),
        (&found.other, "is not the same in the mailbox as on the sticks"),
        (&found.other_facts, "has other rights or another time in the mailbox than on the sticks"),
        (&found.other_flags, "has other flags in the mailbox than on the sticks"),
        (&found.unread, "cannot be read in the mailbox"),
        (&found.not_restored, "is in the mailbox, but a restore does not bring it back"),
        (&found.only_restored, "is not in the mailbox, but a restore brings it back"),
        (&found.not_files, "is a link, pipe or device: a restore does not bring it back"),
        (&found.folders, "is no folder of the mailbox, and a restore makes it"),
    ];
    for (listed, what) in listed {
        listed.some.iter().for_each(|path| output.warn(format!("{name}/{path} {what}")));
        if listed.all > listed.some.len() as u64 {
            output.warn(format!("{name}: {} of these in all", listed.all));
        }
    }
    if found.excluded > 0 {
        output.notice(format!(
            "{name}: a restore also brings back {} that the mailbox leaves out now (ignored, or in a Maildir's tmp)",
            count(found.excluded, "message")
        ));
    }
}

/// Of the messages of a mailbox, how many a restore gives as they are.
fn same(found: &TreeComparison) -> String {
    match (found.same, found.is_alike()) {
        (0, true) => "empty, and a restore brings nothing back".into(),
        (1, true) => "its 1 message is the same".into(),
        (same, true) => format!("all {same} messages are the same"),
        (0, false) => "no message is the same".into(),
        (1, false) => "1 message is the same".into(),
        (same, false) => format!("{same} messages are the same"),
    }
}

/// Why it is not good.
fn reasons(rehearsal: &Rehearsal<'_>) -> Vec<String> {
    let restored = &rehearsal.restored;
    let of = |number: u64, what: &str| {
        (number > 0).then(|| format!("{} {what}", count(number, "message")))
    };
    let away = rehearsal.seen.iter().filter(|seen| seen.compared.is_err()).count() as u64;
    let wrong = restored.restored.saturating_sub(rehearsal.read_again);
    let reasons = [
        (away > 0).then(|| format!("{} could not be compared", mailboxes(away))),
        (!rehearsal.not_read.is_empty())
            .then(|| format!("not read to the end: {}", rehearsal.not_read.join(", "))),
        of(rehearsal.sum(|c| c.damaged.all), "damaged on the card"),
        of(
            (restored.damaged.len() + restored.missing.len()) as u64,
            "without a whole copy on these sticks",
        ),
        of(rehearsal.sum(|c| c.not_restored.all + c.not_files.all), "only in the mailbox"),
        of(rehearsal.sum(|c| c.only_restored.all), "that the mailbox lacks would come back"),
        of(rehearsal.sum(|c| c.other.all), "of which the mailbox has another version"),
        of(
            rehearsal.sum(|c| c.other_facts.all + c.other_flags.all),
            "with other flags, rights or time in the mailbox",
        ),
        of(rehearsal.sum(|c| c.unread.all), "that cannot be read in the mailbox"),
        of(restored.refused() + restored.no_room, "not written"),
        of(wrong, "wrong when read again"),
        rehearsal
            .has(|c| c.folders.all)
            .then(|| "a restore makes folders that the mailbox lacks".into()),
    ];
    let mut reasons: Vec<String> = reasons.into_iter().flatten().collect();
    if reasons.is_empty() {
        reasons.push("the temporary folder could not take all".into());
    }
    reasons
}

fn mailboxes(number: u64) -> String {
    match number {
        1 => "1 mailbox".into(),
        many => format!("{many} mailboxes"),
    }
}

/// What to do next: each command on a line of its own.
fn advice(rehearsal: &Rehearsal<'_>, output: &Output) {
    let options = rehearsal.options;
    let type_it = |why: &str, command: &str| {
        output.wrapped(why);
        output.line(format!("  counterfoil {command}{options}"));
    };
    for seen in &rehearsal.seen {
        let Ok(found) = &seen.compared else { continue };
        if let Some(first) = found.damaged.some.first() {
            let file = seen.mailbox.path.join(first.as_path());
            let repair = format!("restore{}", option("--repair", file.as_os_str()));
            type_it(
                "Damaged on the card: put back the good version, one message at a time. Type:",
                &repair,
            );
        }
        if !found.folders.some.is_empty() {
            output.wrapped("Mail programs want all folders of a Maildir. To make those that are missing, type:");
        }
        for folder in found.folders.some.iter().take(FOLDERS_SHOWN) {
            let at = seen.mailbox.path.join(folder.as_path());
            output.line(format!(" {}", option("mkdir", at.as_os_str())));
        }
    }
    let lost = !rehearsal.restored.damaged.is_empty() || !rehearsal.restored.missing.is_empty();
    let is_behind = |c: &TreeComparison| {
        c.not_restored.all + c.other.all + c.other_facts.all + c.other_flags.all
    };
    if lost || rehearsal.has(is_behind) {
        type_it("To bring the sticks up to date (the service does it by itself), type:", "mirror");
    }
    if rehearsal.has(|c| c.only_restored.all) {
        type_it("To put back what the mailbox lacks, type:", "restore");
        type_it("If it was deleted on purpose, type instead:", "acknowledge --missing");
        output.wrapped(
            "For what only a stick ever had, type --only-on and the name of the stick instead of --missing.",
        );
    }
    if !rehearsal.not_read.is_empty() {
        output.wrapped(
            "A stick could not be read: pull it out, plug it in again and type the same command again. Or name only \
             the other sticks, with --drive.",
        );
    }
    if rehearsal.has(|c| c.unread.all + c.not_files.all) {
        type_it("To see what cannot be read or is not a file, type:", "audit");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_agree_with_their_words() {
        let again = [
            ((0, 0), ""),
            ((0, 2), ", 2 of them wrong when read again"),
            ((1, 1), ", correct"),
            ((1, 2), ", 1 of them wrong when read again"),
            ((2, 2), ", all correct"),
        ];
        for ((right, all), expected) in again {
            assert_eq!(correct_count(right, all), expected);
        }
        let alike = |same| TreeComparison { same, ..TreeComparison::default() };
        let unlike = |same| {
            let other = LimitedList { all: 1, ..LimitedList::default() };
            TreeComparison { same, other, ..TreeComparison::default() }
        };
        for (found, expected) in [
            (alike(0), "empty, and a restore brings nothing back"),
            (alike(1), "its 1 message is the same"),
            (alike(3), "all 3 messages are the same"),
            (unlike(0), "no message is the same"),
            (unlike(1), "1 message is the same"),
            (unlike(3), "3 messages are the same"),
        ] {
            assert_eq!(same(&found), expected);
        }
    }
}
