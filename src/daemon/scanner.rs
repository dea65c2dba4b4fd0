//! The scanner: one thread that brings the catalogue up to date with the mailboxes, a job at a time.
//! Never touches a drive, so that a stick that hangs cannot delay the mailboxes.

use super::churn::Churn;
use super::events::{LoopEvent, ScanOutcome};
use super::overdue::CheckpointSpan;
use crate::job::catalogue::{Catalogue, Overdue, millis};
use crate::job::mirror::OpenMailbox;
use crate::job::scan::confirm::confirm;
use crate::job::scan::mailboxes::{HeldBackPolicy, check_place, put_in_force};
use crate::job::scan::{ScanReport, ScanRules, check_paths, scan};
use crate::job::{JobError, MailboxRef, Station};
use crate::model::limits::PROBLEMS_MAX;
use crate::model::{Clock, Finding, RelName, StationName, escape};
use globset::GlobSet;
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Duration;
use tokio::sync::mpsc::Sender;
use tokio::time::Instant;

/// A job on one mailbox.
#[derive(Debug)]
pub(super) struct ScanJob {
    /// The number of the mailbox.
    pub mailbox: usize,
    /// Scan the whole tree.
    pub whole: bool,
    /// If not, check these paths.
    pub paths: Vec<RelName>,
    /// The paths whose deletion was seen, or that of a folder above them.
    pub gone: Vec<RelName>,
}

/// What the scanner can be sent to do.
pub(super) enum ScannerJob {
    /// Scan a mailbox.
    Scan(ScanJob),
    /// Find which messages of a span are still unmirrored.
    Overdue(CheckpointSpan),
}

/// Scans mailboxes, one job at a time, on a thread of its own.
pub(super) struct Scanner {
    pub catalogue: Catalogue,
    pub mailboxes: Vec<MailboxRef>,
    pub ignore: GlobSet,
    /// How long a file must stay the same before it is confirmed, in milliseconds.
    pub settle: i64,
    /// How far apart two copies of a changing file are at least.
    pub churn: Duration,
    pub clock: Arc<dyn Clock>,
    pub station: StationName,
    pub wanted_copies: u32,
    /// The mailboxes that could not be scanned the last time. What vanished from another one may have been moved into
    /// these, so it does not count as deleted.
    pub away: RefCell<BTreeSet<usize>>,
}

impl Scanner {
    /// Works until the sender of jobs is gone.
    pub(super) fn run(self, jobs: &Receiver<ScannerJob>, events: &Sender<LoopEvent>) {
        let (churn, mut excluded) = (Churn::new(self.churn), ReportedExclusions::default());
        while let Ok(job) = jobs.recv() {
            let event = match job {
                ScannerJob::Scan(job) => {
                    let mut report = self.report(&job, &churn);
                    report.outcome =
                        report.outcome.map(|found| excluded.without_known(job.mailbox, found));
                    LoopEvent::Scanned(report)
                }
                ScannerJob::Overdue(span) => LoopEvent::Overdue(self.overdue(span)),
            };
            if events.blocking_send(event).is_err() {
                return;
            }
        }
    }

    fn overdue(&self, CheckpointSpan { after, until }: CheckpointSpan) -> Overdue {
        let found = self.catalogue.overdue(&self.station, self.wanted_copies, after, until);
        found.unwrap_or_else(|error| {
            tracing::warn!(%error, "what has been unmirrored for long is not known");
            Overdue::default()
        })
    }

    fn report(&self, job: &ScanJob, churn: &Churn) -> ScanOutcome {
        let mut needs_whole_scan = false;
        let outcome = self.scan(job, churn, &mut needs_whole_scan);
        let is_back = self.note_away(job, &outcome);
        let outcome = outcome.map(|report| report.findings);
        let change_no = self.catalogue.change_no().unwrap_or(u64::MAX);
        let confirm_at = self.confirm_at(churn);
        if let Err(error) = self.catalogue.release_memory() {
            tracing::debug!(%error, "the catalogue kept its memory");
        }
        let unsettled = self.catalogue.has_unsettled().unwrap_or(true);
        let (mailbox, at) = (job.mailbox, millis(&*self.clock));
        ScanOutcome {
            mailbox,
            outcome,
            change_no,
            boot_ms: at,
            unsettled,
            is_back,
            needs_whole_scan,
            confirm_at,
        }
    }

    /// Keeps whether a mailbox could be scanned; `true` if it could not the time before.
    fn note_away(&self, job: &ScanJob, outcome: &Result<ScanReport, JobError>) -> bool {
        let mut away = self.away.borrow_mut();
        match outcome {
            Ok(report) if report.root_unread.is_none() => job.whole && away.remove(&job.mailbox),
            _ => {
                away.insert(job.mailbox);
                false
            }
        }
    }

    fn scan(
        &self,
        job: &ScanJob,
        churn: &Churn,
        needs_whole_scan: &mut bool,
    ) -> Result<ScanReport, JobError> {
        let Some(mailbox) = self.mailboxes.get(job.mailbox) else {
            return Ok(ScanReport::default());
        };
        check_place(&self.catalogue, mailbox)?;
        let open = OpenMailbox::open(&self.catalogue, mailbox)?;
        let others_away = self.away.borrow().iter().any(|other| *other != job.mailbox);
        let rules = ScanRules {
            ignore: &self.ignore,
            stable_for: self.settle,
            seen_gone: if others_away { &[] } else { &job.gone },
            hold: &|path, _| churn.must_wait(open.row, path, Instant::now()),
            clock: &*self.clock,
        };
        if job.whole {
            return scan(&self.catalogue, open.row, &open.dir, &rules);
        }
        let mut paths = job.paths.clone();
        paths.extend(job.gone.iter().cloned());
        *needs_whole_scan = !check_paths(&self.catalogue, open.row, &open.dir, &paths, &rules)?;
        let mut report = ScanReport::default();
        confirm(&self.catalogue, open.row, &open.dir, &rules, &mut report)?;
        Ok(report)
    }

    /// When the next file, of any mailbox, may be confirmed.
    fn confirm_at(&self, churn: &Churn) -> Option<Instant> {
        let (now, now_ms) = (Instant::now(), millis(&*self.clock));
        let row = |mailbox: &MailboxRef| self.catalogue.mailbox(&mailbox.name, None).ok();
        let unsettled = |row| self.catalogue.earliest_unsettled(row).ok().flatten();
        let first_seen = self.mailboxes.iter().filter_map(row).filter_map(unsettled).min();
        // What is missing waits a little longer than what appears; one wake-up serves both.
        let wait = first_seen.map(|seen| seen + self.settle + self.settle / 4 - now_ms);
        let stable = wait.map(|ms| now + Duration::from_millis(u64::try_from(ms).unwrap_or(0)));
        let next = stable.into_iter().chain(churn.next(now)).min()?;
        Some(next.max(now + Duration::from_millis(1)))
    }
}

/// The paths that were reported as excluded: they stay so, and once is enough for a log.
#[derive(Default)]
struct ReportedExclusions(BTreeSet<(usize, RelName)>);

impl ReportedExclusions {
    /// The findings in a mailbox, without the exclusions that were reported before.
    fn without_known(&mut self, mailbox: usize, found: Vec<Finding>) -> Vec<Finding> {
        if self.0.len() > PROBLEMS_MAX {
            self.0.clear();
        }
        let is_new = |finding: &Finding| match finding {
            Finding::Excluded { path } => self.0.insert((mailbox, path.clone())),
            _ => true,
        };
        found.into_iter().filter(is_new).collect()
    }
}

/// Opens the catalogue for the scanner, and records the mailboxes of the config in it.
pub(super) fn open_catalogue(
    state: &Path,
    station: &Station,
    clock: &dyn Clock,
) -> Result<Catalogue, JobError> {
    let (catalogue, aside) = Catalogue::open(state)?;
    if let Some(aside) = aside {
        tracing::warn!(
            path = escape::shown_path(&aside.path),
            why = aside.why,
            "a damaged catalogue was set aside"
        );
    }
    catalogue.begin_run(clock)?;
    put_in_force(&catalogue, station, HeldBackPolicy::Read)?;
    Ok(catalogue)
}
