//! A file of a drive that is being read or written. Never reads a file for ever whose length the medium only claims.

use super::error::DiskError;
use super::error::ErrorKind::Refused;
use super::openat;
use super::volume::{Sink, Source};
use crate::model::RelName;
use rustix::fd::{AsFd as _, OwnedFd};
use rustix::io::Errno;

/// An open file, and its next byte.
pub(super) struct DriveFile {
    pub(super) fd: OwnedFd,
    pub(super) at: RelName,
    /// The drive, for a person.
    pub(super) shown: String,
    pub(super) offset: u64,
    /// Bytes that are still read of a file whose length is far greater than what the medium holds of it.
    pub(super) left: Option<u64>,
}

impl DriveFile {
    fn fail(&self, operation: &'static str, errno: Errno) -> DiskError {
        DiskError::new(operation, format_args!("{} on {}", self.at, self.shown), errno)
    }
}

impl Sink for DriveFile {
    fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        openat::write_all(self.fd.as_fd(), bytes, self.offset)
            .map_err(|errno| self.fail("write", errno))?;
        self.offset += bytes.len() as u64;
        Ok(())
    }
}

impl Source for DriveFile {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        let got =
            rustix::io::retry_on_intr(|| rustix::io::pread(&self.fd, &mut *into, self.offset))
                .map_err(|errno| self.fail("read", errno))?;
        self.offset += got as u64;
        if let Some(left) = &mut self.left {
            *left = left.saturating_sub(got as u64);
            if *left == 0 {
                return Err(hollow_file_error(&self.at, &self.shown));
            }
        }
        Ok(got)
    }
}

/// The error of a file whose length is greater than what the medium holds of it.
pub(super) fn hollow_file_error(at: &RelName, shown: &str) -> DiskError {
    DiskError::with("read", format_args!("{at} on {shown}"), Errno::FBIG, Refused)
}
