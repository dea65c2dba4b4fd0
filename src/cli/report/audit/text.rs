//! The audit on a terminal: the answer first, then what it rests on, in ten seconds.
//! Never needs colour to be understood, and fits 80 columns.

use super::super::format::{airtime, share as parts, wait};
use super::super::{card_use, clipped, count, drives, plural, shown_time, size};
use super::{AuditView, about_suspect, about_vanished, next_step};
use crate::cli::output::{Output, Style};
use crate::job::report::audit::{ListedMessage, MessageGroup};
use crate::job::report::statistics::SizeGroup;
use crate::model::limits::LISTED_MAX;

/// Messages shown on a terminal; the rest is counted, and is all in the JSON.
const SHOWN: usize = 40;
/// Senders shown on a terminal.
const SENDERS: usize = 5;
/// The columns of a message's line without its path: indent, time, size, airtime and the blanks between.
const BESIDE_PATH: usize = 46;

pub(in crate::cli) fn text(output: &Output, view: &AuditView<'_>) {
    let audit = view.audit;
    view.summary.say(output);
    if let Some(worn) = card_use::warning(view.card) {
        output.styled_lines(Style::Bad, &worn);
    }
    if audit.counts.messages.on_none > 0 {
        output.wrapped(&view.cost());
    } else if let Some((at, age)) = view.oldest_proof() {
        let age = age.map(|age| format!(", {} ago", wait(age))).unwrap_or_default();
        output.wrapped(&format!(
            "The oldest of their last proofs is of {}{age}.",
            shown_time(Some(at))
        ));
    }
    messages(output, view);
    heading(output, "Drives");
    drives::table(output, view.drives);
    for drive in view.drives {
        let proven = drive.ids.and_then(|(row, _)| view.statistics.drives.get(&row));
        let lines = proven.map(drives::proof).into_iter().chain(drives::away(drive));
        lines.for_each(|line| output.wrapped(&format!("    {}: {line}", drive.row.label)));
    }
    copies(output, view);
    exposure(output, view);
    sizes(output, view);
    heading(output, "The card");
    card_use::lines(view.card).iter().for_each(|line| output.wrapped(&format!("  {line}")));
    heading(output, "What this rests on");
    let clock = view.clock_note().map(str::to_owned);
    for line in view.assumptions().into_iter().chain(clock) {
        output.wrapped(&format!("  {line}"));
    }
    output.line("");
    let (style, verdict) = view.summary.verdict();
    output.styled_lines(style, &verdict);
}

fn heading(output: &Output, text: &str) {
    output.line("");
    output.line(output.styled(Style::Strong, text));
}

fn messages(output: &Output, view: &AuditView<'_>) {
    let audit = view.audit;
    if audit.unmirrored.count() > 0 {
        heading(output, "Unmirrored, first seen first");
        list(output, &audit.unmirrored, |message| next_step(view, message));
    }
    if audit.vanished.count() > 0 {
        heading(output, "Vanished from the mailbox, nobody saw them deleted");
        list(output, &audit.vanished, |message| about_vanished(message).to_owned());
    }
    if audit.suspect.count() > 0 {
        heading(output, "Suspect: the new version looks like damage to the card");
        list(output, &audit.suspect, about_suspect);
    }
}

fn list(output: &Output, messages: &MessageGroup, note: impl Fn(&ListedMessage) -> String) {
    let width = output.width();
    for message in messages.listed.iter().take(SHOWN) {
        let path = format!("{}/{}", message.mailbox, message.path);
        let room = width.saturating_sub(BESIDE_PATH);
        output.line(format!(
            "  {}  {:<room$}  {:>9}  {:>10}",
            shown_time(Some(message.first_seen)),
            clipped(&path, room),
            size(message.bytes),
            airtime(message.seconds),
        ));
        let headers = &message.headers;
        if !headers.subject.is_empty() || !headers.from.is_empty() {
            let subject = match headers.subject.is_empty() {
                true => "(no subject)",
                false => &headers.subject,
            };
            // Half for the subject, a quarter for each side.
            let room = width.saturating_sub(18);
            output.line(format!(
                "    {}  from {}  to {}",
                clipped(subject, room / 2),
                clipped(&headers.from, room / 4),
                clipped(&headers.to, room / 4)
            ));
        }
        output.wrapped(&format!("    {}", note(message)));
    }
    let rest = messages.count().saturating_sub(SHOWN as u64);
    if rest > 0 {
        let all = match messages.count() > LISTED_MAX as u64 {
            true => format!("the first {LISTED_MAX}"),
            false => "all".to_owned(),
        };
        output.line(format!("  and {rest} more message{}; --json lists {all}", plural(rest)));
    }
}

fn copies(output: &Output, view: &AuditView<'_>) {
    if view.audit.counts.messages.messages == 0 {
        return;
    }
    heading(output, "Copies, the card itself counted");
    let lines = rules(view).into_iter().chain([view.rehearsal()]);
    lines.for_each(|line| output.wrapped(&format!("  {line}")));
}

/// How many copies there are, and how they compare with the published rules.
pub(super) fn rules(view: &AuditView<'_>) -> Vec<String> {
    let kept = view.preservation_facts();
    let spread = view.statistics.copies.iter().zip(0_u64..).filter(|(messages, _)| **messages > 0);
    let spread: Vec<_> = spread
        .map(|(messages, copies)| match copies {
            0 => format!("{} on no drive", count(*messages, "message")),
            copies => format!("{} on {}", count(*messages, "message"), count(copies, "drive")),
        })
        .collect();
    let (copies, kinds, elsewhere) = crate::model::preservation_rules::RULE;
    let of = |is: u64, wanted: u64| format!("{} of {wanted}", is.min(wanted));
    vec![
        format!("{}; wanted: {}.", spread.join(", "), view.wanted_copies),
        format!(
            "Three copies, two kinds of media, one elsewhere (US-CERT, 2012): copies {}, kinds {} (a card and \
             a stick are both flash), elsewhere {}.",
            of(kept.copies().into(), copies.into()),
            of(kept.kinds() as u64, kinds as u64),
            of(kept.elsewhere().into(), elsewhere.into())
        ),
        format!(
            "NDSA levels of preservation, version 1: storage {}, fixity {}.",
            kept.storage_level(),
            kept.fixity_level()
        ),
        "What is elsewhere only you know: counterfoil drives away NAME, counterfoil drives here NAME."
            .to_owned(),
    ]
}

fn exposure(output: &Output, view: &AuditView<'_>) {
    let lines = waits(view);
    if !lines.is_empty() {
        heading(output, "Time on the card only, from first sight to first proven copy");
        lines.into_iter().for_each(|line| output.wrapped(&format!("  {line}")));
    }
}

/// How long messages waited for their first copy.
pub(super) fn waits(view: &AuditView<'_>) -> Vec<String> {
    let exposure = &view.statistics.exposure;
    let mut lines = Vec::new();
    if let (Some(median), Some(worst)) = (exposure.median, exposure.worst) {
        lines.push(format!(
            "median {}, worst {}; at most {} at once; {} still waiting.",
            wait(median),
            wait(worst),
            count(exposure.most, "message"),
            exposure.waiting
        ));
    }
    if exposure.unknown > 0 {
        let of = count(exposure.unknown, "message");
        lines.push(format!("Not known of {of}: the clock was set meanwhile."));
    }
    if exposure.unsure && !lines.is_empty() {
        lines.push("Some of it by a clock that nothing vouched for.".to_owned());
    }
    lines
}

fn sizes(output: &Output, view: &AuditView<'_>) {
    let statistics = view.statistics;
    if statistics.whole.bytes == 0 {
        return;
    }
    heading(output, "What cost the airtime, by sender");
    for share in statistics.senders.iter().take(SENDERS) {
        let name = match share.name.is_empty() {
            true => "(sender not known)",
            false => &share.name,
        };
        let room = output.width().saturating_sub(38);
        output.line(format!(
            "  {:<room$}  {:>5} msg  {:>9}  {:>10}",
            clipped(name, room),
            share.messages,
            size(share.bytes),
            airtime(share.seconds)
        ));
        output.wrapped(&format!("    {}", composition(share)));
    }
    let rest = statistics.senders.len().saturating_sub(SENDERS) as u64;
    if rest > 0 {
        output.line(format!("  and {}; --html and --json list more", count(rest, "sender")));
    }
}

/// What the bytes of a group are made of.
pub(super) fn composition(share: &SizeGroup) -> String {
    let part = |bytes: u64| parts(bytes as f64 / share.bytes.max(1) as f64);
    format!(
        "text {}, quoted from earlier messages {}, attachments {}, headers {}",
        part(share.breakdown.body),
        part(share.breakdown.quoted),
        part(share.breakdown.attached),
        part(share.head())
    )
}
