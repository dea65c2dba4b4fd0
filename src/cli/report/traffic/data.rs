//! The communications log for scripts and for spreadsheets.
//! Never leaves out what the log as text says of a message.

use super::log::{HEADS, Head, LogSheet};
use crate::cli::notices::CliError;
use crate::cli::report::csv as tables;
use crate::job::report::traffic::{Direction, LogEntry};
use crate::model::json::PathJson;
use crate::model::{Digest, StationName, Timestamp};
use serde::Serialize;

/// The JSON of `traffic`.
#[derive(Serialize)]
struct TrafficJson<'a> {
    station: &'a StationName,
    generated: Timestamp,
    clock_trusted: bool,
    #[serde(flatten)]
    head: &'a Head,
    zone: String,
    from: Option<Timestamp>,
    until: Option<Timestamp>,
    totals: TrafficTotals,
    outside: Outside,
    messages: Vec<EntryJson<'a>>,
}

#[derive(Serialize)]
struct TrafficTotals {
    received: u64,
    sent: u64,
    unknown: u64,
}

#[derive(Serialize)]
struct Outside {
    messages: u64,
    clock_untrusted: u64,
}

#[derive(Serialize)]
struct EntryJson<'a> {
    direction: Option<&'static str>,
    first_seen: Option<Timestamp>,
    clock_trusted: bool,
    sha256: Digest,
    bytes: u64,
    #[serde(flatten)]
    path: PathJson,
    in_mailbox: bool,
    suspect: bool,
    from: Option<&'a str>,
    to: Option<&'a str>,
    /// Not there where subjects are left out; null where the headers are not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    subject: Option<Option<&'a str>>,
    date: Option<&'a str>,
}

pub(in crate::cli) fn json<'a>(log: &'a LogSheet<'_>) -> impl Serialize + 'a {
    let (received, sent, unknown) = log.sums();
    let bound = |seconds, none| (seconds != none).then(|| time(seconds));
    TrafficJson {
        station: log.station,
        generated: log.prepared.time,
        clock_trusted: log.prepared.trusted,
        head: &log.head,
        zone: log.zone.name(),
        from: bound(log.span.from, i64::MIN),
        until: bound(log.span.until, i64::MAX),
        totals: TrafficTotals { received, sent, unknown },
        outside: Outside {
            messages: log.traffic.outside,
            clock_untrusted: log.traffic.outside_unsure,
        },
        messages: log.traffic.entries.iter().map(|entry| entry_json(log, entry)).collect(),
    }
}

fn time(seconds: i64) -> Timestamp {
    Timestamp { seconds, nanos: 0 }
}

fn entry_json<'a>(log: &LogSheet<'_>, entry: &'a LogEntry) -> EntryJson<'a> {
    let headers = entry.headers.as_ref();
    EntryJson {
        direction: match entry.direction {
            Direction::Received => Some("received"),
            Direction::Sent => Some("sent"),
            Direction::Unknown => None,
        },
        first_seen: entry.seen.map(|(seconds, _)| time(seconds)),
        clock_trusted: entry.seen.is_some_and(|(_, trusted)| trusted),
        sha256: entry.identity.digest,
        bytes: entry.identity.bytes,
        path: entry.path.as_ref().into(),
        in_mailbox: entry.in_mailbox,
        suspect: entry.suspect,
        from: headers.map(|headers| &*headers.from),
        to: headers.map(|headers| &*headers.to),
        subject: log.with_subjects.then(|| headers.map(|headers| &*headers.subject)),
        date: headers.map(|headers| &*headers.date),
    }
}

/// A row a message and nothing else, so that it can be sorted and counted; the date is a column of its own.
pub(in crate::cli) fn csv(log: &LogSheet<'_>) -> Result<Vec<u8>, CliError> {
    let heads: Vec<_> = ["DATE"].into_iter().chain(HEADS).chain(["DIRECTION", "SHA-256"]).collect();
    let rows = log.rows().zip(&log.traffic.entries).map(|(row, entry)| {
        let way = match entry.direction {
            Direction::Received => "received",
            Direction::Sent => "sent",
            Direction::Unknown => "not known",
        };
        [
            row.date,
            row.time,
            row.from.to_owned(),
            row.from_number,
            row.to.to_owned(),
            row.to_number,
            row.subject,
            way.to_owned(),
            entry.identity.digest.to_string(),
        ]
    });
    tables::table(&heads, rows)
}
