//! Turns signals into calls: for the daemon TERM and INT stop and HUP reloads; for any other command each of them is
//! its end, before which it may put things in order.

use crate::daemon::Command;
use crate::disk::host;
use std::task::Poll;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{Receiver, channel};

/// Starts to listen. Needs a running runtime.
pub fn calls_from_signals() -> std::io::Result<Receiver<Command>> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hang_up = signal(SignalKind::hangup())?;
    let (calls, receiver) = channel(8);
    tokio::spawn(async move {
        loop {
            let call = tokio::select! {
                _ = terminate.recv() => Command::Stop,
                _ = interrupt.recv() => Command::Stop,
                _ = hang_up.recv() => Command::Reload,
            };
            if calls.send(call).await.is_err() {
                return;
            }
        }
    });
    Ok(receiver)
}

/// Has `end` called from a thread of its own once a signal comes that would end the process, with the signal's number.
/// From here on the process ends only by what `end` does. Signals that it was started to ignore stay ignored.
pub fn when_ended(end: impl FnOnce(i32) + Send + 'static) -> std::io::Result<()> {
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
