//! The loop's one timer, kept by the kernel. The runtime's own timers wake a sleeper up to three times for
//! one far deadline, as they sort it from coarse slots into finer ones; on a box that lives on a battery
//! each wake-up counts.

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

/// A timer that is not set for more than one deadline at a time.
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

    /// Waits until a deadline. May be dropped at any time; the next call sets the timer anew.
    pub(super) async fn until(&self, deadline: Instant) -> Result<(), JobError> {
        // A timer set to nothing is a timer that is off.
        let wait = deadline.saturating_duration_since(Instant::now()).max(Duration::from_nanos(1));
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
            // Readiness may be that of a deadline nobody waits for any more: then there is nothing to read.
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
    fn rings_at_its_time_and_is_set_anew_for_another() {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let timer = TimerFd::new().expect("an alarm");
            let begun = Instant::now();
            let soon = timer.until(begun + Duration::from_millis(20));
            assert!(tokio::time::timeout(Duration::from_secs(20), soon).await.is_ok());
            assert!(begun.elapsed() >= Duration::from_millis(20));

            // One that rang with nobody waiting is not taken for the next one.
            let left = timer.until(Instant::now() + Duration::from_millis(1));
            drop(tokio::time::timeout(Duration::ZERO, left).await);
            std::thread::sleep(Duration::from_millis(20));
            let begun = Instant::now();
            timer.until(begun + Duration::from_millis(50)).await.expect("it rings");
            assert!(begun.elapsed() >= Duration::from_millis(50));

            // A deadline that is over rings at once.
            let past = timer.until(Instant::now());
            assert!(tokio::time::timeout(Duration::from_secs(20), past).await.is_ok());
        });
    }
}
