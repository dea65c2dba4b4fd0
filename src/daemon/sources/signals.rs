//! Turns signals into events: TERM and INT stop, HUP reloads.

use crate::daemon::events::Event;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::Sender;

/// Starts to listen. Needs a running runtime.
pub(in crate::daemon) fn watch_signals(events: &Sender<Event>) -> std::io::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let events = events.clone();
    tokio::spawn(async move {
        loop {
            let event = tokio::select! {
                _ = terminate.recv() => Event::Stop,
                _ = interrupt.recv() => Event::Stop,
                _ = hang_up.recv() => Event::Reload,
            };
            if events.send(event).await.is_err() {
                return;
            }
        }
    });
    Ok(())
}
