//! The audit, as text, JSON, a table for a spreadsheet and a page: one report in four forms.
//! Never gives a figure without what it rests on, and never an unknown one as zero.

mod audit_view;
mod chart;
mod html;
mod json;
mod table;
mod text;

pub(in crate::cli) use audit_view::AuditView;
pub(in crate::cli) use html::page;
pub(in crate::cli) use json::json;
pub(in crate::cli) use table::csv;
pub(in crate::cli) use text::text;

use super::count;
use crate::cli::notices;
use crate::job::report::audit::ListedMessage;

/// Why a message is not on enough drives, and what to do.
fn next_step(view: &AuditView<'_>, message: &ListedMessage) -> String {
    let Some(reason) = message.reason else { return String::new() };
    let step = format!("{reason}: {}", notices::next_step(reason));
    match message.copies {
        0 => step,
        copies if copies >= view.wanted_copies => {
            format!("on a stick's list of copies, not compared with the mailbox yet; {step}")
        }
        copies => {
            let copies = count(copies.into(), "copy").replace("copys", "copies");
            format!("{copies}, {} wanted; {step}", view.wanted_copies)
        }
    }
}

/// What restore would do about a message that vanished.
fn about_vanished(message: &ListedMessage) -> &'static str {
    match (message.reason, message.is_displaced) {
        (None, false) => "on a drive: counterfoil restore brings it back",
        (None, true) => {
            "another version is in its place, perhaps one that the card has damaged. To compare the two, plug in a \
             stick that has this one, and type: counterfoil mirror. To bring this one back next to the other: \
             counterfoil restore"
        }
        (Some(_), false) => "on no drive known here",
        (Some(_), true) => {
            "another version is in its place, and this one is on no drive known here"
        }
    }
}

/// What is suspect, and what restore would do about it.
fn about_suspect(message: &ListedMessage) -> String {
    let what = message.suspect.map_or("", |s| s.as_str());
    match message.reason {
        None => format!("{what}: restore gives the last good version"),
        Some(_) => format!("{what}: the last good version is on no drive known here"),
    }
}
