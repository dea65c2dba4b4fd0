//! Waits for changes of the table of mounts. Does not read the table: what is mounted where is found out by reading it
//! anew.

use crate::disk::DiskError;
use rustix::event::{PollFd, PollFlags, Timespec};
use rustix::fd::OwnedFd;
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use std::time::{Duration, Instant};

const TABLE: &str = "/proc/self/mountinfo";
/// A burst of changes is over after this long without one: a stick's partitions, a remount, a service's own copies of
/// a mount come together.
const QUIET: Duration = Duration::from_millis(150);
/// A burst counts as one change after this long, even if it is not over.
const BURST_LONGEST: Duration = Duration::from_secs(1);

/// A watch on the kernel's table of mounts.
#[derive(Debug)]
pub struct MountWatch(OwnedFd);

impl MountWatch {
    /// Opens the table.
    pub fn new() -> Result<Self, DiskError> {
        rustix::fs::open(TABLE, OFlags::RDONLY | OFlags::CLOEXEC, Mode::empty())
            .map(Self)
            .map_err(|errno| DiskError::new("open", TABLE, errno))
    }

    /// Waits, without a timer, until something is mounted or unmounted, and then until the burst of changes is over.
    pub fn wait(&self) -> Result<(), DiskError> {
        self.changed(None)?;
        let begun = Instant::now();
        while begun.elapsed() < BURST_LONGEST && self.changed(Some(QUIET))? {}
        Ok(())
    }

    /// Whether the table changed within a time (proc_pid_mounts(5): the file reports a priority event).
    fn changed(&self, within: Option<Duration>) -> Result<bool, DiskError> {
        let within = within.and_then(|span| Timespec::try_from(span).ok());
        loop {
            let mut fds = [PollFd::new(&self.0, PollFlags::PRI)];
            match rustix::event::poll(&mut fds, within.as_ref()) {
                Ok(ready) => return Ok(ready > 0),
                Err(Errno::INTR) => {}
                Err(errno) => return Err(DiskError::new("watch", TABLE, errno)),
            }
        }
    }
}
