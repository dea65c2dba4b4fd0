//! The verdict and the counts that it rests on: the same sentences, the same numbers and the same keys in every report.
//! Never says anything greener than the verdict, and leaves out nothing that made it.

use super::contradictions;
use super::{count, is_or_are, it_or_them, shown_time, size};
use crate::cli::notices::{self, StateNotKept};
use crate::cli::output::{Output, Style};
use crate::cli::resolved::Resolved;
use crate::cli::shell::{drive_option, option};
use crate::cli::which_drive::{self, Advice};
use crate::job::report::verdict::{Counts, Verdict};
use crate::job::scan::mailboxes::MailboxState;
use crate::model::{StationName, Timestamp, escape};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// What every report says first.
#[derive(Clone, Copy)]
pub(in crate::cli) struct Summary<'a> {
    pub station: &'a StationName,
    pub counts: &'a Counts,
    /// The options of this run, for a command to be typed next; each with a blank before it.
    pub options: &'a str,
    /// The state folder, and why nothing is remembered there, if it is not.
    pub state: (&'a Path, Option<StateNotKept>),
}

/// A line of it, and how it is shown.
pub(in crate::cli) type VerdictLine = (Style, String);

impl<'a> Summary<'a> {
    /// The summary of a run.
    pub(in crate::cli) fn of(
        resolved: &'a Resolved,
        counts: &'a Counts,
        unkept: Option<StateNotKept>,
    ) -> Self {
        let (station, options) = (&resolved.station, resolved.options.as_str());
        Self { station, counts, options, state: (&resolved.state, unkept) }
    }

    /// The verdict in one line.
    pub(in crate::cli) fn verdict(&self) -> VerdictLine {
        let mut lines = self.lines();
        lines.swap_remove(0)
    }

    /// The verdict, then everything else that is not as it should be, the worst first.
    pub(in crate::cli) fn lines(&self) -> Vec<VerdictLine> {
        let counts = self.counts;
        let mut lines = Vec::new();
        lines.extend(self.lacking());
        lines.extend(self.lost());
        let messages = &counts.messages;
        let of_all = count(messages.messages, "message");
        if messages.on_none > 0 {
            lines.push(bad(format!(
                "NOT SAFE: {} of {of_all} ({}) {} only on the card.",
                messages.on_none,
                size(messages.on_none_bytes),
                is_or_are(messages.on_none)
            )));
        }
        lines.extend(self.by_damaged_ledgers());
        if messages.unconfirmed > 0 {
            lines.push(bad(format!(
                "NOT KNOWN: {} of {of_all} ({}) {} on a stick's list of copies. This card has not compared that list \
                 with its mailbox yet; counterfoil mirror does.",
                messages.unconfirmed,
                size(messages.unconfirmed_bytes),
                is_or_are(messages.unconfirmed)
            )));
        }
        lines.extend(self.by_questions());
        for mailbox in counts.mailboxes.iter().filter(|mailbox| !mailbox.state.is_whole()) {
            lines.push(bad(format!("NOT KNOWN: {}", notices::mailbox(mailbox))));
        }
        let all = &counts.contradictions;
        lines.extend(contradictions::each_once(all).map(|found| {
            bad(format!("NOT KNOWN: {}", contradictions::sentence_with_consequence(all, found)))
        }));
        lines.extend(self.unkept().map(|(style, line)| (style, format!("NOT KNOWN: {line}"))));
        let (fewer, bytes) = counts.fewer_copies();
        if fewer > 0 {
            lines.push(bad(format!(
                "FEWER COPIES THAN WANTED: {fewer} of {of_all} ({}) {} on fewer than {} sticks.",
                size(bytes),
                is_or_are(fewer),
                counts.wanted_copies
            )));
        }
        let is_good = lines.is_empty();
        let are_copied = counts.unmirrored() == 0 && counts.resting_on_questions == 0;
        if are_copied && messages.damaged == 0 && (is_good || messages.messages > 0) {
            lines.push(self.all_copied(is_good));
        }
        if let Some((_, first)) = lines.first_mut() {
            *first = format!("{}: {first}", self.station);
        }
        lines.extend(self.on_same_device());
        lines.extend(self.advice());
        lines.extend(self.held_back());
        lines.extend(
            counts.not_in_config.iter().map(|left| (Style::Plain, notices::not_in_config(left))),
        );
        lines
    }

    /// A line that nothing is remembered, if that is so.
    fn unkept(&self) -> Option<VerdictLine> {
        let (state, why) = self.state;
        Some(bad(notices::unkept(why?, state)))
    }

    /// A line for each drive that has messages which the card lacks.
    fn lacking(&self) -> Vec<VerdictLine> {
        let lines = self.counts.lacking.iter().map(|(label, lacking)| {
            let newest = lacking.newest.map(|seconds| Timestamp { seconds, nanos: 0 });
            let newest = newest.map(|at| format!(" (to {})", shown_time(Some(at))));
            bad(format!(
                "MESSAGES MISSING: {} holds {}{} that this card lacks.",
                escape::shown(label.as_bytes()),
                count(lacking.messages, "message"),
                newest.unwrap_or_default()
            ))
        });
        lines.collect()
    }

    /// What rests on a ledger that has lost lines.
    fn by_damaged_ledgers(&self) -> Option<VerdictLine> {
        let messages = self.counts.resting_on_damaged;
        let labels: Vec<_> =
            self.counts.damaged_ledgers.iter().map(|l| escape::shown(l.as_bytes())).collect();
        (messages > 0).then(|| {
            bad(format!(
                "NOT SAFE: {} {} safe only by a ledger that has lost lines, on {}: counterfoil mirror writes them \
                 again.",
                count(messages, "message"),
                is_or_are(messages),
                labels.join(", ")
            ))
        })
    }

    /// What rests on drives that something else stands in the place of.
    fn by_questions(&self) -> Option<VerdictLine> {
        let (messages, all) = (self.counts.resting_on_questions, &self.counts.messages);
        let asked = self.counts.in_question.iter().map(|drive| {
            let label = escape::shown(drive.label.as_bytes());
            let there = drive.by.map_or("an empty stick".into(), |by| format!("drive {by}"));
            format!("{label} was in {}, and {there} is there now", escape::shown(&drive.path))
        });
        let labels = self.counts.in_question.iter().map(|d| escape::shown(d.label.as_bytes()));
        let labels: Vec<_> = labels.collect();
        (messages > 0).then(|| {
            bad(format!(
                "NOT KNOWN: {messages} of {} {} safe only with {}. {}.",
                count(all.messages, "message"),
                is_or_are(messages),
                labels.join(", "),
                asked.collect::<Vec<_>>().join("; ")
            ))
        })
    }

    /// The drives whose copies would be lost with the card.
    fn on_same_device(&self) -> Vec<VerdictLine> {
        let lines = self.counts.on_same_device.iter().map(|drive| {
            let label = escape::shown(drive.label.as_bytes());
            match drive.is_counted {
                true => (
                    Style::Plain,
                    format!(
                        "Copies on the mailbox's own card or disk were counted, as asked ({label}): they would be \
                         lost with it."
                    ),
                ),
                false => {
                    bad(format!("{label} is {}.", which_drive::on_same_device(&drive.mailbox, false)))
                }
            }
        });
        lines.collect()
    }

    fn all_copied(&self, is_verdict: bool) -> VerdictLine {
        let Counts { messages, wanted_copies, .. } = self.counts;
        let on = match wanted_copies {
            1 => "on a stick".to_owned(),
            wanted => format!("on {wanted} sticks each"),
        };
        let all = match messages.messages {
            0 => "there are no messages yet".to_owned(),
            1 => format!("the 1 message ({}) is {on} and was checked", size(messages.bytes)),
            many => {
                format!("all {many} messages ({}) are {on} and were checked", size(messages.bytes))
            }
        };
        match is_verdict {
            true => (Style::Good, format!("SAFE: {all}.")),
            false => (Style::Plain, format!("What is known to be on the card: {all}.")),
        }
    }

    /// What is damaged on the card or missing from it.
    fn lost(&self) -> Option<VerdictLine> {
        let (damaged, missing) = (self.counts.messages.damaged, self.counts.messages.missing);
        let looks = format!("{damaged} {} damaged", if damaged == 1 { "looks" } else { "look" });
        let gone = format!(
            "{missing} {} gone from the card, and nobody saw {} go",
            is_or_are(missing),
            it_or_them(missing)
        );
        Some(bad(match (damaged, missing) {
            (0, 0) => return None,
            (0, _) => format!("MESSAGES MISSING: {gone}."),
            (_, 0) => format!("CARD DAMAGED: {looks} on the card."),
            _ => format!("CARD DAMAGED, MESSAGES MISSING: {looks}; {gone}."),
        }))
    }

    /// How to get back what sticks still have of these, with the commands.
    fn advice(&self) -> Vec<VerdictLine> {
        let messages = &self.counts.messages;
        let emptied = self.counts.mailboxes.iter().filter(|m| m.state == MailboxState::Emptied);
        let mut lines: Vec<_> = emptied.map(|mailbox| bad(notices::mailbox(mailbox))).collect();
        let good = messages.damaged.saturating_sub(messages.damaged_on_none);
        lines.extend(self.questions());
        for found in contradictions::each_once(&self.counts.contradictions) {
            let Advice { text, command } = contradictions::advice(found);
            lines.push((Style::Plain, text));
            lines.extend(command.map(|command| (Style::Plain, format!("  {command}"))));
        }
        let mut typed = |number: u64, what: String, command: &str, more: &str| {
            if number > 0 {
                lines.push((Style::Plain, what));
                let options = self.options;
                lines.push((Style::Plain, format!("  counterfoil {command}{options}{more}")));
            }
        };
        let lacking = &self.counts.lacking;
        let lacked = lacking.iter().map(|(_, lacking)| lacking.messages).sum();
        let absent = |label: &str| self.counts.absent.iter().find(|drive| drive.label == label);
        match lacking.first().and_then(|(label, _)| absent(label)) {
            Some(drive) if lacking.iter().all(|(label, _)| absent(label).is_some()) => {
                let what = format!(
                    "To have them here again, plug in {} and type:",
                    which_drive::label_and_sight(drive)
                );
                let command = drive_option(self.options, &drive.path);
                typed(lacked, what, "restore", &command);
            }
            _ => typed(lacked, "To have them here again, type:".to_owned(), "restore", ""),
        }
        for (label, _) in &self.counts.lacking {
            let command = format!("acknowledge{}", option("--only-on", OsStr::new(label)));
            let label = escape::shown(label.as_bytes());
            typed(
                lacked,
                format!("If what only {label} has is not wanted here, type:"),
                &command,
                "",
            );
        }
        let (here, away) = self.missing_here_and_away();
        let of_missing =
            |number| format!("{} {}", count(number, "missing message"), is_or_are(number));
        typed(here, format!("{} on a stick. Type:", of_missing(here)), "restore", "");
        for (drive, number) in away {
            let on = which_drive::label_and_sight(drive);
            let what = format!("{} on {on}: plug it in and type:", of_missing(number));
            typed(number, what, "restore", &drive_option(self.options, &drive.path));
        }
        let of_damaged = count(good, "damaged message");
        typed(
            good,
            format!("A good version of {of_damaged} is on a stick. Type:"),
            "restore --repair PATH",
            "",
        );
        let (missing, damaged) = (messages.missing_on_none, messages.damaged_on_none);
        if missing > 0 {
            lines.push(bad(format!(
                "{} {} gone from the card and on no drive known here.",
                count(missing, "message"),
                is_or_are(missing)
            )));
        }
        if damaged > 0 {
            lines.push(bad(format!(
                "No good version of {} is on a drive known here.",
                count(damaged, "damaged message")
            )));
        }
        lines
    }

    /// What to type once it is known what became of a drive, where the verdict rests on it.
    fn questions(&self) -> Vec<VerdictLine> {
        let mut lines = Vec::new();
        let mut typed = |what: String, command: &str| {
            lines.push((Style::Plain, what));
            lines.push((Style::Plain, format!("  {command}{}", self.options)));
        };
        for drive in self.counts.in_question.iter().filter(|_| self.counts.resting_on_questions > 0)
        {
            let label = escape::shown(drive.label.as_bytes());
            for Advice { text, command } in which_drive::advise_reformatted(&label, drive.id) {
                command.iter().for_each(|command| typed(text.clone(), command));
            }
            if drive.by.is_none() {
                let add = option("counterfoil drives add", OsStr::from_bytes(&drive.path));
                typed(
                    "Then, to have copies in that place again, type:".to_owned(),
                    add.trim_start(),
                );
            }
        }
        lines
    }

    /// Says on standard error, next to a report for a script, which mailboxes could not be scanned, and whether
    /// anything is remembered.
    pub(in crate::cli) fn warn(&self, output: &Output) {
        self.unkept().iter().for_each(|(_, line)| output.warn(line));
        let unseen = self.counts.mailboxes.iter().filter(|mailbox| !mailbox.state.is_whole());
        unseen.for_each(|mailbox| output.warn(notices::mailbox(mailbox)));
        let all = &self.counts.contradictions;
        contradictions::each_once(all)
            .for_each(|found| output.warn(contradictions::sentence_with_consequence(all, found)));
    }

    /// Prints all lines.
    pub(in crate::cli) fn say(&self, output: &Output) {
        for (style, line) in self.lines() {
            output.styled_lines(style, &line);
        }
    }
}

fn bad(text: String) -> VerdictLine {
    (Style::Bad, text)
}

/// How the verdict is called on a page.
pub(in crate::cli) fn label(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Safe => "safe",
        Verdict::FewerCopies => "fewer copies than wanted",
        Verdict::NotKnown => "not known",
        Verdict::NotSafe => "not safe",
        Verdict::DamagedOrMissing => "damaged or missing",
    }
}
