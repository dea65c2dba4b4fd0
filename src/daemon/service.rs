//! What is said to the service manager, where there is one (sd_notify(3)).
//! Never fails the daemon: a manager that does not listen is no reason to stop copying.

use sd_notify::NotifyState;
use std::time::Duration;

/// A connection to the service manager, if it asked for one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Service {
    watchdog: Option<Duration>,
}

impl Service {
    pub(super) fn new() -> Self {
        // Twice as often as asked, as the manual advises.
        Self { watchdog: sd_notify::watchdog_enabled().map(|every| every / 2) }
    }

    /// How often the watchdog wants to hear from us.
    pub(super) fn watchdog_every(self) -> Option<Duration> {
        self.watchdog
    }

    pub(super) fn ready(self) {
        say(&[NotifyState::Ready]);
    }

    pub(super) fn reloading(self) {
        match NotifyState::monotonic_usec_now() {
            Ok(now) => say(&[NotifyState::Reloading, now]),
            Err(error) => tracing::debug!(%error, "no monotonic time for the service manager"),
        }
    }

    pub(super) fn stopping(self) {
        say(&[NotifyState::Stopping]);
    }

    pub(super) fn alive(self) {
        say(&[NotifyState::Watchdog]);
    }

    pub(super) fn status(self, text: &str) {
        say(&[NotifyState::Status(text)]);
    }
}

fn say(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager could not be told");
    }
}
