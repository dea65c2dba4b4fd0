//! The audit: what would be lost if the card died now, and why.

use super::{clipped, count, drives, json_path, plural, size, when};
use crate::cli::notices;
use crate::cli::output::{Output, Tone};
use crate::job::audit::{Audit, List, Listed};
use crate::model::limits::LISTED_MAX;
use crate::model::{Stamp, StationName};
use serde_json::{Map, Value, json};

/// Messages shown on a terminal; the rest is counted, and is all in the JSON.
const SHOWN: usize = 40;

pub(in crate::cli) fn json(
    audit: &Audit,
    station: &StationName,
    now: &Stamp,
    drives: Vec<Value>,
) -> Value {
    json!({
        "schema": 1,
        "station": station.as_str(),
        "generated": now.time.to_rfc3339(),
        "clock_trusted": now.trusted,
        "messages": {
            "total": audit.messages,
            "bytes": audit.bytes,
            "mirrored": audit.mirrored,
            "unmirrored": audit.unmirrored.count(),
            "suspect": audit.suspect.count(),
            "vanished": audit.vanished.count(),
        },
        "unmirrored": audit.unmirrored.listed.iter().map(listed).collect::<Vec<_>>(),
        "vanished": audit.vanished.listed.iter().map(listed).collect::<Vec<_>>(),
        "suspect": audit.suspect.listed.iter().map(listed).collect::<Vec<_>>(),
        "drives": drives,
    })
}

fn listed(message: &Listed) -> Value {
    let mut object = Map::new();
    object.insert("mailbox".into(), json!(message.mailbox.as_str()));
    json_path(&mut object, &message.path);
    object.insert("bytes".into(), json!(message.bytes));
    object.insert("sha256".into(), json!(message.digest.map(|d| d.to_string())));
    object.insert("reason".into(), json!(message.reason.map(|r| r.as_str())));
    if let Some(suspect) = message.suspect {
        object.insert("suspect".into(), json!(suspect.as_str()));
    }
    object.insert("from".into(), json!(message.headers.from));
    object.insert("to".into(), json!(message.headers.to));
    object.insert("subject".into(), json!(message.headers.subject));
    object.insert("date".into(), json!(message.headers.date));
    object.insert("first_seen".into(), json!(message.first_seen.to_rfc3339()));
    Value::Object(object)
}

pub(in crate::cli) fn text(
    output: &Output,
    audit: &Audit,
    station: &StationName,
    now: &Stamp,
    drives: &[drives::Shown],
) {
    headline(output, audit, station);
    if audit.unmirrored.count() > 0 {
        output.line("");
        output.line(output.tone(Tone::Strong, "Unmirrored, first seen first"));
        list(output, &audit.unmirrored, |message| {
            message.reason.map(|r| format!("{r}: {}", notices::next_step(r))).unwrap_or_default()
        });
    }
    if audit.vanished.count() > 0 {
        output.line("");
        output
            .line(output.tone(Tone::Strong, "Vanished from the mailbox, nobody saw them deleted"));
        list(output, &audit.vanished, |message| match message.reason {
            None => "on a drive: counterfoil restore brings it back".to_owned(),
            Some(_) => "on no drive known here".to_owned(),
        });
    }
    if audit.suspect.count() > 0 {
        output.line("");
        output.line(
            output.tone(Tone::Strong, "Suspect: the new version looks like damage to the card"),
        );
        list(output, &audit.suspect, |message| {
            let what = message.suspect.map_or("", |s| s.as_str());
            format!("{what}: restore gives the last good version")
        });
    }
    output.line("");
    drives::table(output, drives);
    if !now.trusted {
        output.line("");
        output.line("Times are the station's own; nothing vouches for its clock.");
    }
}

/// The answer first, in one sentence.
pub(in crate::cli) fn headline(output: &Output, audit: &Audit, station: &StationName) {
    let lost = audit.unmirrored.count();
    let text = if lost > 0 {
        let text = format!(
            "{station}: if this card died now, {lost} of {} ({}) would be lost.",
            count(audit.messages, "message"),
            size(audit.unmirrored.bytes())
        );
        output.tone(Tone::Bad, &text)
    } else {
        let text = format!(
            "{station}: if this card died now, nothing would be lost: {} ({}) {} on a drive, proven.",
            count(audit.messages, "message"),
            size(audit.bytes),
            if audit.messages == 1 { "is" } else { "are" }
        );
        output.tone(Tone::Good, &text)
    };
    output.line(text);
    let gone = audit.vanished.with_reason();
    if gone > 0 {
        let text = format!(
            "{} vanished from the mailbox and {} on no drive known here.",
            count(gone, "message"),
            if gone == 1 { "is" } else { "are" }
        );
        output.line(output.tone(Tone::Bad, &text));
    }
}

fn list(output: &Output, messages: &List, note: impl Fn(&Listed) -> String) {
    for message in messages.listed.iter().take(SHOWN) {
        let path = format!("{}/{}", message.mailbox, message.path);
        let line = format!(
            "  {:<48} {:>9}  {}",
            clipped(&path, 48),
            size(message.bytes),
            when(Some(message.first_seen))
        );
        output.line(line);
        let headers = &message.headers;
        if !headers.subject.is_empty() || !headers.from.is_empty() {
            let subject = match headers.subject.is_empty() {
                true => "(no subject)",
                false => &headers.subject,
            };
            output.line(format!(
                "    {}  from {}",
                clipped(subject, 40),
                clipped(&headers.from, 32)
            ));
        }
        output.line(format!("    {}", note(message)));
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
