//! Tells when the table of mounts has changed. Never acts on it: what is mounted where is found
//! out by looking anew.

use crate::disk::DiskError;
use rustix::event::{PollFd, PollFlags, Timespec};
use rustix::fd::OwnedFd;
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use std::time::{Duration, Instant};

const TABLE: &str = "/proc/self/mountinfo";
/// Mounts come in bursts: a stick's partitions, a remount, a service's own copies.
const QUIET: Duration = Duration::from_millis(150);
/// A table that never comes to rest is told of all the same.
const BURST_LONGEST: Duration = Duration::from_secs(1);

/// A watch on the kernel's table of mounts.
#[derive(Debug)]
pub struct MountWatch(OwnedFd);

impl MountWatch {
    /// Begins to watch.
    pub fn new() -> Result<Self, DiskError> {
        rustix::fs::open(TABLE, OFlags::RDONLY | OFlags::CLOEXEC, Mode::empty())
            .map(Self)
            .map_err(|errno| DiskError::new("open", TABLE, errno))
    }

    /// Waits, without any timer, until something was mounted or unmounted, and then until the table has
    /// come to rest.
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
