//! Notifications to the service manager, where there is one (sd_notify(3)).
//! Errors go to the log only: a manager that does not listen is no reason to stop copying.

use sd_notify::NotifyState;
use std::time::Duration;

/// What the service manager expects of this process.
#[derive(Debug, Clone, Copy)]
pub(super) struct Service {
    watchdog: Option<Duration>,
}

impl Service {
    pub(super) fn new() -> Self {
        // Twice as often as required, as the manual advises (sd_watchdog_enabled(3)).
        let half = sd_notify::watchdog_enabled().map(|every| every / 2);
        Self { watchdog: half.filter(|every| !every.is_zero()) }
    }

    /// How often the watchdog gets a sign of life; `None` if there is no watchdog.
    pub(super) fn watchdog_every(self) -> Option<Duration> {
        self.watchdog
    }

    pub(super) fn ready(self) {
        notify(&[NotifyState::Ready]);
    }

    pub(super) fn reloading(self) {
        match NotifyState::monotonic_usec_now() {
            Ok(now) => notify(&[NotifyState::Reloading, now]),
            Err(error) => tracing::debug!(%error, "no monotonic time for the service manager"),
        }
    }

    pub(super) fn stopping(self) {
        notify(&[NotifyState::Stopping]);
    }

    pub(super) fn alive(self) {
        notify(&[NotifyState::Watchdog]);
    }

    pub(super) fn status(self, text: &str) {
        notify(&[NotifyState::Status(text)]);
    }
}

fn notify(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager could not be notified");
    }
}
