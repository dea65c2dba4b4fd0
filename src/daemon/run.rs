//! Starts and ends the daemon, and starts it anew after each reload of the config.

use super::control_server;
use super::core_loop::{Daemon, LoopEnd};
use super::events::{EventSink, LoopEvent};
use super::service::Service;
use super::settings::{ReloadSettings, Settings};
use super::sources::watch_mounts;
use super::timers::Timers;
use crate::job::JobError;
use crate::model::Clock;
use crate::model::limits::HINTS_MAX;
use std::sync::Arc;
use tokio::sync::mpsc::{Receiver, Sender, channel};

/// A command to a running daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DaemonCommand {
    /// End, as at SIGTERM.
    Stop,
    /// Read the config again.
    Reload,
}

/// Runs until the command to stop. The caller holds the lock of the state folder, and may run it again after an error.
pub async fn run(
    settings: Settings,
    reload: &mut ReloadSettings<'_>,
    sink: &dyn EventSink,
    clock: Arc<dyn Clock>,
    commands: &mut Receiver<DaemonCommand>,
) -> Result<(), JobError> {
    let (sender, events) = channel(HINTS_MAX);
    let to = sender.clone();
    let forward = async move {
        while let Some(command) = commands.recv().await {
            let event = match command {
                DaemonCommand::Stop => LoopEvent::Stop,
                DaemonCommand::Reload => LoopEvent::Reload,
            };
            if to.send(event).await.is_err() {
                break;
            }
        }
        std::future::pending().await
    };
    tokio::select! {
        ended = run_with_reloads(settings, reload, sink, clock, sender, events) => ended,
        never = forward => never,
    }
}

async fn run_with_reloads(
    mut settings: Settings,
    reload: &mut ReloadSettings<'_>,
    sink: &dyn EventSink,
    clock: Arc<dyn Clock>,
    sender: Sender<LoopEvent>,
    mut events: Receiver<LoopEvent>,
) -> Result<(), JobError> {
    let service = Service::new();
    watch_mounts(sender.clone())?;
    let server = control_server::listen(&settings.state, sender.clone()).inspect_err(|error| {
        // As on a card that turned read-only: copying continues.
        tracing::warn!(%error, "no command can ask this daemon anything");
    });
    loop {
        let timers = Timers::default();
        let clock = Arc::clone(&clock);
        let mut daemon = Daemon::start(settings, &sender, sink, &timers, service, clock)?;
        match daemon.run(&mut events, reload).await? {
            LoopEnd::Stopped => break,
            LoopEnd::Reloaded(new) => settings = *new,
        }
        // What the old workers have still reported is of no use to the new loop.
        while events.try_recv().is_ok() {}
    }
    drop(server);
    Ok(())
}
