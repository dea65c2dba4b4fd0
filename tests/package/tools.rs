//! The programs asked: groff, shellcheck, systemd-analyze, and the program itself.
//! Never does without one: what cannot be asked has not been checked.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// What a program said and how it ended.
pub(crate) struct Said {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs a program to its end, in plain English, with no config of this machine in sight.
pub(crate) fn run<A: AsRef<OsStr>>(program: impl AsRef<OsStr>, args: &[A]) -> Said {
    let program = program.as_ref();
    let mut command = Command::new(program);
    command.args(args).env("LC_ALL", "C").env("HOME", "/nowhere");
    let out = command.output().unwrap_or_else(|error| {
        panic!("{} cannot be run ({error}): tests/all installs what is needed", program.display())
    });
    Said {
        code: out.status.code(),
        out: String::from_utf8_lossy(&out.stdout).into_owned(),
        err: String::from_utf8_lossy(&out.stderr).into_owned(),
    }
}

/// A path of the repository.
pub(crate) fn ours(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A text file of the repository.
pub(crate) fn text(path: &str) -> String {
    let path = ours(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}
