//! What a mirror pass did, drive by drive.

use super::verdict::Summary;
use super::{count, size};
use crate::cli::notices;
use crate::cli::output::{Output, Tone};
use crate::job::catalogue::DriveRow;
use crate::job::sync_drive::SyncOutcome;
use serde_json::{Value, json};

/// Sums over all drives.
#[derive(Debug, Clone, Copy, Default)]
pub(in crate::cli) struct Sums {
    pub copied: u64,
    pub already: u64,
    pub failed: u64,
    pub bytes: u64,
}

/// Adds up rounds; `present` is the number of messages in the mailboxes.
pub(in crate::cli) fn sums(rounds: &[SyncOutcome], present: u64) -> Sums {
    let mut sums = Sums::default();
    for round in rounds {
        match &round.outcome {
            Ok(report) => {
                let failed = report.failed_count();
                sums.copied += report.copied;
                sums.bytes += report.bytes;
                sums.failed += failed;
                sums.already += present.saturating_sub(report.copied + failed);
            }
            Err(_) => sums.failed += present,
        }
    }
    sums
}

pub(in crate::cli) fn json(
    rounds: &[SyncOutcome],
    known: &[Option<DriveRow>],
    sums: Sums,
    summary: &Summary<'_>,
) -> Value {
    let drives: Vec<_> = rounds
        .iter()
        .zip(known)
        .map(|(round, known)| {
            let done = round.outcome.as_ref().ok();
            json!({
                "label": round.label,
                "id": round.drive.map(|(id, _)| id.to_string()),
                "state": round.state(),
                "counts": known.as_ref().is_some_and(|row| row.counts),
                "same_device_as": known.as_ref().and_then(|row| row.same_device.as_deref()),
                "copied": done.map(|r| r.copied),
                "bytes": done.map(|r| r.bytes),
                "noted": done.map(|r| r.noted),
                "failed": done.map(|r| r.failed_count()),
                "error": round.outcome.as_ref().err().map(ToString::to_string),
            })
        })
        .collect();
    let mut object = summary.json();
    object.insert("schema".into(), json!(1));
    object.insert("copied".into(), json!(sums.copied));
    object.insert("already".into(), json!(sums.already));
    object.insert("failed".into(), json!(sums.failed));
    object.insert("bytes".into(), json!(sums.bytes));
    object.insert("drives".into(), json!(drives));
    Value::Object(object)
}

pub(in crate::cli) fn text(output: &Output, rounds: &[SyncOutcome]) {
    for round in rounds {
        match &round.outcome {
            Ok(report) => {
                let mut parts = vec![format!("{} copied", count(report.copied, "message"))];
                if report.copied > 0 {
                    parts.push(size(report.bytes));
                }
                if report.noted > 0 {
                    parts.push("its list of copies updated".to_owned());
                }
                if !report.failed.is_empty() {
                    let failed = format!("{} not copied", report.failed_count());
                    parts.push(output.tone(Tone::Bad, &failed));
                }
                let state = notices::drive_state(round.state());
                output.say(format!("{}: {}; {state}", round.label, parts.join(", ")));
            }
            Err(error) => output.warn(format!("{}: {error}", round.label)),
        }
    }
}

/// What was found on the drives and what could not be copied.
pub(in crate::cli) fn notices(output: &Output, rounds: &[SyncOutcome]) {
    const SHOWN: usize = 20;
    for round in rounds {
        for finding in &round.findings {
            output.warn(format!("{}: {}", round.label, notices::finding(finding)));
        }
        let Ok(report) = &round.outcome else { continue };
        for failed in report.failed.iter().take(SHOWN) {
            output.warn(format!(
                "{}/{} is not on {}: {}: {}",
                failed.mailbox,
                failed.path,
                round.label,
                failed.reason,
                notices::next_step(failed.reason)
            ));
        }
        if report.failed.len() > SHOWN {
            let rest = report.failed_count() - SHOWN as u64;
            output.warn(format!("and {rest} more; counterfoil audit lists them"));
        }
    }
}
