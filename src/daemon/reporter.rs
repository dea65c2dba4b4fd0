//! Runs other programs for the daemon: the one that writes the audit into the state folder after a change, and the one
//! that notifies of unmirrored mail. Each is its own process: its memory goes with it, and its faults harm no copy.

use super::timers::{REPORT, Timer, Timers};
use crate::model::limits::PROGRAM_PATIENCE;
use std::ffi::OsString;
use std::path::PathBuf;
use std::process::Stdio;
use tokio::io::AsyncWriteExt as _;
use tokio::process::Command;
use tokio::time::Instant;

/// A program and its arguments.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReportRequest {
    /// The program's path.
    pub program: PathBuf,
    /// What it is run with, without its own name.
    pub arguments: Vec<OsString>,
}

/// Has the report written.
pub(super) struct Reporter<'a> {
    request: Option<ReportRequest>,
    timers: &'a Timers<Timer>,
}

impl<'a> Reporter<'a> {
    pub(super) fn new(request: Option<ReportRequest>, timers: &'a Timers<Timer>) -> Self {
        Self { request, timers }
    }

    /// Something changed that is in the report.
    pub(super) fn changed(&self, now: Instant) {
        if self.request.is_some() {
            self.timers.request(Timer::Report, now, REPORT);
        }
    }

    /// Starts the program that writes it. Nothing waits for its end.
    pub(super) fn write(&self) {
        if let Some(request) = self.request.clone() {
            tokio::spawn(run(request, Vec::new(), "the audit could not be written", &[0, 1]));
        }
    }
}

/// Runs a program with an input. If it does not end, it is ended; if its exit code is not among `good`, the log says
/// what `failed`.
pub(super) async fn run(
    request: ReportRequest,
    input: Vec<u8>,
    failed: &'static str,
    good: &[i32],
) {
    let program = request.program.display().to_string();
    let ended = async {
        let mut child = Command::new(&request.program)
            .args(&request.arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .kill_on_drop(true)
            .spawn()?;
        if let Some(mut stdin) = child.stdin.take() {
            // A program that does not read it is judged by its exit code.
            drop(stdin.write_all(&input).await);
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

    #[test]
    fn without_anything_to_run_nothing_is_ever_due() {
        let timers = Timers::default();
        Reporter::new(None, &timers).changed(Instant::now());
        assert_eq!(timers.deadline(|_| true), None);
    }
}
