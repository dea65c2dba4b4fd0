//! The exit codes, listed in `--help` and in the README.

use crate::job::report::verdict::{Counts, Verdict};
use std::process::{ExitCode, Termination};

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done, and all is safe.
    Safe = 0,
    /// Done, but something is not safe: unmirrored, damaged, not restorable.
    Unsafe = 1,
    /// The command line or the config is wrong; nothing was done.
    Usage = 2,
    /// It could not be done: no mailbox, no drive, an I/O error.
    Failed = 3,
}

impl Exit {
    /// What a verdict ends with, in every command that gives one.
    pub(super) fn of(counts: &Counts) -> Self {
        match counts.verdict() {
            _ if !counts.could_be_judged() => Self::Failed,
            Verdict::Safe => Self::Safe,
            Verdict::FewerCopies
            | Verdict::NotKnown
            | Verdict::NotSafe
            | Verdict::DamagedOrMissing => Self::Unsafe,
        }
    }

    /// `Safe` or `Unsafe`.
    pub(super) fn safe(safe: bool) -> Self {
        if safe { Self::Safe } else { Self::Unsafe }
    }
}

impl Termination for Exit {
    fn report(self) -> ExitCode {
        ExitCode::from(self as u8)
    }
}
