//! The machine's clocks, and whether the time of day can be trusted. The only place where the time of day is read;
//! decides nothing by it.

use crate::disk::host;
use crate::model::{Clock, EventTime, Timestamp};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// A clock that shows an earlier time was never set: the program did not exist yet (2026-01-01T00:00:00Z).
const EARLIEST: i64 = 1_767_225_600;

/// How long it is believed that something keeps the clock, or nothing does, in milliseconds.
const TRUST_FOR: u64 = 10_000;

/// The machine's clocks.
#[derive(Debug)]
pub struct SystemClock {
    boot: String,
    /// Whether something keeps the clock, and until when that is believed, in milliseconds since boot: timestamps are
    /// made by the thousand.
    kept: AtomicBool,
    kept_until: AtomicU64,
}

impl SystemClock {
    /// The clocks of this boot.
    pub fn new() -> Self {
        Self { boot: host::boot_id(), kept: AtomicBool::new(false), kept_until: AtomicU64::new(0) }
    }

    fn is_kept(&self) -> bool {
        let now = u64::try_from(self.since_boot().as_millis()).unwrap_or(u64::MAX);
        if now >= self.kept_until.load(Ordering::Relaxed) {
            self.kept.store(host::clock_is_kept(), Ordering::Relaxed);
            self.kept_until.store(now.saturating_add(TRUST_FOR), Ordering::Relaxed);
        }
        self.kept.load(Ordering::Relaxed)
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for SystemClock {
    fn event_time(&self) -> EventTime {
        let now = rustix::time::clock_gettime(rustix::time::ClockId::Realtime);
        let time = Timestamp {
            seconds: now.tv_sec,
            nanos: u32::try_from(now.tv_nsec).unwrap_or_default(),
        };
        let trusted = time.seconds >= EARLIEST && self.is_kept();
        EventTime { time, trusted, boot: self.boot.clone() }
    }

    fn since_boot(&self) -> Duration {
        let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        Duration::new(
            u64::try_from(now.tv_sec).unwrap_or_default(),
            u32::try_from(now.tv_nsec).unwrap_or_default(),
        )
    }
}
