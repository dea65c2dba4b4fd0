//! The daemon's beginning and end: what it works with, what it is called to do.

use super::control;
use super::core_loop::{Daemon, Ended};
use super::events::{Event, EventSink};
use super::overdue::Notify;
use super::reporter::ReportRequest;
use super::service::Service;
use super::sources::watch_mounts;
use crate::disk::mounts::MountKey;
use crate::job::extras::Extras;
use crate::job::scrub::ScrubRules;
use crate::job::{DriveRef, JobError, Station};
use crate::model::Clock;
use crate::model::limits::HINTS_MAX;
use globset::GlobSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender, channel};

/// What the daemon works with; made anew when the config is read again.
pub struct Settings {
    /// The station.
    pub station: Station,
    /// The folders named as drives, in the order of `drives`.
    pub folders: Vec<PathBuf>,
    /// The drives in them.
    pub drives: Vec<DriveRef>,
    /// Finds the removable drives that are mounted.
    pub find: Box<Find>,
    /// The state folder.
    pub state: PathBuf,
    /// Paths never taken.
    pub ignore: GlobSet,
    /// Time between two looks.
    pub settle: Duration,
    /// Time between two copies of a changing file.
    pub churn: Duration,
    /// Time between two scans.
    pub scan_every: Duration,
    /// Copies a message needs to be called mirrored.
    pub wanted_copies: u32,
    /// Copies on the device of a mailbox count too.
    pub count_same_device: bool,
    /// What a drive carries beside the copies.
    pub cargo: Extras,
    /// What writes the audit into the state folder, if anything does.
    pub report: Option<ReportRequest>,
    /// Who is told of mail that stays unmirrored, if anybody is.
    pub notify: Option<Notify>,
    /// How copies are re-read.
    pub reread: ScrubRules,
    /// Superseded versions older than this may be removed from a full drive; `None`: none ever.
    pub prune: Option<Duration>,
}

/// Finds the removable drives that are mounted now. Must be quick, and must not ask a medium.
pub type Find = dyn Fn() -> Vec<(MountKey, DriveRef)> + Send;

/// Reads the config again; the error is for a person.
pub type Reload<'a> = dyn FnMut() -> Result<Settings, String> + 'a;

/// What is asked of a running daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Command {
    /// End.
    Stop,
    /// Read the config again.
    Reload,
}

/// Runs until called to stop. The caller holds the state's lock, and may run it again after an error.
pub async fn run(
    settings: Settings,
    reload: &mut Reload<'_>,
    voice: &dyn EventSink,
    clock: Arc<dyn Clock>,
    calls: &mut Receiver<Command>,
) -> Result<(), JobError> {
    let (sender, events) = channel(HINTS_MAX);
    let called = sender.clone();
    let hear = async move {
        while let Some(call) = calls.recv().await {
            let event = match call {
                Command::Stop => Event::Stop,
                Command::Reload => Event::Reload,
            };
            if called.send(event).await.is_err() {
                break;
            }
        }
        std::future::pending().await
    };
    tokio::select! {
        ended = work(settings, reload, voice, clock, sender, events) => ended,
        never = hear => never,
    }
}

async fn work(
    mut settings: Settings,
    reload: &mut Reload<'_>,
    voice: &dyn EventSink,
    clock: Arc<dyn Clock>,
    sender: Sender<Event>,
    mut events: Receiver<Event>,
) -> Result<(), JobError> {
    let service = Service::new();
    watch_mounts(sender.clone())?;
    let listening = control::listen(&settings.state, sender.clone()).inspect_err(|error| {
        // As on a card that turned read-only: copying goes on.
        tracing::warn!(%error, "no command can ask this daemon anything");
    });
    loop {
        let mut daemon = Daemon::start(settings, &sender, voice, service, Arc::clone(&clock))?;
        match daemon.serve(&mut events, reload).await? {
            Ended::Stopped => break,
            Ended::Reloaded(new) => settings = *new,
        }
        // What the old workers still had to say is of no use to the new ones.
        while events.try_recv().is_ok() {}
    }
    drop(listening);
    Ok(())
}
