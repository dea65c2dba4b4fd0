//! What a mirror pass did, drive by drive.

use super::summary_json::SummaryJson;
use super::verdict::Summary;
use super::{count, size};
use crate::cli::notices;
use crate::cli::output::{Output, Style};
use crate::job::catalogue::DriveRow;
use crate::job::sync_drive::SyncOutcome;
use crate::model::DriveId;
use serde::Serialize;

/// Sums over all drives.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub(in crate::cli) struct Sums {
    pub copied: u64,
    pub already: u64,
    pub failed: u64,
    pub bytes: u64,
}

/// Adds up the outcomes; `present` is the number of messages in the mailboxes.
pub(in crate::cli) fn sums(outcomes: &[SyncOutcome], present: u64) -> Sums {
    let mut sums = Sums::default();
    for sync in outcomes {
        match &sync.outcome {
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

/// The JSON of `mirror`.
#[derive(Serialize)]
struct MirrorJson<'a> {
    #[serde(flatten)]
    summary: SummaryJson<'a>,
    #[serde(flatten)]
    sums: Sums,
    drives: Vec<OutcomeJson<'a>>,
}

#[derive(Serialize)]
struct OutcomeJson<'a> {
    label: &'a str,
    id: Option<DriveId>,
    state: &'a str,
    counts: bool,
    same_device_as: Option<&'a str>,
    copied: Option<u64>,
    bytes: Option<u64>,
    noted: Option<u64>,
    failed: Option<u64>,
    error: Option<String>,
}

pub(in crate::cli) fn json<'a>(
    outcomes: &'a [SyncOutcome],
    known: &'a [Option<DriveRow>],
    sums: Sums,
    summary: &Summary<'a>,
) -> impl Serialize + 'a {
    let drives = outcomes.iter().zip(known).map(|(sync, known)| {
        let done = sync.outcome.as_ref().ok();
        OutcomeJson {
            label: &sync.label,
            id: sync.drive.map(|(id, _)| id),
            state: sync.state(),
            counts: known.as_ref().is_some_and(|row| row.counts),
            same_device_as: known.as_ref().and_then(|row| row.same_device.as_deref()),
            copied: done.map(|report| report.copied),
            bytes: done.map(|report| report.bytes),
            noted: done.map(|report| report.noted),
            failed: done.map(|report| report.failed_count()),
            error: sync.outcome.as_ref().err().map(ToString::to_string),
        }
    });
    MirrorJson { summary: summary.json(), sums, drives: drives.collect() }
}

pub(in crate::cli) fn text(output: &Output, outcomes: &[SyncOutcome]) {
    for sync in outcomes {
        match &sync.outcome {
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
                    parts.push(output.styled(Style::Bad, &failed));
                }
                let state = match report.has_completed() {
                    true => "wait: its list of messages comes next",
                    false => notices::drive_state(sync.state()),
                };
                output.say(format!("{}: {}; {state}", sync.label, parts.join(", ")));
            }
            Err(error) => output.warn(format!("{}: {error}", sync.label)),
        }
    }
}

/// What was found on the drives and what could not be copied.
pub(in crate::cli) fn notices(output: &Output, outcomes: &[SyncOutcome]) {
    const SHOWN: usize = 20;
    for sync in outcomes {
        for finding in &sync.findings {
            output.warn(format!("{}: {}", sync.label, notices::finding(finding)));
        }
        let Ok(report) = &sync.outcome else { continue };
        for failed in report.failed.iter().take(SHOWN) {
            output.warn(format!(
                "{}/{} is not on {}: {}: {}",
                failed.mailbox,
                failed.path,
                sync.label,
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

/// What drives carry is being written.
pub(in crate::cli) fn still_carrying(labels: &str) -> String {
    format!(
        "do not pull {labels} yet: the list of messages is being written; the messages are copied"
    )
}

/// What a drive carries is written.
pub(in crate::cli) fn carried(label: &str) -> String {
    format!("{label}: the list of messages is written; nothing more is written to this stick")
}

/// A signal came while it was written.
pub(in crate::cli) fn stops_carrying(labels: &str) -> String {
    format!(
        "stopping: the messages on {labels} are copied and stay safe; the list of messages is written again with the \
         next new message; wait until this command has ended before you pull the stick"
    )
}
