//! The clock of all tests in process: it moves when a test moves it, or with each reading. Never asks the machine for
//! the time.

use counterfoil::model::{Clock, EventTime, Timestamp};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

/// A clock that a test moves by hand.
#[derive(Debug)]
pub(crate) struct HandClock {
    pub(crate) boot: AtomicU64,
    pub(crate) wall: AtomicI64,
    /// Shared with a stick that advances it.
    pub(crate) millis: Arc<AtomicU64>,
    trusted: AtomicBool,
    /// Whether it advances by a millisecond whenever it is read, so that no two readings are alike.
    ticks: bool,
}

impl HandClock {
    pub(crate) fn new() -> Self {
        Self {
            boot: AtomicU64::new(1),
            wall: AtomicI64::new(1_800_000_000),
            millis: Arc::new(AtomicU64::new(60_000)),
            trusted: AtomicBool::new(false),
            ticks: false,
        }
    }

    /// A clock that advances by a millisecond whenever it is read.
    pub(crate) fn ticking() -> Self {
        Self { ticks: true, ..Self::new() }
    }

    fn read(&self) -> u64 {
        self.millis.fetch_add(u64::from(self.ticks), Ordering::Relaxed)
    }

    pub(crate) fn advance(&self, millis: u64) {
        self.millis.fetch_add(millis, Ordering::Relaxed);
    }

    pub(crate) fn set_wall(&self, seconds: i64) {
        self.wall.store(seconds, Ordering::Relaxed);
    }

    /// Sets whether its wall time is trusted.
    pub(crate) fn trust(&self, on: bool) {
        self.trusted.store(on, Ordering::Relaxed);
    }

    pub(crate) fn reboot(&self) {
        self.boot.fetch_add(1, Ordering::Relaxed);
        self.millis.store(5_000, Ordering::Relaxed);
    }
}

impl Clock for HandClock {
    fn event_time(&self) -> EventTime {
        let passed = if self.ticks { self.read() / 1_000 } else { 0 };
        let seconds = self.wall.load(Ordering::Relaxed) + passed as i64;
        let time = Timestamp { seconds, nanos: 0 };
        let boot = format!("boot-{}", self.boot.load(Ordering::Relaxed));
        EventTime { time, trusted: self.trusted.load(Ordering::Relaxed), boot }
    }

    fn since_boot(&self) -> Duration {
        Duration::from_millis(self.read())
    }
}
