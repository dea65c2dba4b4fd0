//! What drives hold, station by station, for somebody who sees them for the first time.

use super::{count, shown_time, size};
use crate::job::report::inventory::{DriveInventory, Inventory, MailboxInventory};
use crate::model::message::Headers;
use crate::model::{Timestamp, escape};

/// A mailbox in one line.
pub(in crate::cli) fn mailbox(found: &MailboxInventory) -> String {
    let newest =
        found.newest.as_ref().map(|headers| format!("; the newest: {}", message_line(headers)));
    format!(
        "mailbox {}: {}, {}{}",
        found.name,
        count(found.messages, "message"),
        size(found.bytes),
        newest.unwrap_or_default()
    )
}

fn message_line(headers: &Headers) -> String {
    let subject = if headers.subject.is_empty() { "(no subject)" } else { &headers.subject };
    let date = Timestamp::from_rfc3339(&headers.date);
    let date = date.map(|date| format!(", of {}", shown_time(Some(date)))).unwrap_or_default();
    let from = match headers.from.is_empty() {
        true => String::new(),
        false => format!(", from {}", headers.from),
    };
    escape::shown(format!("{subject}{from}{date}").as_bytes())
}

/// A station in a few lines: where it is, and its mailboxes.
pub(in crate::cli) fn station(inventory: &Inventory) -> Vec<String> {
    let drives: Vec<_> = inventory.drives.iter().map(|drive| drive.at.as_str()).collect();
    let mut lines = vec![format!("station {} on {}", inventory.station, drives.join(", "))];
    lines.extend(inventory.mailboxes.iter().map(|found| format!("  {}", mailbox(found))));
    if inventory.mailboxes.is_empty() {
        lines.push("  its ledger is lost: the copies have numbers only".to_owned());
    }
    lines
}

/// The copies on one drive, as far as its ledger says.
pub(in crate::cli) fn drive(drive: &DriveInventory) -> String {
    let mut words = vec![match (drive.copies, drive.read_again) {
        (copies, 0) => format!("{} read back when they were made", count_copies(copies)),
        (copies, read_again) => {
            format!("{}, {read_again} of them read again since", count_copies(copies))
        }
    }];
    if let Some(oldest) = drive.oldest_proof {
        words.push(format!("the longest ago {}", shown_time(Some(oldest))));
    }
    let wrong = [
        (drive.damaged, "damaged"),
        (drive.missing, "not there any more"),
        (drive.claimed, "named only past a break in the ledger"),
        (drive.doubtful, "left by a power failure, as it seems"),
    ];
    let wrong = wrong.into_iter().filter(|(copies, _)| *copies > 0);
    words.extend(wrong.map(|(copies, what)| format!("{copies} {what}")));
    words.join("; ")
}

fn count_copies(copies: u64) -> String {
    if copies == 1 { "1 copy".to_owned() } else { format!("{copies} copies") }
}
