//! What reading every copy again found.

use super::count;
use crate::cli::output::{Output, Style};
use crate::job::JobError;
use crate::job::catalogue::{Log, LogDamage};
use crate::job::replica::verify::{BadCopy, VerifyReport};
use crate::model::json::PathJson;
use crate::model::{Digest, DriveId, Finding, PayloadName};
use serde::Serialize;

/// One drive's part.
pub(in crate::cli) struct Verified {
    pub label: String,
    pub id: Option<DriveId>,
    pub findings: Vec<Finding>,
    /// What was found of its ledger and its manifest.
    pub logs: Vec<LogDamage>,
    /// Some of it is still damaged.
    pub logs_damaged: bool,
    pub outcome: Result<VerifyReport, JobError>,
}

/// The JSON of `verify`: all drives together.
#[derive(Default, Serialize)]
struct VerifyJson<'a> {
    checked: u64,
    good: u64,
    superseded: u64,
    damaged: Vec<BadCopyJson<'a>>,
    missing: Vec<BadCopyJson<'a>>,
    ledger: Vec<DamagedLogJson>,
    manifest: Vec<DamagedLogJson>,
    errors: Vec<ErrorJson<'a>>,
}

#[derive(Serialize)]
struct BadCopyJson<'a> {
    drive: Option<DriveId>,
    payload: &'a PayloadName,
    sha256: Digest,
    #[serde(flatten)]
    path: PathJson,
}

#[derive(Serialize)]
struct DamagedLogJson {
    drive: Option<DriveId>,
    at: u64,
    lines: u64,
    unreadable: bool,
    written_again: bool,
}

#[derive(Serialize)]
struct ErrorJson<'a> {
    drive: &'a str,
    error: String,
}

pub(in crate::cli) fn json(drives: &[Verified]) -> impl Serialize {
    let mut all = VerifyJson::default();
    for drive in drives {
        for damage in &drive.logs {
            let log = match damage.log {
                Log::Ledger => &mut all.ledger,
                Log::Manifest => &mut all.manifest,
            };
            log.push(DamagedLogJson {
                drive: drive.id,
                at: damage.offset,
                lines: damage.lines,
                unreadable: damage.unreadable,
                written_again: !drive.logs_damaged,
            });
        }
        match &drive.outcome {
            Ok(report) => {
                let bad = |copy| bad_copy(drive.id, copy);
                all.checked += report.checked;
                all.good += report.good;
                all.superseded += report.superseded;
                all.damaged.extend(report.damaged.iter().map(bad));
                all.missing.extend(report.missing.iter().map(bad));
            }
            Err(error) => {
                all.errors.push(ErrorJson { drive: &drive.label, error: error.to_string() });
            }
        }
    }
    all
}

fn bad_copy(drive: Option<DriveId>, copy: &BadCopy) -> BadCopyJson<'_> {
    let path = copy.path.as_ref().into();
    BadCopyJson { drive, payload: &copy.payload, sha256: copy.expected, path }
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
                output.styled(Style::Bad, "the records of it are not whole")
            }
            0 => output.styled(Style::Good, "every message is whole"),
            _ => output.styled(Style::Bad, &format!("{bad} not as written")),
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
            output.line(format!(
                "  {copies} bad, with another copy of the same message that is good"
            ));
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
    let LogDamage { log, offset, lines, unreadable } = *damage;
    let what = match log {
        Log::Ledger => "ledger",
        Log::Manifest => "manifest",
    };
    let lines = count(lines, "line");
    match (unreadable, drive.logs_damaged) {
        (true, _) => format!(
            "{what}: the drive does not give it from byte {offset} on. Use another drive as well, and replace this one"
        ),
        (false, true) => format!(
            "{what}: {lines} damaged, from byte {offset} on. Make the drive writable, then type: counterfoil mirror"
        ),
        (false, false) => {
            format!("{what}: {lines} damaged, from byte {offset} on; written again now")
        }
    }
}
