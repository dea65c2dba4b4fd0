//! The daemon's beginning and end: what it works with, what it is called to do.

use super::control_server;
use super::core_loop::{Daemon, Ended};
use super::events::{Event, EventSink};
use super::service::Service;
use super::settings::{Reload, Settings};
use super::sources::watch_mounts;
use crate::job::JobError;
use crate::model::Clock;
use crate::model::limits::HINTS_MAX;
use std::sync::Arc;
use tokio::sync::mpsc::{Receiver, Sender, channel};

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
    sink: &dyn EventSink,
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
        ended = work(settings, reload, sink, clock, sender, events) => ended,
        never = hear => never,
    }
}

async fn work(
    mut settings: Settings,
    reload: &mut Reload<'_>,
    sink: &dyn EventSink,
    clock: Arc<dyn Clock>,
    sender: Sender<Event>,
    mut events: Receiver<Event>,
) -> Result<(), JobError> {
    let service = Service::new();
    watch_mounts(sender.clone())?;
    let listening = control_server::listen(&settings.state, sender.clone()).inspect_err(|error| {
        // As on a card that turned read-only: copying goes on.
        tracing::warn!(%error, "no command can ask this daemon anything");
    });
    loop {
        let mut daemon = Daemon::start(settings, &sender, sink, service, Arc::clone(&clock))?;
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
