//! The scanner: one thread that takes the mailboxes into the catalogue, a piece of work at a time.
//! Never touches a drive, so that a hung stick cannot hold up the mailbox.

use super::churn::Churn;
use super::events::Event;
use super::outcome::ScanOutcome;
use super::overdue::Span;
use crate::job::catalogue::{Catalogue, Overdue, millis};
use crate::job::confirm::confirm;
use crate::job::mailboxes::{HeldBackPolicy, check_place, put_in_force};
use crate::job::mirror::OpenMailbox;
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
use tokio::sync::mpsc::Sender;

/// A piece of work on one mailbox.
#[derive(Debug)]
pub(super) struct ScanJob {
    /// Which mailbox.
    pub mailbox: usize,
    /// Look the whole tree over.
    pub whole: bool,
    /// Else look at these.
    pub paths: Vec<RelName>,
    /// Of which, or of whose folders, the deletion was seen.
    pub gone: Vec<RelName>,
}

/// What the scanner is asked to do.
pub(super) enum Task {
    /// To look at a mailbox.
    Look(ScanJob),
    /// To find what of a span is still unmirrored.
    Overdue(Span),
}

/// What the scanner works with.
pub(super) struct Scanner {
    pub catalogue: Catalogue,
    pub mailboxes: Vec<MailboxRef>,
    pub ignore: GlobSet,
    /// Milliseconds.
    pub settle: i64,
    /// Milliseconds.
    pub churn: i64,
    pub clock: Arc<dyn Clock>,
    pub station: StationName,
    pub wanted_copies: u32,
    /// The mailboxes that could not be looked at the last time. What went from another one then may have come into
    /// these: nobody can say that it was deleted.
    pub away: RefCell<BTreeSet<usize>>,
}

impl Scanner {
    /// Works until the sender of jobs is gone.
    pub(super) fn run(self, tasks: &Receiver<Task>, events: &Sender<Event>) {
        let (churn, mut told) = (Churn::new(self.churn), ToldOnce::default());
        while let Ok(task) = tasks.recv() {
            let event = match task {
                Task::Look(job) => {
                    let mut report = self.report(&job, &churn);
                    report.outcome = report.outcome.map(|found| told.news(job.mailbox, found));
                    Event::Scanner(report)
                }
                Task::Overdue(span) => Event::Overdue(self.overdue(span)),
            };
            if events.blocking_send(event).is_err() {
                return;
            }
        }
    }

    fn overdue(&self, Span { told, until }: Span) -> Overdue {
        let found = self.catalogue.overdue(&self.station, self.wanted_copies, told, until);
        found.unwrap_or_else(|error| {
            tracing::warn!(%error, "what has been unmirrored for long is not known");
            Overdue::default()
        })
    }

    fn report(&self, job: &ScanJob, churn: &Churn) -> ScanOutcome {
        let mut wants_whole = false;
        let outcome = self.work(job, churn, &mut wants_whole);
        let is_back = self.note_away(job, &outcome);
        let outcome = outcome.map(|report| report.findings);
        let change_no = self.catalogue.change_no().unwrap_or(u64::MAX);
        let due_in = self.due_in(churn);
        if let Err(error) = self.catalogue.release_memory() {
            tracing::debug!(%error, "the catalogue kept its memory");
        }
        let unsettled = self.catalogue.has_unsettled().unwrap_or(true);
        let (mailbox, at) = (job.mailbox, millis(&*self.clock));
        ScanOutcome { mailbox, outcome, change_no, at, unsettled, is_back, wants_whole, due_in }
    }

    /// Keeps whether a mailbox could be looked at; `true` if it is back.
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

    fn work(
        &self,
        job: &ScanJob,
        churn: &Churn,
        wants_whole: &mut bool,
    ) -> Result<ScanReport, JobError> {
        let Some(mailbox) = self.mailboxes.get(job.mailbox) else {
            return Ok(ScanReport::default());
        };
        check_place(&self.catalogue, mailbox)?;
        let open = OpenMailbox::open(&self.catalogue, mailbox)?;
        let others_away = self.away.borrow().iter().any(|other| *other != job.mailbox);
        let rules = ScanRules {
            ignore: &self.ignore,
            settle: self.settle,
            seen_gone: if others_away { &[] } else { &job.gone },
            hold: &|path, _| churn.holds(open.row, path, millis(&*self.clock)),
            clock: &*self.clock,
        };
        if job.whole {
            return scan(&self.catalogue, open.row, &open.dir, &rules);
        }
        let mut paths = job.paths.clone();
        paths.extend(job.gone.iter().cloned());
        *wants_whole = !check_paths(&self.catalogue, open.row, &open.dir, &paths, &rules)?;
        let mut report = ScanReport::default();
        confirm(&self.catalogue, open.row, &open.dir, &rules, &mut report)?;
        Ok(report)
    }

    /// Until the first second look is due, over all mailboxes.
    fn due_in(&self, churn: &Churn) -> Option<i64> {
        let now = millis(&*self.clock);
        let row = |mailbox: &MailboxRef| self.catalogue.mailbox(&mailbox.name, None).ok();
        let unsettled = |row| self.catalogue.earliest_unsettled(row).ok().flatten();
        let looked = self.mailboxes.iter().filter_map(row).filter_map(unsettled).min();
        // What is missing waits a little longer than what appears; one wake-up serves both.
        let settled = looked.map(|looked| looked + self.settle + self.settle / 4);
        let next = settled.into_iter().chain(churn.next(now)).min()?;
        Some((next - now).max(1))
    }
}

/// What was told already of what is always so: once is enough for a log.
#[derive(Default)]
struct ToldOnce(BTreeSet<(usize, RelName)>);

impl ToldOnce {
    /// The findings in a mailbox without those that were told.
    fn news(&mut self, mailbox: usize, found: Vec<Finding>) -> Vec<Finding> {
        if self.0.len() > PROBLEMS_MAX {
            self.0.clear();
        }
        let is_news = |finding: &Finding| match finding {
            Finding::Excluded { path } => self.0.insert((mailbox, path.clone())),
            _ => true,
        };
        found.into_iter().filter(is_news).collect()
    }
}

/// Opens the catalogue for the scanner, and puts the station's mailboxes in force.
pub(super) fn catalogue(
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
    put_in_force(&catalogue, station, HeldBackPolicy::TakeIn)?;
    Ok(catalogue)
}
