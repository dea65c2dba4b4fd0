//! Signals: TERM and INT stop the daemon and HUP reloads its config; any other command may clean up before one of them
//! ends it.

use crate::daemon::DaemonCommand;
use crate::disk::host;
use std::task::Poll;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{Receiver, channel};

/// Turns the signals from now on into commands for the daemon. Needs a running runtime.
pub fn commands_from_signals() -> std::io::Result<Receiver<DaemonCommand>> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let (commands, receiver) = channel(8);
    tokio::spawn(async move {
        loop {
            let command = tokio::select! {
                _ = terminate.recv() => DaemonCommand::Stop,
                _ = interrupt.recv() => DaemonCommand::Stop,
                _ = hang_up.recv() => DaemonCommand::Reload,
            };
            if commands.send(command).await.is_err() {
                return;
            }
        }
    });
    Ok(receiver)
}

/// Calls `end` with the signal's number, in a thread of its own, at the first signal that would end the process. From
/// here on the process ends only if `end` ends it. Signals that it was started to ignore stay ignored.
pub fn on_termination_signal(end: impl FnOnce(i32) + Send + 'static) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let ignored = host::ignored_signals();
    let within = runtime.enter();
    let mut signals = Vec::new();
    for kind in
        [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup(), SignalKind::quit()]
    {
        let number = kind.as_raw_value();
        if ignored >> (number - 1) & 1 == 0 {
            signals.push((number, signal(kind)?));
        }
    }
    drop(within);
    let wait = move || {
        let number = runtime.block_on(std::future::poll_fn(|context| {
            let mut came = signals.iter_mut().filter_map(|(number, signal)| {
                signal.poll_recv(context).is_ready().then_some(*number)
            });
            came.next().map_or(Poll::Pending, Poll::Ready)
        }));
        end(number);
    };
    std::thread::Builder::new().name("signals".to_owned()).spawn(wait).map(drop)
}
