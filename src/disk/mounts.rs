//! Tells when the table of mounts has changed. Never acts on it: what is mounted where is found
//! out by opening the drives anew.

use super::error::DiskError;
use rustix::event::{PollFd, PollFlags};
use rustix::fd::OwnedFd;
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;

const TABLE: &str = "/proc/self/mountinfo";

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

    /// Waits, without any timer, until something was mounted or unmounted (proc(5): the file
    /// reports a priority event).
    pub fn wait(&self) -> Result<(), DiskError> {
        loop {
            let mut fds = [PollFd::new(&self.0, PollFlags::PRI)];
            match rustix::event::poll(&mut fds, None) {
                Ok(_) => return Ok(()),
                Err(Errno::INTR) => {}
                Err(errno) => return Err(DiskError::new("watch", TABLE, errno)),
            }
        }
    }
}
