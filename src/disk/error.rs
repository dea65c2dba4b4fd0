//! Errors of the file system: which operation failed, on what, and what kind of trouble that is.
//! Always shows the operating system's own message.

use rustix::io::Errno;
use std::fmt;

/// An operation on a file system failed.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{operation} {what}: {errno}{}", Hint(*.trouble, .operation))]
pub struct DiskError {
    /// The operation, as a verb: "open", "sync".
    pub operation: &'static str,
    /// The file or drive it failed on, safe to show on a terminal.
    pub what: String,
    /// The operating system's error number.
    pub errno: Errno,
    /// What it means for the work.
    pub trouble: ErrorKind,
}

impl DiskError {
    /// An error whose trouble follows from the operating system's error number.
    pub fn new(operation: &'static str, what: impl fmt::Display, errno: Errno) -> Self {
        Self { operation, what: what.to_string(), errno, trouble: ErrorKind::of(errno) }
    }

    /// An error whose trouble the error number alone does not show.
    pub fn with(
        operation: &'static str,
        what: impl fmt::Display,
        errno: Errno,
        trouble: ErrorKind,
    ) -> Self {
        Self { operation, what: what.to_string(), errno, trouble }
    }
}

/// What an error means for the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The device or folder is not there any more, or never was.
    Gone,
    /// The medium reports read or write errors.
    Failing,
    /// There is no room left.
    Full,
    /// It can only be read.
    ReadOnly,
    /// This user lacks the permission.
    Denied,
    /// The file system cannot hold a file of this length.
    TooLarge,
    /// Something there is not what it should be: a link, a pipe, another device.
    Refused,
    /// Another process is working on it.
    Busy,
    /// Its owner does not want it written to.
    NotAccepted,
    /// It was found not to keep what it is given.
    Untrusted,
    /// Something with this name is already there.
    Exists,
    /// The file system takes no name or path of this length.
    NameTooLong,
    /// The operation was ended early, since the program is to stop.
    Stopped,
    /// Anything else.
    Other,
}

impl ErrorKind {
    fn of(errno: Errno) -> Self {
        match errno {
            Errno::NOENT | Errno::NODEV | Errno::NXIO | Errno::STALE | Errno::NOTCONN => Self::Gone,
            Errno::IO | Errno::UCLEAN | Errno::TIMEDOUT => Self::Failing,
            Errno::NOSPC | Errno::DQUOT => Self::Full,
            Errno::ROFS => Self::ReadOnly,
            Errno::ACCESS | Errno::PERM => Self::Denied,
            Errno::FBIG => Self::TooLarge,
            Errno::LOOP | Errno::XDEV | Errno::NOTDIR | Errno::MLINK => Self::Refused,
            Errno::WOULDBLOCK => Self::Busy,
            Errno::EXIST => Self::Exists,
            Errno::NAMETOOLONG => Self::NameTooLong,
            _ => Self::Other,
        }
    }
}

/// What to do next, by the trouble and, where it matters, by the operation.
struct Hint<'a>(ErrorKind, &'a str);

impl fmt::Display for Hint<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            ErrorKind::Gone if self.1 == "open drive" => "; is it plugged in and mounted?",
            ErrorKind::Gone if self.1 == "open mailbox" => "; check its path",
            ErrorKind::Gone | ErrorKind::Exists | ErrorKind::Other => "",
            ErrorKind::NotAccepted | ErrorKind::Untrusted => "",
            ErrorKind::Stopped => "; it was broken off, and goes on the next time",
            ErrorKind::Failing => "; read what is there with `counterfoil restore` and replace the drive",
            ErrorKind::Full => "; make room there, or use another drive",
            ErrorKind::ReadOnly => "; it can be restored from, but not written: check its switch or how it is mounted",
            ErrorKind::Denied => "; give the user who runs counterfoil the right to it (mount option uid or gid)",
            ErrorKind::NameTooLong => "; a file system that takes longer names is needed there",
            ErrorKind::TooLarge => "; use a drive with a file system for files of this length",
            ErrorKind::Refused => {
                "; something else stands where our own folder or file should be (a link, a mount, a pipe, a \
                 device): look at it by hand, or use another drive"
            },
            ErrorKind::Busy => "; another counterfoil is at work on it: wait, or stop that one",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_room_and_no_more_of_a_quota_are_one_trouble() {
        for errno in [Errno::NOSPC, Errno::DQUOT] {
            assert_eq!(DiskError::new("write", "x", errno).trouble, ErrorKind::Full);
        }
        assert_eq!(DiskError::new("write", "x", Errno::FBIG).trouble, ErrorKind::TooLarge);
        assert_eq!(DiskError::new("name", "x", Errno::NAMETOOLONG).trouble, ErrorKind::NameTooLong);
    }
}
