//! The kernel's timer that the loop sleeps on (timerfd_create(2)). The runtime's own timers wake a sleeper up to three
//! times for one far deadline, as they sort it from coarse slots into finer ones; on a box that lives on a battery each
//! wake-up counts.

use crate::job::JobError;
use rustix::fd::OwnedFd;
use rustix::io::Errno;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create,
    timerfd_settime,
};
use std::time::Duration;
use tokio::io::unix::AsyncFd;
use tokio::time::Instant;

/// A timer with one deadline at a time.
pub(super) struct TimerFd(AsyncFd<OwnedFd>);

impl TimerFd {
    #[expect(
        deprecated,
        reason = "its fault is with types that change their descriptor; this one cannot"
    )]
    pub(super) fn new() -> Result<Self, JobError> {
        let flags = TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC;
        let made = timerfd_create(TimerfdClockId::Monotonic, flags).map_err(std::io::Error::from);
        made.and_then(AsyncFd::new).map(Self).map_err(|error| failed(&error))
    }

    /// Waits until a deadline; without one for ever. May be dropped at any time; the next call sets the timer anew.
    pub(super) async fn until(&self, deadline: Option<Instant>) -> Result<(), JobError> {
        // A timer set to zero is off, so a deadline that is over becomes the shortest time.
        let wait = deadline.map_or(Duration::ZERO, |deadline| {
            deadline.saturating_duration_since(Instant::now()).max(Duration::from_nanos(1))
        });
        let mut spec = Itimerspec {
            it_interval: Timespec { tv_sec: 0, tv_nsec: 0 },
            it_value: Timespec { tv_sec: 0, tv_nsec: 0 },
        };
        spec.it_value.tv_sec = i64::try_from(wait.as_secs()).unwrap_or(i64::MAX);
        spec.it_value.tv_nsec = wait.subsec_nanos().into();
        timerfd_settime(&self.0, TimerfdTimerFlags::empty(), &spec)
            .map_err(|errno| failed(&errno.into()))?;
        loop {
            let mut ready = self.0.readable().await.map_err(|error| failed(&error))?;
            // It may have been ready for an earlier deadline: then there is nothing to read.
            let read = rustix::io::read(&self.0, &mut [0_u8; 8]);
            ready.clear_ready();
            match read {
                Err(Errno::AGAIN | Errno::INTR) => {}
                Err(errno) => return Err(failed(&errno.into())),
                Ok(_) => return Ok(()),
            }
        }
    }
}

fn failed(error: &std::io::Error) -> JobError {
    JobError::Broken(format!("the timer does not work: {error}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fires_at_its_time_and_is_set_anew_for_another() {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let timer = TimerFd::new().expect("a timer");
            let begun = Instant::now();
            let soon = timer.until(Some(begun + Duration::from_millis(20)));
            assert!(tokio::time::timeout(Duration::from_secs(20), soon).await.is_ok());
            assert!(begun.elapsed() >= Duration::from_millis(20));

            // One that fired with nobody waiting is not taken for the next one.
            let left = timer.until(Some(Instant::now() + Duration::from_millis(1)));
            drop(tokio::time::timeout(Duration::ZERO, left).await);
            std::thread::sleep(Duration::from_millis(20));
            let begun = Instant::now();
            timer.until(Some(begun + Duration::from_millis(50))).await.expect("it fires");
            assert!(begun.elapsed() >= Duration::from_millis(50));

            // A deadline that is over fires at once, and none never.
            let past = timer.until(Some(Instant::now()));
            assert!(tokio::time::timeout(Duration::from_secs(20), past).await.is_ok());
            let never = timer.until(None);
            assert!(tokio::time::timeout(Duration::from_millis(20), never).await.is_err());
        });
    }
}
