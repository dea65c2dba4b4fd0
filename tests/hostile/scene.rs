//! Owns the fixture of every test here: a station, a drive that will be made bad, a good one, and files outside both
//! that must be neither read nor written. Never decides what is expected of the bad drive: the test does.

use crate::command_output::CommandOutput;
use crate::station::{Station, expect_same, mail, tree};
use crate::stick::Stick;
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::SystemTime;

/// Bytes that must turn up nowhere.
pub(crate) const SECRET: &str = "canary: not of this mailbox and not of this drive";

pub(crate) struct Scene {
    pub(crate) station: Station,
    pub(crate) bad: Stick,
    pub(crate) good: Stick,
    outside: Vec<(PathBuf, SystemTime)>,
    delivered: AtomicUsize,
}

impl Scene {
    /// Nothing is mirrored yet. In memory, where a sync costs nothing.
    pub(crate) fn empty() -> Self {
        let (mut station, bad) = Station::in_memory();
        let good = station.drive("blue");
        fs::create_dir(station.path("outside")).unwrap();
        let mut scene =
            Self { station, bad, good, outside: Vec::new(), delivered: AtomicUsize::new(0) };
        for name in ["outside/secret", "outside/0001", "outside/drive.json"] {
            let path = scene.station.path(name);
            fs::write(&path, SECRET).unwrap();
            let time = fs::metadata(&path).unwrap().modified().unwrap();
            scene.outside.push((path, time));
        }
        scene
    }

    /// A few messages are on both drives.
    pub(crate) fn mirrored(messages: usize) -> Self {
        let scene = Self::empty();
        scene.deliver(messages);
        scene.station.mirror().expect_safe().expect_counts(&[("copied", 2 * messages as u64)]);
        scene
    }

    pub(crate) fn deliver(&self, messages: usize) {
        for _ in 0..messages {
            let number = self.delivered.fetch_add(1, Ordering::Relaxed);
            self.station.deliver(format!("m{number:03}.eml"), mail(&format!("traffic {number}")));
        }
    }

    pub(crate) fn secret_file(&self) -> PathBuf {
        self.station.path("outside/secret")
    }

    pub(crate) fn secret_folder(&self) -> PathBuf {
        self.station.path("outside")
    }

    /// A new card, or a lost catalogue: both drives are read from their beginning.
    pub(crate) fn forget(&self) {
        fs::remove_dir_all(self.station.state()).unwrap();
    }

    /// The good drive was served: every message is on it, and comes back from both drives together; nothing outside was
    /// read or written.
    pub(crate) fn expect_good_drive_served(&self, mirrored: CommandOutput) -> CommandOutput {
        let blue = mirrored.drive("blue");
        assert!(["safe", "settling"].contains(&blue["state"].as_str().unwrap()), "{blue}");
        assert_eq!(blue["failed"], 0, "{blue}");
        self.good.expect_bag_valid();
        self.expect_outside_untouched(&mirrored);
        mirrored
    }

    /// Everything in the mailbox comes back from both drives together.
    pub(crate) fn expect_all_restored(&self) -> CommandOutput {
        let output = self.station.restore();
        for (name, what) in tree(&self.station.inbox()) {
            let path = self.station.restored().join(path_of(&name));
            let back = fs::read(&path).unwrap_or_else(|e| {
                panic!("{}: {e}\n{}{}", path.display(), output.text(), output.warnings())
            });
            assert!(back == what.0, "{}: other bytes", path.display());
        }
        self.expect_outside_untouched(&output);
        output
    }

    /// The same where the bad drive itself has an outside file under one of its names.
    pub(crate) fn expect_all_restored_comparing_only_the_mailbox(&self) {
        let output = self.station.restore();
        expect_same(&self.station.inbox(), &self.station.restored());
        assert!(
            !contains(&output.out, SECRET.as_bytes()) && !contains(&output.err, SECRET.as_bytes())
        );
    }

    /// And nothing else comes back.
    pub(crate) fn expect_just_this_restored(&self) -> CommandOutput {
        let output = self.expect_all_restored();
        expect_same(&self.station.inbox(), &self.station.restored());
        output
    }

    /// The files outside are unchanged, and their bytes are nowhere else.
    pub(crate) fn expect_outside_untouched(&self, output: &CommandOutput) {
        for (path, time) in &self.outside {
            assert_eq!(fs::read_to_string(path).unwrap(), SECRET, "{path:?}");
            assert_eq!(fs::metadata(path).unwrap().modified().unwrap(), *time, "{path:?}");
        }
        let there = fs::read_dir(self.secret_folder()).unwrap().count();
        assert_eq!(there, self.outside.len(), "nothing was made outside");
        for said in [&output.out, &output.err] {
            assert!(!contains(said, SECRET.as_bytes()), "a secret was said");
        }
        for root in [self.good.path(), self.bad.path(), &self.station.restored()] {
            expect_without_secret(root);
        }
    }
}

/// No file below contains the secret. Links are not followed: their targets are not below.
pub(crate) fn expect_without_secret(root: &Path) {
    for entry in walkdir::WalkDir::new(root).into_iter().filter_map(Result::ok) {
        if entry.file_type().is_file() && entry.metadata().unwrap().len() < 1 << 20 {
            let bytes = fs::read(entry.path()).unwrap();
            assert!(!contains(&bytes, SECRET.as_bytes()), "{:?} holds a secret", entry.path());
        }
    }
}

fn contains(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|window| window == part)
}

fn path_of(raw: &[u8]) -> &Path {
    use std::os::unix::ffi::OsStrExt as _;
    Path::new(OsStr::from_bytes(raw))
}
