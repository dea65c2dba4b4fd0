//! The communications log for scripts and for spreadsheets.
//! Never leaves out what the log in words tells of a message.

use super::log::{HEADS, Log};
use crate::cli::notices::CliError;
use crate::cli::report::{csv as tables, json_path};
use crate::job::traffic::{Direction, LogEntry};
use crate::model::Timestamp;
use serde_json::{Map, Value, json};

pub(in crate::cli) fn json(log: &Log<'_>) -> Value {
    let (received, sent, unknown) = log.sums();
    let time = |seconds: i64| Timestamp { seconds, nanos: 0 }.to_rfc3339();
    let bound = |seconds, none| (seconds != none).then(|| time(seconds));
    let messages: Vec<_> = log.traffic.passed.iter().map(|passed| message(log, passed)).collect();
    json!({
        "schema": 1,
        "station": log.station.as_str(),
        "generated": log.prepared.time.to_rfc3339(),
        "clock_trusted": log.prepared.trusted,
        "incident": log.head.incident,
        "activation": log.head.activation,
        "operator": log.head.operator,
        "prepared_by": log.head.prepared_by,
        "zone": log.zone.name(),
        "from": bound(log.span.from, i64::MIN),
        "until": bound(log.span.until, i64::MAX),
        "totals": {"received": received, "sent": sent, "unknown": unknown},
        "outside": {"messages": log.traffic.outside, "clock_untrusted": log.traffic.outside_unsure},
        "messages": messages,
    })
}

fn message(log: &Log<'_>, passed: &LogEntry) -> Value {
    let mut object = Map::new();
    let way = match passed.way {
        Direction::Received => Some("received"),
        Direction::Sent => Some("sent"),
        Direction::Unknown => None,
    };
    let time = |(seconds, _)| Timestamp { seconds, nanos: 0 }.to_rfc3339();
    object.insert("direction".into(), json!(way));
    object.insert("first_seen".into(), json!(passed.seen.map(time)));
    object.insert("clock_trusted".into(), json!(passed.seen.is_some_and(|(_, trusted)| trusted)));
    object.insert("sha256".into(), json!(passed.identity.digest.to_string()));
    object.insert("bytes".into(), json!(passed.identity.bytes));
    match &passed.path {
        Some(path) => json_path(&mut object, path),
        None => {
            object.insert("path".into(), Value::Null);
        }
    }
    object.insert("in_mailbox".into(), json!(passed.here));
    object.insert("suspect".into(), json!(passed.suspect));
    let headers = passed.headers.as_ref();
    object.insert("from".into(), json!(headers.map(|h| &h.from)));
    object.insert("to".into(), json!(headers.map(|h| &h.to)));
    if log.with_subjects {
        object.insert("subject".into(), json!(headers.map(|h| &h.subject)));
    }
    object.insert("date".into(), json!(headers.map(|h| &h.date)));
    Value::Object(object)
}

/// A row a message and nothing else, so that it can be sorted and counted; the date is a column of its own.
pub(in crate::cli) fn csv(log: &Log<'_>) -> Result<Vec<u8>, CliError> {
    let heads: Vec<_> = ["DATE"].into_iter().chain(HEADS).chain(["DIRECTION", "SHA-256"]).collect();
    let rows = log.rows().zip(&log.traffic.passed).map(|(row, passed)| {
        let way = match passed.way {
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
            passed.identity.digest.to_string(),
        ]
    });
    tables::table(&heads, rows)
}
