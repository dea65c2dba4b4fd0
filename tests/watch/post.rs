//! The fixture: an operator's post in a temporary folder. Waits for conditions, never for a time.

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// Far longer than anything here takes; only a failure waits this long.
const PATIENCE: Duration = Duration::from_secs(60);

pub struct Post {
    dir: tempfile::TempDir,
    daemon: Option<Child>,
    pub sticks: Vec<&'static str>,
    /// Whether the folders that stand for sticks count: they lie on the device of the mailbox.
    pub counts_same_device: bool,
}

impl Post {
    /// A card with an empty mailbox, and sticks in.
    pub fn new(sticks: &[&'static str]) -> Self {
        let post = Self {
            dir: tempfile::tempdir().unwrap(),
            daemon: None,
            sticks: sticks.to_vec(),
            counts_same_device: true,
        };
        std::fs::create_dir_all(post.path("mail")).unwrap();
        for stick in sticks {
            std::fs::create_dir(post.path(stick)).unwrap();
        }
        post.config("");
        post
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Writes the config; `more` comes before its tables.
    pub fn config(&self, more: &str) {
        self.config_with(more, "");
    }

    /// The same, with more tables at its end.
    pub fn config_with(&self, more: &str, tables: &str) {
        let folders: Vec<_> = self.sticks.iter().map(|s| self.path(s)).collect();
        let text = format!(
            "station = \"pier-4\"\nstate = {:?}\nsettle = \"300ms\"\nscan_every = \"1h\"\n{more}\n\
             [[mailbox]]\npath = {:?}\n[drives]\naccept = \"named\"\nfolders = {folders:?}\n\
             count_same_device = {}\n{tables}",
            self.path("state"),
            self.path("mail"),
            self.counts_same_device,
        );
        std::fs::write(self.path("config.toml"), text).unwrap();
    }

    pub fn command(&self, name: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_counterfoil"));
        // The program under test is a hundred times as long as the one installed.
        command.env("COUNTERFOIL_PROGRAMS", self.path("programs"));
        command.arg("--config").arg(self.path("config.toml")).arg(name);
        command
    }

    pub fn start(&mut self) {
        self.start_with(&[]);
    }

    pub fn start_with(&mut self, environment: &[(&str, &Path)]) {
        let log =
            std::fs::OpenOptions::new().create(true).append(true).open(self.path("log")).unwrap();
        let mut command = self.command("watch");
        command
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log);
        self.daemon = Some(command.spawn().unwrap());
    }

    pub fn pid(&self) -> u32 {
        self.daemon.as_ref().unwrap().id()
    }

    pub fn signal(&self, name: &str) {
        crate::support::signal::signal(self.daemon.as_ref().unwrap(), name);
    }

    /// Waits for the daemon to end.
    pub fn ended(&mut self) -> ExitStatus {
        let mut daemon = self.daemon.take().unwrap();
        let begun = Instant::now();
        loop {
            if let Some(status) = daemon.try_wait().unwrap() {
                return status;
            }
            assert!(begun.elapsed() < PATIENCE, "the daemon does not end");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    pub fn stop(&mut self) {
        self.signal("TERM");
        assert!(self.ended().success(), "{}", self.log());
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    /// Waits until a condition is true.
    pub fn until(&self, what: &str, is: impl FnMut() -> bool) {
        self.until_within(Duration::ZERO, what, is);
    }

    /// The same for a condition that takes at least this long.
    pub fn until_within(&self, least: Duration, what: &str, mut is: impl FnMut() -> bool) {
        let begun = Instant::now();
        while !is() {
            assert!(
                begun.elapsed() < PATIENCE + least,
                "never came true: {what}\nlog:\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Delivers a message as mail programs do: written elsewhere on the card, then renamed.
    pub fn deliver(&self, name: &str, text: &str) {
        let written = self.path("being-written");
        std::fs::write(&written, text).unwrap();
        let at = self.path("mail").join(name);
        std::fs::create_dir_all(at.parent().unwrap()).unwrap();
        std::fs::rename(written, at).unwrap();
    }

    pub fn rename(&self, from: &str, to: &str) {
        std::fs::rename(self.path(from), self.path(to)).unwrap();
    }

    /// The lines of a stick's ledger.
    pub fn ledger(&self, stick: &str) -> Vec<Value> {
        let path = self.path(stick).join("counterfoil/pier-4/ledger.jsonl");
        let text = std::fs::read_to_string(path).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// The paths in the ledger's lines of one kind.
    pub fn recorded_paths(&self, stick: &str, kind: &str) -> Vec<String> {
        let of_kind = |line: &&Value| line["kind"] == kind;
        let path = |line: &Value| line["path"].as_str().unwrap().to_owned();
        let mut paths: Vec<_> = self.ledger(stick).iter().filter(of_kind).map(path).collect();
        paths.sort();
        paths
    }

    pub fn until_mirrored(&self, stick: &str, paths: &[&str]) {
        self.until(&format!("{paths:?} mirrored on {stick}"), || {
            let told = self.recorded_paths(stick, "mirrored");
            paths.iter().all(|path| told.iter().any(|t| t == path))
        });
    }

    pub fn audit(&self) -> Value {
        let output = self.command("audit").arg("--json").output().unwrap();
        serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
    }

    /// Restores from all sticks into a new folder and returns the files there.
    pub fn restored(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let into = self.path("restored");
        drop(std::fs::remove_dir_all(&into));
        let mut command = self.command("restore");
        let output = command.arg("--into").arg(&into).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        files(&into)
    }

    pub fn mail(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        files(&self.path("mail"))
    }
}

impl Drop for Post {
    fn drop(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            drop(daemon.kill());
            drop(daemon.wait());
        }
    }
}

/// All files below a folder.
pub fn files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(root)
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let below = entry.path().strip_prefix(root).unwrap().to_owned();
            (below, std::fs::read(entry.path()).unwrap())
        })
        .collect()
}
