//! The audit's messages as a table for a spreadsheet: every message that is unmirrored, vanished or suspect.

use super::super::csv as file;
use super::{AuditView, about_suspect, about_vanished};
use crate::cli::notices::{self, CliError};
use crate::job::report::audit::ListedMessage;
use crate::model::airtime::minutes;
use crate::model::escape;

const HEADS: [&str; 14] = [
    "What",
    "Mailbox",
    "Folder",
    "File",
    "First seen (UTC)",
    "Dated (UTC)",
    "From",
    "To",
    "Subject",
    "Bytes",
    "Airtime, min",
    "Reason",
    "Next step",
    "SHA-256",
];

pub(in crate::cli) fn csv(view: &AuditView<'_>) -> Result<Vec<u8>, CliError> {
    let audit = view.audit;
    let unmirrored = audit.unmirrored.listed.iter().map(|message| {
        let next = message.reason.map(notices::next_step).unwrap_or_default();
        row("unmirrored", message, next.to_owned())
    });
    let vanished =
        audit.vanished.listed.iter().map(|m| row("vanished", m, about_vanished(m).to_owned()));
    let suspect = audit.suspect.listed.iter().map(|m| row("suspect", m, about_suspect(m)));
    file::table(&HEADS, unmirrored.chain(vanished).chain(suspect))
}

fn row(what: &str, message: &ListedMessage, next: String) -> [String; 14] {
    let path = escape::exact(message.path.as_bytes());
    let (folder, name) = path.rsplit_once('/').unwrap_or(("", &path));
    let headers = &message.headers;
    [
        what.to_owned(),
        message.mailbox.to_string(),
        folder.to_owned(),
        name.to_owned(),
        message.first_seen.to_rfc3339(),
        headers.date.clone(),
        headers.from.clone(),
        headers.to.clone(),
        headers.subject.clone(),
        message.bytes.to_string(),
        message.seconds.map_or("unknown".to_owned(), |seconds| minutes(seconds).to_string()),
        message.reason.map(|reason| reason.to_string()).unwrap_or_default(),
        next,
        message.digest.map(|digest| digest.to_string()).unwrap_or_default(),
    ]
}
