//! What drives hold, station by station, for somebody who sees them for the first time.

use super::{count, size, when};
use crate::job::catalogue::CopyCounts;
use crate::job::restore::{Inventory, OfferedStation};
use crate::model::message::Headers;
use crate::model::{Timestamp, escape};
use serde_json::{Value, json};

/// A mailbox in one line.
pub(in crate::cli) fn mailbox(offered: &OfferedStation) -> String {
    let newest = offered.newest.as_ref().map(|headers| format!("; the newest: {}", one(headers)));
    format!(
        "mailbox {}: {}, {}{}",
        offered.name,
        count(offered.messages, "message"),
        size(offered.bytes),
        newest.unwrap_or_default()
    )
}

fn one(headers: &Headers) -> String {
    let subject = if headers.subject.is_empty() { "(no subject)" } else { &headers.subject };
    let date = Timestamp::from_rfc3339(&headers.date);
    let date = date.map(|date| format!(", of {}", when(Some(date)))).unwrap_or_default();
    let from = match headers.from.is_empty() {
        true => String::new(),
        false => format!(", from {}", headers.from),
    };
    escape::shown(format!("{subject}{from}{date}").as_bytes())
}

/// A station in a few lines: where it is, and its mailboxes.
pub(in crate::cli) fn station(inventory: &Inventory) -> Vec<String> {
    let drives: Vec<_> = inventory.drives.iter().map(|(at, _)| at.as_str()).collect();
    let mut lines = vec![format!("station {} on {}", inventory.station, drives.join(", "))];
    lines.extend(inventory.mailboxes.iter().map(|offered| format!("  {}", mailbox(offered))));
    if inventory.mailboxes.is_empty() {
        lines.push("  its ledger is lost: the copies have numbers only".to_owned());
    }
    lines
}

/// How the copies on one drive stand, and whether nothing is wrong with them as far as its ledger tells.
pub(in crate::cli) fn standing(standing: &CopyCounts) -> (bool, String) {
    let bad = [
        (standing.damaged, "damaged"),
        (standing.missing, "not there any more"),
        (standing.claimed, "told of behind a break in the ledger"),
    ];
    let mut words = vec![match (standing.whole, standing.reread) {
        (whole, 0) => format!("{} read back when they were made", count_copies(whole)),
        (whole, reread) => {
            format!("{}, {reread} of them read again since", count_copies(whole))
        }
    }];
    if let Some(oldest) = standing.oldest {
        words.push(format!("the longest ago {}", when(Some(oldest))));
    }
    let is_whole = bad.iter().all(|(copies, _)| *copies == 0);
    let wrong = bad.into_iter().filter(|(copies, _)| *copies > 0);
    words.extend(wrong.map(|(copies, what)| format!("{copies} {what}")));
    if standing.debris > 0 {
        words.push(format!("{} left by a cut, as it seems", standing.debris));
    }
    (is_whole, words.join("; "))
}

fn count_copies(copies: u64) -> String {
    if copies == 1 { "1 copy".to_owned() } else { format!("{copies} copies") }
}

/// A station for scripts.
pub(in crate::cli) fn json(inventory: &Inventory) -> Value {
    let mailboxes: Vec<_> = inventory
        .mailboxes
        .iter()
        .map(|offered| {
            json!({
                "mailbox": offered.name.as_str(),
                "messages": offered.messages,
                "bytes": offered.bytes,
                "newest": offered.newest.as_ref().map(|headers| json!({
                    "from": headers.from,
                    "to": headers.to,
                    "subject": headers.subject,
                    "date": headers.date,
                })),
            })
        })
        .collect();
    let drives: Vec<_> = inventory
        .drives
        .iter()
        .map(|(at, standing)| {
            json!({
                "at": at,
                "copies": standing.whole,
                "bytes": standing.bytes,
                "reread": standing.reread,
                "oldest_proof": standing.oldest.map(Timestamp::to_rfc3339),
                "claimed": standing.claimed,
                "damaged": standing.damaged,
                "missing": standing.missing,
                "doubtful": standing.debris,
            })
        })
        .collect();
    json!({
        "station": inventory.station.as_str(),
        "messages": inventory.messages(),
        "mailboxes": mailboxes,
        "drives": drives,
        "ledgers_whole": inventory.ledgers_whole,
    })
}
