//! The audit as one JSON object. What is not known is null.

use super::super::json_path;
use super::AuditView;
use crate::job::audit::ListedMessage;
use crate::job::statistics::SizeGroup;
use serde_json::{Map, Value, json};

/// Senders and folders in the object, the heaviest; the rest is in the table for a spreadsheet.
const SHARES: usize = 50;

pub(in crate::cli) fn json(view: &AuditView<'_>, drives: Vec<Value>) -> Value {
    let AuditView { audit, statistics, now, .. } = *view;
    let kept = view.kept();
    let listed = |messages: &[ListedMessage]| messages.iter().map(listed).collect::<Vec<_>>();
    let shares = |shares: &[SizeGroup]| shares.iter().take(SHARES).map(share).collect::<Vec<_>>();
    let more = json!({
        "schema": 1,
        "station": view.station.as_str(),
        "generated": now.time.to_rfc3339(),
        "clock_trusted": now.trusted,
        "at_risk": {
            "messages": audit.counts.messages.on_none,
            "bytes": audit.counts.messages.on_none_bytes,
            "airtime_seconds": view.seconds_at_risk(),
            "amp_hours": view.charge_at_risk(),
        },
        "unmirrored": listed(&audit.unmirrored.listed),
        "vanished": listed(&audit.vanished.listed),
        "suspect": listed(&audit.suspect.listed),
        "drives": drives,
        "copies": {
            "wanted": view.wanted_copies,
            "messages_by_copies": statistics.copies,
            "elsewhere": statistics.elsewhere,
            "oldest_proof": statistics.oldest_proof.map(|at| at.to_rfc3339()),
        },
        "rehearsed": view.rehearsed.map(|at| at.to_rfc3339()),
        "keeping": {
            "copies": kept.copies(),
            "media": kept.kinds(),
            "elsewhere": kept.elsewhere(),
            "storage_level": kept.storage_level(),
            "fixity_level": kept.fixity_level(),
        },
        "exposure": {
            "worst_seconds": statistics.exposure.worst,
            "median_seconds": statistics.exposure.median,
            "proven": statistics.exposure.proven,
            "waiting": statistics.exposure.waiting,
            "unknown": statistics.exposure.unknown,
            "steps": statistics.exposure.steps.iter()
                .map(|(at, exposed)| json!([at.to_rfc3339(), exposed]))
                .collect::<Vec<_>>(),
        },
        "weight": {
            "all": share(&statistics.whole),
            "senders": shares(&statistics.senders),
            "folders": shares(&statistics.folders),
        },
        "assumed": {
            "bits_per_second": view.link.bits_per_second,
            "efficiency": view.link.efficiency,
            "burst_seconds": view.link.burst,
            "turnaround_seconds": view.link.turnaround,
            "loss": view.link.loss,
            "receive_amps": view.power.receive_amps,
            "transmit_amps": view.power.transmit_amps,
            "duty": view.power.duty,
            "usable_amp_hours": view.power.usable_amp_hours(),
            "daily_amp_hours": view.power.daily_amp_hours,
        },
    });
    let mut object = view.summary.json();
    if let Value::Object(more) = more {
        object.extend(more);
    }
    Value::Object(object)
}

fn share(share: &SizeGroup) -> Value {
    json!({
        "name": share.name,
        "messages": share.messages,
        "bytes": share.bytes,
        "body": share.weight.body,
        "quoted": share.weight.quoted,
        "attached": share.weight.attached,
        "headers": share.head(),
        "airtime_seconds": share.seconds,
    })
}

fn listed(message: &ListedMessage) -> Value {
    let mut object = Map::new();
    object.insert("mailbox".into(), json!(message.mailbox.as_str()));
    json_path(&mut object, &message.path);
    object.insert("bytes".into(), json!(message.bytes));
    object.insert("airtime_seconds".into(), json!(message.seconds));
    object.insert("sha256".into(), json!(message.digest.map(|d| d.to_string())));
    object.insert("copies".into(), json!(message.copies));
    object.insert("reason".into(), json!(message.reason.map(|r| r.as_str())));
    if let Some(suspect) = message.suspect {
        object.insert("suspect".into(), json!(suspect.as_str()));
    }
    object.insert("displaced".into(), json!(message.is_displaced));
    object.insert("from".into(), json!(message.headers.from));
    object.insert("to".into(), json!(message.headers.to));
    object.insert("subject".into(), json!(message.headers.subject));
    object.insert("date".into(), json!(message.headers.date));
    object.insert("first_seen".into(), json!(message.first_seen.to_rfc3339()));
    Value::Object(object)
}
