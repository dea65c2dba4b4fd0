//! What reading every copy again found.

use super::{count, json_path};
use crate::cli::output::{Output, Tone};
use crate::job::JobError;
use crate::job::catalogue::{Log, LogDamage};
use crate::job::verify::{BadCopy, VerifyReport};
use crate::model::{DriveId, Finding};
use serde_json::{Map, Value, json};

/// One drive's part.
pub(in crate::cli) struct Verified {
    pub label: String,
    pub id: Option<DriveId>,
    pub findings: Vec<Finding>,
    /// What was found of its ledger and its manifest.
    pub logs: Vec<LogDamage>,
    /// Some of that is still so.
    pub logs_damaged: bool,
    pub outcome: Result<VerifyReport, JobError>,
}

pub(in crate::cli) fn json(drives: &[Verified]) -> Value {
    let sum = |of: fn(&VerifyReport) -> u64| -> u64 {
        drives.iter().filter_map(|d| d.outcome.as_ref().ok()).map(of).sum()
    };
    let all = |of: fn(&VerifyReport) -> &Vec<BadCopy>| -> Vec<Value> {
        drives
            .iter()
            .filter_map(|d| d.outcome.as_ref().ok().map(|report| (d, report)))
            .flat_map(|(d, report)| of(report).iter().map(|copy| bad_copy(d, copy)))
            .collect()
    };
    let logs = |which: Log| -> Vec<Value> {
        let of = |d: &Verified| {
            let found = d.logs.iter().filter(|damage| damage.log == which);
            found.map(|damage| damaged_log(d, damage)).collect::<Vec<_>>()
        };
        drives.iter().flat_map(of).collect()
    };
    let errors: Vec<_> = drives
        .iter()
        .filter_map(|d| {
            d.outcome.as_ref().err().map(|e| json!({"drive": d.label, "error": e.to_string()}))
        })
        .collect();
    json!({
        "schema": 1,
        "checked": sum(|r| r.checked),
        "good": sum(|r| r.good),
        "superseded": sum(|r| r.superseded),
        "damaged": all(|r| &r.damaged),
        "missing": all(|r| &r.missing),
        "ledger": logs(Log::Ledger),
        "manifest": logs(Log::Manifest),
        "errors": errors,
    })
}

fn damaged_log(drive: &Verified, damage: &LogDamage) -> Value {
    json!({
        "drive": drive.id.map(|id| id.to_string()),
        "at": damage.at,
        "lines": damage.lines,
        "unreadable": damage.unreadable,
        "written_again": !drive.logs_damaged,
    })
}

fn bad_copy(drive: &Verified, copy: &BadCopy) -> Value {
    let mut object = Map::new();
    object.insert("drive".into(), json!(drive.id.map(|id| id.to_string())));
    object.insert("payload".into(), json!(copy.payload.to_string()));
    object.insert("sha256".into(), json!(copy.expected.to_string()));
    match &copy.path {
        Some(path) => json_path(&mut object, path),
        None => {
            object.insert("path".into(), Value::Null);
        }
    }
    Value::Object(object)
}

pub(in crate::cli) fn text(output: &Output, drives: &[Verified]) {
    for drive in drives {
        let report = match &drive.outcome {
            Ok(report) => report,
            Err(error) => {
                output.warn(format!("{}: {error}", drive.label));
                continue;
            }
        };
        let bad = report.damaged.len() + report.missing.len();
        let verdict = match bad {
            0 if !drive.logs.is_empty() => {
                output.tone(Tone::Bad, "the records of it are not whole")
            }
            0 => output.tone(Tone::Good, "every message is whole"),
            _ => output.tone(Tone::Bad, &format!("{bad} not as written")),
        };
        output.line(format!(
            "{}: {} re-read, {} good, {verdict}",
            drive.label,
            count(report.checked, "copy").replace("copys", "copies"),
            report.good
        ));
        for damage in &drive.logs {
            output.wrapped(&format!("  {}", log_line(drive, damage)));
        }
        if report.superseded > 0 {
            let copies = report.superseded;
            output.line(format!("  {copies} bad, with a good copy of the same message beside it"));
        }
        for (what, list) in [("damaged", &report.damaged), ("missing", &report.missing)] {
            for copy in list {
                let path = copy
                    .path
                    .as_ref()
                    .map_or("a message no longer known".into(), ToString::to_string);
                output.line(format!("  {what}: {} ({path})", copy.payload));
            }
        }
        if bad > 0 {
            output.line(
                "  counterfoil mirror copies them again, from the mailbox or another drive, under new numbers",
            );
        }
    }
}

/// What was found of a log, and what becomes of it.
fn log_line(drive: &Verified, damage: &LogDamage) -> String {
    let LogDamage { log, at, lines, unreadable } = *damage;
    let what = match log {
        Log::Ledger => "ledger",
        Log::Manifest => "manifest",
    };
    let lines = count(lines, "line");
    match (unreadable, drive.logs_damaged) {
        (true, _) => format!(
            "{what}: the drive does not give it from byte {at} on. Use another drive as well, and replace this one"
        ),
        (false, true) => format!(
            "{what}: {lines} damaged, from byte {at} on. Make the drive writable, then type: counterfoil mirror"
        ),
        (false, false) => format!("{what}: {lines} damaged, from byte {at} on; written again now"),
    }
}
