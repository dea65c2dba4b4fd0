//! The audit as a page for a browser or for paper: the answer, then every list and figure that it rests on.
//! Long lists are shortened, and say so; the table for a spreadsheet has them whole.

use super::super::format::{airtime, amp_hours, wait};
use super::super::page::{self, StatusMark, Untrusted, facts, state, table_box};
use super::super::verdict::label;
use super::super::{card_use, count, drives, shown_time, size};
use super::text::{rules, waits};
use super::{AuditView, about_suspect, about_vanished, chart, next_step};
use crate::cli::notices;
use crate::cli::which_drive::Advice;
use crate::job::report::audit::{ListedMessage, MessageGroup};
use crate::job::report::statistics::SizeGroup;
use crate::job::report::verdict::Verdict;
use crate::model::escape;
use maud::{Markup, html};

/// Rows of a table of messages.
const ROWS: usize = 200;
/// Rows of a table of senders or folders.
const SHARES: usize = 15;

/// The whole page.
pub(in crate::cli) fn page(view: &AuditView<'_>) -> String {
    let about = format!("{}, {}", view.station, shown_time(Some(view.now.time)));
    let body = html! {
        (the_answer(view))
        (messages(view))
        (the_drives(view))
        (copies(view))
        (exposure(view))
        (sizes(view))
        h2 { "The card" }
        ul { @for line in card_use::lines(view.card) { li { (line) } } }
        h2 { "What the figures rest on" }
        ul {
            @for line in view.assumptions() { li { (line) } }
            @if let Some(note) = view.clock_note() { li { (note) } }
            li {
                "Times are in UTC and as the station\u{2019}s clock claimed them; the order of events does not \
                 rest on them."
            }
        }
    };
    page::page("Audit of unmirrored mail", &about, &body)
}

fn the_answer(view: &AuditView<'_>) -> Markup {
    let counts = &view.audit.counts;
    let verdict = counts.verdict();
    let lines = view.summary.lines();
    let sign = if verdict == Verdict::Safe { StatusMark::Good } else { StatusMark::Bad };
    let seconds = view.seconds_at_risk();
    let charge = view.charge_at_risk().map_or("unknown".to_owned(), amp_hours);
    let oldest = match view.oldest_proof() {
        Some((at, Some(age))) => format!("{}, {} ago", shown_time(Some(at)), wait(age)),
        Some((at, None)) => shown_time(Some(at)),
        None => "not all are proven".to_owned(),
    };
    let figures = [
        ("Messages that would be lost", counts.messages.on_none.to_string()),
        ("Their size", size(counts.messages.on_none_bytes)),
        ("Airtime to ask for them again", airtime(seconds)),
        ("Charge that takes", charge),
        ("Messages in the mailbox", counts.messages.messages.to_string()),
        ("Messages on fewer sticks than wanted", counts.fewer_copies().0.to_string()),
        ("Messages missing from the card", counts.messages.missing.to_string()),
        ("Messages damaged on the card", counts.messages.damaged.to_string()),
        ("Oldest of their last proofs", oldest),
    ];
    html! {
        h2 { "If this card died now" }
        @for (number, (_, line)) in lines.into_iter().enumerate() {
            p { @if number == 0 { (state(sign, label(verdict))) " " } (Untrusted(line)) }
        }
        @if let Some(worn) = card_use::warning(view.card) { p { (state(StatusMark::Bad, "worn card")) " " (worn) } }
        @if counts.messages.on_none > 0 { p { (view.cost()) } }
        (facts(figures))
    }
}

fn messages(view: &AuditView<'_>) -> Markup {
    let audit = view.audit;
    let step = |message: &ListedMessage| next_step(view, message);
    html! {
        (list("Unmirrored, first seen first", &audit.unmirrored, step))
        (list("Vanished from the mailbox, nobody saw them deleted", &audit.vanished, |m| about_vanished(m).to_owned()))
        (list("Suspect: the new version looks like damage to the card", &audit.suspect, about_suspect))
    }
}

fn list(title: &str, messages: &MessageGroup, note: impl Fn(&ListedMessage) -> String) -> Markup {
    let shown = &messages.listed[..messages.listed.len().min(ROWS)];
    let rest = messages.count().saturating_sub(shown.len() as u64);
    let table = html! {
        table {
            thead {
                tr {
                    th scope="col" .k { "First seen" }
                    th scope="col" .who { "Folder" }
                    th scope="col" .who { "From" }
                    th scope="col" .who { "To" }
                    th scope="col" { "Subject" }
                    th scope="col" .n { "Size" }
                    th scope="col" .n { "Airtime" }
                    th scope="col" { "What to do" }
                }
            }
            tbody { @for message in shown { (row(message, &note(message))) } }
        }
    };
    html! {
        @if messages.count() > 0 {
            h2 { (title) }
            (table_box(title, &table))
            @if rest > 0 {
                p { "And " (count(rest, "more message")) ", listed by " code { "counterfoil audit --csv FILE" } "." }
            }
        }
    }
}

fn row(message: &ListedMessage, note: &str) -> Markup {
    let path = message.path.as_bytes();
    let folder = path.iter().rposition(|&b| b == b'/').map_or(&b""[..], |end| &path[..end]);
    let folder = match folder.is_empty() {
        true => message.mailbox.to_string(),
        false => format!("{}/{}", message.mailbox, escape::shown(folder)),
    };
    let headers = &message.headers;
    let subject = if headers.subject.is_empty() { "(no subject)" } else { &headers.subject };
    html! {
        tr {
            td .k { (shown_time(Some(message.first_seen))) }
            td { (Untrusted(folder)) }
            td { (Untrusted(&headers.from)) }
            td { (Untrusted(&headers.to)) }
            td { (Untrusted(subject)) }
            td .n { (size(message.bytes)) }
            td .n { (airtime(message.seconds)) }
            td { (note) }
        }
    }
}

fn the_drives(view: &AuditView<'_>) -> Markup {
    let table = html! {
        table {
            thead {
                tr {
                    th scope="col" { "Drive" }
                    th scope="col" .n { "Messages" }
                    th scope="col" .n { "Size" }
                    th scope="col" { "State" }
                    th scope="col" .k { "Last seen" }
                    th scope="col" .k { "All re-read" }
                    th scope="col" { "Proofs" }
                }
            }
            tbody { @for drive in view.drives { (drive_row(view, drive)) } }
        }
    };
    html! {
        h2 { "Drives" }
        @if view.drives.is_empty() {
            p { "No drive is here, and none has been used yet." }
        } @else {
            (table_box("Drives", &table))
        }
        @if !view.programs.is_empty() { (programs(view)) }
    }
}

fn programs(view: &AuditView<'_>) -> Markup {
    html! {
        p { (drives::PROGRAMS) }
        ul {
            @for program in &view.programs {
                li { (Untrusted(&program.name)) ": " code { (program.identity.digest) } }
            }
        }
    }
}

fn drive_row(view: &AuditView<'_>, drive: &drives::DriveView) -> Markup {
    let sign = match drive.state.as_str() {
        "safe" => StatusMark::Good,
        "failed" | "full" | "stalled" | "forgotten" | "refused" | "replaced" => StatusMark::Bad,
        _ => StatusMark::Open,
    };
    let proven = drive.ids.and_then(|(row, _)| view.statistics.drives.get(&row)).map(drives::proof);
    html! {
        tr {
            th scope="row" { (Untrusted(&drive.row.label)) }
            td .n { (drive.messages) }
            td .n { (size(drive.bytes)) }
            td {
                (state(sign, notices::drive_state(&drive.state)))
                @if let Some(announced) = &drive.announced { br; (Untrusted(announced)) }
                @if let Some(away) = drives::away(drive) { br; (away) }
                @for line in drives::records(drive) { br; (line) }
                @for Advice { text, command } in drives::remarks(drive) {
                    br; (Untrusted(text))
                    @if let Some(command) = command { br; code { (Untrusted(command)) } }
                }
            }
            td .k { (shown_time(drive.row.last_seen)) }
            td .k { (shown_time(drive.row.last_verified)) }
            td { (proven.unwrap_or_else(|| "no copies of what is in the mailbox".to_owned())) }
        }
    }
}

fn copies(view: &AuditView<'_>) -> Markup {
    html! {
        @if view.audit.counts.messages.messages > 0 {
            h2 { "Copies, the card itself counted" }
            ul { @for line in rules(view) { li { (line) } } li { (view.rehearsal()) } }
        }
    }
}

fn exposure(view: &AuditView<'_>) -> Markup {
    let exposure = &view.statistics.exposure;
    let table = html! {
        table {
            thead { tr { th scope="col" .k { "From (UTC)" } th scope="col" .n { "Messages on the card only" } } }
            tbody {
                @for (at, exposed) in &exposure.steps {
                    tr { td .k { (shown_time(Some(*at))) } td .n { (exposed) } }
                }
            }
        }
    };
    html! {
        @if !exposure.steps.is_empty() {
            h2 { "Time on the card only, from first sight to first proven copy" }
            @for line in waits(view) { p { (line) } }
            (chart::steps(exposure, view.now.time))
            (table_box("Messages on the card only, over time", &table))
        }
    }
}

fn sizes(view: &AuditView<'_>) -> Markup {
    let statistics = view.statistics;
    html! {
        @if statistics.whole.bytes > 0 {
            h2 { "What cost the airtime" }
            p {
                "All of the mailbox: " (size(statistics.whole.bytes)) ", "
                (airtime(statistics.whole.seconds)) " on the air. Ask the heaviest correspondents to leave out \
                 what is quoted and what is attached, where it is not needed."
            }
            p {
                "The bars are numbered as the rows of the tables. Full: text. Dashed: quoted from earlier \
                 messages. Grey with a frame: attachments. Line: headers."
            }
            (size_table("By sender", &statistics.senders, "(sender not known)"))
            (size_table("By folder", &statistics.folders, "(mailbox)"))
        }
    }
}

fn size_table(title: &str, shares: &[SizeGroup], nameless: &str) -> Markup {
    let shown = &shares[..shares.len().min(SHARES)];
    let rest = shares.len().saturating_sub(SHARES) as u64;
    let table = html! {
        table {
            thead {
                tr {
                    th scope="col" .n { "No." }
                    th scope="col" { "Name" }
                    th scope="col" .n { "Messages" }
                    th scope="col" .n { "Size" }
                    th scope="col" .n { "Airtime" }
                    th scope="col" .n { "Text" }
                    th scope="col" .n { "Quoted" }
                    th scope="col" .n { "Attached" }
                    th scope="col" .n { "Headers" }
                }
            }
            tbody {
                @for (number, share) in (1..).zip(shown) {
                    tr {
                        td .n { (number) }
                        th scope="row" { (Untrusted(if share.name.is_empty() { nameless } else { &share.name })) }
                        td .n { (share.messages) }
                        td .n { (size(share.bytes)) }
                        td .n { (airtime(share.seconds)) }
                        td .n { (size(share.breakdown.body)) }
                        td .n { (size(share.breakdown.quoted)) }
                        td .n { (size(share.breakdown.attached)) }
                        td .n { (size(share.head())) }
                    }
                }
            }
        }
    };
    html! {
        h3 { (title) }
        (chart::bars(shown, title))
        (table_box(title, &table))
        @if rest > 0 { p { "And " (rest) " more." } }
    }
}
