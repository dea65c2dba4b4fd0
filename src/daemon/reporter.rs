//! Has the audit written into the state folder after a change, and whoever is to know told of mail that stays
//! unmirrored. Both by a program of its own: its memory goes with it, and whatever it does harms no copy.

use crate::model::limits::{PROGRAM_PATIENCE, REPORT_AFTER, REPORT_EVERY};
use std::ffi::OsString;
use std::path::PathBuf;
use std::process::Stdio;
use tokio::io::AsyncWriteExt as _;
use tokio::process::Command;
use tokio::time::Instant;

/// A program and its arguments.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReportRequest {
    /// The program.
    pub program: PathBuf,
    /// Its arguments.
    pub arguments: Vec<OsString>,
}

/// When the report is to be written.
pub(super) struct Reporter {
    request: Option<ReportRequest>,
    due: Option<Instant>,
    last: Option<Instant>,
}

impl Reporter {
    pub(super) fn new(request: Option<ReportRequest>) -> Self {
        Self { request, due: None, last: None }
    }

    /// Something changed that the report tells of.
    pub(super) fn changed(&mut self, now: Instant) {
        if self.request.is_some() && self.due.is_none() {
            let soon = now + REPORT_AFTER;
            self.due = Some(self.last.map_or(soon, |last| soon.max(last + REPORT_EVERY)));
        }
    }

    /// When the next one is due.
    pub(super) fn deadline(&self) -> Option<Instant> {
        self.due
    }

    /// Sets off the writing, if it is due. Nobody waits for it.
    pub(super) fn on_time(&mut self, now: Instant) {
        if self.due.is_some_and(|due| due <= now) {
            self.due = None;
            self.last = Some(now);
            if let Some(request) = self.request.clone() {
                tokio::spawn(run(request, Vec::new(), "the audit could not be written", &[0, 1]));
            }
        }
    }
}

/// Runs a program, hands it what there is to tell, and says so in the log if it fails. One that does not end is
/// ended.
pub(super) async fn run(request: ReportRequest, told: Vec<u8>, failed: &'static str, good: &[i32]) {
    let program = request.program.display().to_string();
    let ended = async {
        let mut child = Command::new(&request.program)
            .args(&request.arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .kill_on_drop(true)
            .spawn()?;
        if let Some(mut input) = child.stdin.take() {
            // One that does not listen is judged by how it ends.
            drop(input.write_all(&told).await);
        }
        child.wait().await
    };
    match tokio::time::timeout(PROGRAM_PATIENCE, ended).await {
        Ok(Ok(status)) if status.code().is_some_and(|code| good.contains(&code)) => {}
        Ok(Ok(status)) => tracing::warn!(program, %status, "{failed}"),
        Ok(Err(error)) => tracing::warn!(program, %error, "{failed}"),
        Err(_) => tracing::warn!(program, "{failed}: it did not end and was ended"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_burst_of_changes_is_one_report_and_the_next_waits() {
        let mut reporter = Reporter::new(Some(ReportRequest::default()));
        let begin = Instant::now();
        assert_eq!(reporter.deadline(), None);
        reporter.changed(begin);
        reporter.changed(begin + Duration::from_secs(1));
        assert_eq!(reporter.deadline(), Some(begin + REPORT_AFTER));
        let wrote = begin + REPORT_AFTER;
        (reporter.due, reporter.last) = (None, Some(wrote));
        reporter.changed(wrote + Duration::from_secs(1));
        assert_eq!(reporter.deadline(), Some(wrote + REPORT_EVERY));
    }

    #[test]
    fn without_anything_to_run_nothing_is_ever_due() {
        let mut reporter = Reporter::new(None);
        reporter.changed(Instant::now());
        assert_eq!(reporter.deadline(), None);
    }
}
