//! Turns signals into calls: TERM and INT stop, HUP reloads.

use crate::daemon::Call;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{Receiver, channel};

/// Starts to listen. Needs a running runtime.
pub fn calls_from_signals() -> std::io::Result<Receiver<Call>> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let (calls, receiver) = channel(8);
    tokio::spawn(async move {
        loop {
            let call = tokio::select! {
                _ = terminate.recv() => Call::Stop,
                _ = interrupt.recv() => Call::Stop,
                _ = hang_up.recv() => Call::Reload,
            };
            if calls.send(call).await.is_err() {
                return;
            }
        }
    });
    Ok(receiver)
}
