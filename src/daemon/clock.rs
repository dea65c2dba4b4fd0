//! The machine's clocks: the only place where the time of day is read.
//! Never decides anything by it; it tells whether it can be trusted.

use crate::disk::host;
use crate::model::{Clock, Moment, Stamp};
use std::time::Duration;

/// A clock before this was never set: the program did not exist yet (2026-01-01T00:00:00Z).
const EARLIEST: i64 = 1_767_225_600;

/// The machine's clocks.
#[derive(Debug, Clone)]
pub struct SystemClock {
    boot: String,
}

impl SystemClock {
    /// For this boot.
    pub fn new() -> Self {
        Self { boot: host::boot_id() }
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for SystemClock {
    fn stamp(&self) -> Stamp {
        let now = rustix::time::clock_gettime(rustix::time::ClockId::Realtime);
        let time =
            Moment { seconds: now.tv_sec, nanos: u32::try_from(now.tv_nsec).unwrap_or_default() };
        let trusted = time.seconds >= EARLIEST && host::clock_is_kept();
        Stamp { time, trusted, boot: self.boot.clone() }
    }

    fn since_boot(&self) -> Duration {
        let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        Duration::new(
            u64::try_from(now.tv_sec).unwrap_or_default(),
            u32::try_from(now.tv_nsec).unwrap_or_default(),
        )
    }
}
