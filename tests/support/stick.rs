//! Owns the view of a drive from outside: its files, its ledger, its manifest, and possible damage to them. Never reads
//! with the program's own code, so that it checks what is on the medium.

use counterfoil::model::Digest;
use serde_json::Value;
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A drive, as seen by somebody who has only a laptop.
#[derive(Clone)]
pub(crate) struct Stick {
    path: PathBuf,
    station: String,
}

impl Stick {
    pub(crate) fn at(path: &Path, station: &str) -> Self {
        Self { path: path.to_owned(), station: station.to_owned() }
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn home(&self) -> PathBuf {
        self.path.join("counterfoil")
    }

    pub(crate) fn bag(&self) -> PathBuf {
        self.home().join(&self.station)
    }

    pub(crate) fn ledger(&self) -> PathBuf {
        self.bag().join("ledger.jsonl")
    }

    pub(crate) fn manifest(&self) -> PathBuf {
        self.bag().join("manifest-sha256.txt")
    }

    /// The random id in `drive.json`.
    pub(crate) fn id(&self) -> String {
        let text = fs::read(self.home().join("drive.json")).unwrap();
        let json: Value = serde_json::from_slice(&text).unwrap();
        json["id"].as_str().unwrap().to_owned()
    }

    /// Moves the drive to another mount point, as a desktop would choose one: the same files on what the system takes
    /// for another mount.
    pub(crate) fn carry_to(&mut self, path: &Path) {
        super::station::sh("cp", &[OsStr::new("-a"), self.path.as_os_str(), path.as_os_str()]);
        fs::remove_dir_all(&self.path).unwrap();
        self.path = path.to_owned();
    }

    /// Pulls the drive: its mount point stays as an empty folder on the card.
    pub(crate) fn pull(&self) -> Pulled {
        let kept = tempfile::tempdir_in(self.path.parent().unwrap()).unwrap();
        fs::rename(&self.path, kept.path().join("stick")).unwrap();
        fs::create_dir(&self.path).unwrap();
        Pulled { kept, home: self.path.clone() }
    }

    /// Pulls the drive and plugs it in again.
    pub(crate) fn replug(&self) {
        self.pull().plug();
    }

    /// The payload files below `data/`, as in the manifest, sorted.
    pub(crate) fn payloads(&self) -> Vec<String> {
        let files = walkdir::WalkDir::new(self.bag().join("data")).into_iter().map(Result::unwrap);
        let mut names: Vec<_> = files
            .filter(|entry| entry.file_type().is_file())
            .map(|entry| entry.path().strip_prefix(self.bag()).unwrap().to_owned())
            .map(|path| path.into_os_string().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// Every line of the ledger that is JSON.
    pub(crate) fn lines(&self) -> Vec<Value> {
        let text = fs::read(self.ledger()).unwrap_or_default();
        text.split(|&b| b == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect()
    }

    pub(crate) fn lines_of(&self, kind: &str) -> Vec<Value> {
        self.lines().into_iter().filter(|line| line["kind"] == kind).collect()
    }

    /// The last payload recorded for a path.
    pub(crate) fn payload_of(&self, path: &str) -> PathBuf {
        let lines = self.lines_of("mirrored");
        let line = lines.iter().rfind(|line| line["path"] == path);
        let line = line.unwrap_or_else(|| panic!("{path} is not in the ledger: {lines:?}"));
        self.bag().join(line["payload"].as_str().unwrap())
    }

    /// Flips one bit of a file, as a worn stick does.
    pub(crate) fn rot(&self, file: &Path) {
        let mut bytes = fs::read(file).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0x10;
        fs::write(file, bytes).unwrap();
    }

    /// Everything on the drive, to check that nothing was written.
    pub(crate) fn everything(&self) -> Vec<(PathBuf, Option<Vec<u8>>)> {
        let found = walkdir::WalkDir::new(&self.path).sort_by_file_name().into_iter();
        found
            .map(Result::unwrap)
            .map(|entry| (entry.path().to_owned(), fs::read(entry.path()).ok()))
            .collect()
    }

    /// `sha256sum` confirms every copy in the manifest, and the manifest lists every copy once.
    pub(crate) fn expect_bag_valid(&self) {
        let output = Command::new("sha256sum")
            .args(["--strict", "--quiet", "-c", "manifest-sha256.txt"])
            .current_dir(self.bag())
            .output()
            .expect("sha256sum of coreutils is needed for this test");
        let said = String::from_utf8_lossy(&output.stderr).into_owned()
            + &String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{said}");
        let manifest = fs::read_to_string(self.manifest()).unwrap();
        let listed = manifest.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
        let mut listed: Vec<_> = listed.map(|line| line[66..].to_owned()).collect();
        listed.sort();
        assert_eq!(listed, self.payloads(), "every copy is listed once");
        self.expect_acknowledged_intact();
    }

    /// Every copy that a ledger line acknowledges is there and has its hash, unless a later line records that it was
    /// damaged or lost. Returns how many there are.
    pub(crate) fn expect_acknowledged_intact(&self) -> usize {
        let lines = self.lines();
        let given_up: Vec<_> = lines
            .iter()
            .filter(|line| line["kind"] == "damaged" || line["kind"] == "absent")
            .map(|line| line["payload"].clone())
            .collect();
        let mirrored = lines.iter().filter(|line| line["kind"] == "mirrored");
        let mirrored: Vec<_> =
            mirrored.filter(|line| !given_up.contains(&line["payload"])).collect();
        for line in &mirrored {
            let bytes = fs::read(self.bag().join(line["payload"].as_str().unwrap()));
            let bytes = bytes.unwrap_or_else(|error| panic!("{line}: {error}"));
            assert_eq!(Some(bytes.len() as u64), line["bytes"].as_u64(), "{line}");
            assert_eq!(line["sha256"], Digest::of(&bytes).to_string(), "{line}");
        }
        mirrored.len()
    }
}

/// A drive that is unplugged.
pub(crate) struct Pulled {
    kept: tempfile::TempDir,
    home: PathBuf,
}

impl Pulled {
    /// Puts it back where it was. The copy makes it another folder for the system, as another mount would be: the
    /// program must not take it for the previous session.
    pub(crate) fn plug(self) {
        let (from, to) = (self.kept.path().join("stick"), self.kept.path().join("mounted"));
        super::station::sh("cp", &[OsStr::new("-a"), from.as_os_str(), to.as_os_str()]);
        fs::rename(to, &self.home).unwrap();
    }
}
