//! The clock of all tests in process. Never moves by itself, and never asks the machine for the time.

use counterfoil::model::{Clock, EventTime, Timestamp};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

/// A clock that only moves when told to.
#[derive(Debug)]
pub(crate) struct HandClock {
    pub(crate) boot: AtomicU64,
    pub(crate) wall: AtomicI64,
    /// Shared with a stick that takes its time.
    pub(crate) millis: Arc<AtomicU64>,
    trusted: AtomicBool,
}

impl HandClock {
    pub(crate) fn new() -> Self {
        Self {
            boot: AtomicU64::new(1),
            wall: AtomicI64::new(1_800_000_000),
            millis: Arc::new(AtomicU64::new(60_000)),
            trusted: AtomicBool::new(false),
        }
    }

    pub(crate) fn advance(&self, millis: u64) {
        self.millis.fetch_add(millis, Ordering::Relaxed);
    }

    pub(crate) fn set_wall(&self, seconds: i64) {
        self.wall.store(seconds, Ordering::Relaxed);
    }

    /// Whether something vouches for it.
    pub(crate) fn trust(&self, on: bool) {
        self.trusted.store(on, Ordering::Relaxed);
    }

    pub(crate) fn reboot(&self) {
        self.boot.fetch_add(1, Ordering::Relaxed);
        self.millis.store(5_000, Ordering::Relaxed);
    }
}

impl Clock for HandClock {
    fn stamp(&self) -> EventTime {
        let time = Timestamp { seconds: self.wall.load(Ordering::Relaxed), nanos: 0 };
        let boot = format!("boot-{}", self.boot.load(Ordering::Relaxed));
        EventTime { time, trusted: self.trusted.load(Ordering::Relaxed), boot }
    }

    fn since_boot(&self) -> Duration {
        Duration::from_millis(self.millis.load(Ordering::Relaxed))
    }
}
