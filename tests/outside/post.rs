//! A station in a temporary folder: a mailbox on its card, drives, and the built program. Makes no assertions of its
//! own: it does what the operator does and returns the program's output.

use crate::tools::{ToolOutput, run};
use serde_json::Value;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

pub(crate) struct Post {
    dir: tempfile::TempDir,
    /// Name of the folder with the catalogue; another name is another card.
    state: String,
}

impl Post {
    /// A card with an empty mailbox.
    pub(crate) fn new() -> Self {
        let post = Self { dir: tempfile::tempdir().unwrap(), state: "state".to_owned() };
        fs::create_dir(post.mailbox()).unwrap();
        // So that no config of the test machine has any effect.
        fs::write(post.path("empty.toml"), "").unwrap();
        post
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn mailbox(&self) -> PathBuf {
        self.path("mail")
    }

    /// The bag of this station on a drive.
    pub(crate) fn bag(&self, drive: &str) -> PathBuf {
        self.path(drive).join("counterfoil/pier-4")
    }

    /// A message arrives.
    pub(crate) fn deliver(&self, name: impl AsRef<[u8]>, bytes: &[u8]) {
        let at = self.mailbox().join(OsStr::from_bytes(name.as_ref()));
        fs::create_dir_all(at.parent().unwrap()).unwrap();
        fs::write(at, bytes).unwrap();
    }

    /// The card dies and a fresh one is put in: no mail, no catalogue.
    pub(crate) fn card_dies(&mut self) {
        fs::remove_dir_all(self.mailbox()).unwrap();
        fs::create_dir(self.mailbox()).unwrap();
        self.state.push_str("-new");
    }

    /// Runs a command on the mailbox and these drives.
    pub(crate) fn run(&self, command: &str, drives: &[&str], more: &[&OsStr]) -> ToolOutput {
        // The folders that stand for drives lie on the device of the mailbox.
        let mut args: Vec<OsString> =
            vec![command.into(), "--json".into(), "--count-same-device".into()];
        let mut give = |option: &str, value: &Path| {
            args.push(option.into());
            args.push(value.into());
        };
        give("--config", &self.path("empty.toml"));
        give("--station", Path::new("pier-4"));
        give("--state", &self.path(&self.state));
        give("--mailbox", &self.mailbox());
        for drive in drives {
            fs::create_dir_all(self.path(drive)).unwrap();
            give("--drive", &self.path(drive));
        }
        args.extend(more.iter().map(OsString::from));
        let args: Vec<&OsStr> = args.iter().map(OsString::as_os_str).collect();
        run(env!("CARGO_BIN_EXE_counterfoil"), &args, self.dir.path())
    }

    /// Runs a command that has to end with this exit code, and returns its JSON.
    pub(crate) fn expect(
        &self,
        code: i32,
        command: &str,
        drives: &[&str],
        more: &[&OsStr],
    ) -> Value {
        let output = self.run(command, drives, more);
        assert_eq!(output.code, Some(code), "{command}: {}\n{}", output.out, output.err);
        serde_json::from_str(&output.out)
            .unwrap_or_else(|e| panic!("{command}: {e}: {}", output.out))
    }

    /// Mirrors to these drives; every message must get there.
    pub(crate) fn mirror(&self, drives: &[&str]) -> Value {
        self.expect(0, "mirror", drives, &[])
    }
}
