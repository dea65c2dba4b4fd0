//! The station's card: a mailbox in a folder in memory, a catalogue, a clock set by hand. Makes no assertions: the
//! oracle does.

use counterfoil::disk::MailboxDir;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::mirror::OpenMailbox;
use counterfoil::job::scan::{ScanRules, check_paths, scan};
use counterfoil::job::{JobError, MailboxRef};
use counterfoil::model::{Clock, RelName, StationName};
use globset::GlobSet;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

pub(crate) fn station() -> StationName {
    "pier-4".parse().unwrap()
}

pub(crate) fn rel(path: &str) -> RelName {
    RelName::new(path).unwrap()
}

/// Folders in memory, deleted when the value is dropped. Named after the run, since the mailbox's path is in every
/// ledger and a replay must find the same.
pub(crate) struct Place(PathBuf, std::fs::File);

impl Place {
    /// Creates the folder for a run; another run of the same name at the same time is an error. Files that an
    /// interrupted run left there are deleted.
    pub(crate) fn new(run: &str) -> Self {
        // A folder of this user's own: nobody can write into one that root or another user made.
        let me = rustix::process::geteuid();
        let above = match me.is_root() {
            true => "/dev/shm/counterfoil-sim".to_owned(),
            false => format!("/dev/shm/counterfoil-sim-{}", me.as_raw()),
        };
        let path = Path::new(&above).join(run);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let lock = std::fs::File::create(path.with_extension("lock")).unwrap();
        lock.try_lock().unwrap_or_else(|_| panic!("{} is being run by another", path.display()));
        if path.exists() {
            std::fs::remove_dir_all(&path).unwrap();
        }
        std::fs::create_dir(&path).unwrap();
        Self(path, lock)
    }

    pub(crate) fn folder(&self, name: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::create_dir_all(&path).unwrap();
        path
    }

    /// An empty folder.
    pub(crate) fn emptied(&self, name: &str) -> PathBuf {
        let path = self.0.join(name);
        if path.exists() {
            std::fs::remove_dir_all(&path).unwrap();
        }
        self.folder(name)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        // The rest is in memory, and is deleted by the next run of the same name.
        drop(std::fs::remove_dir_all(&self.0));
        drop(std::fs::remove_file(self.0.with_extension("lock")));
        drop(self.1.unlock());
    }
}

pub(crate) struct Card {
    pub(crate) catalogue: Catalogue,
    pub(crate) root: PathBuf,
    /// Deletions seen since the last scan.
    pub(crate) seen_gone: Vec<RelName>,
    /// Messages seen to be replaced since then.
    pub(crate) hinted: Vec<RelName>,
    /// For one sabotage: the id of its next writer, which its copy draws as well.
    pub(crate) next_writer: Option<u64>,
    written: u64,
}

impl Card {
    pub(crate) fn new(root: PathBuf) -> Self {
        let catalogue = Catalogue::in_memory().unwrap();
        let (seen_gone, hinted) = (Vec::new(), Vec::new());
        Self { catalogue, root, seen_gone, hinted, next_writer: None, written: 0 }
    }

    /// A copy with the same knowledge, except for changes seen and not scanned yet.
    pub(crate) fn copied(&self) -> Self {
        let (catalogue, root) = (self.catalogue.copied().unwrap(), self.root.clone());
        let (seen_gone, hinted) = (Vec::new(), Vec::new());
        let Self { next_writer, written, .. } = *self;
        Self { catalogue, root, seen_gone, hinted, next_writer, written }
    }

    pub(crate) fn at(&self, path: &str) -> PathBuf {
        self.root.join(path)
    }

    /// Puts a message there as a mail program does: written under another name, then renamed, replacing any that is
    /// there.
    pub(crate) fn deliver(&mut self, path: &str, bytes: &[u8]) {
        if self.at(path).exists() {
            self.hinted.push(rel(path));
        }
        self.written += 1;
        std::fs::create_dir_all(self.at("tmp")).unwrap();
        let passing = self.at("tmp").join(self.written.to_string());
        std::fs::write(&passing, bytes).unwrap();
        self.date(&passing);
        std::fs::create_dir_all(self.at(path).parent().unwrap()).unwrap();
        std::fs::rename(passing, self.at(path)).unwrap();
    }

    /// Changes a message in place, as a failing card or a careless program does.
    pub(crate) fn write_over(&mut self, path: &str, bytes: &[u8]) {
        self.written += 1;
        std::fs::write(self.at(path), bytes).unwrap();
        self.date(&self.at(path));
    }

    /// Files get times by their number, not the machine's: times are in the ledger, and a replay must find the same.
    fn date(&self, path: &Path) {
        let time = std::time::UNIX_EPOCH + Duration::from_secs(1_700_000_000 + self.written);
        let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
        file.set_modified(time).unwrap();
        file.set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    }

    pub(crate) fn rename(&self, from: &str, to: &str) {
        std::fs::create_dir_all(self.at(to).parent().unwrap()).unwrap();
        std::fs::rename(self.at(from), self.at(to)).unwrap();
    }

    pub(crate) fn remove(&mut self, path: &str, seen: bool) {
        std::fs::remove_file(self.at(path)).unwrap();
        if seen {
            self.seen_gone.push(rel(path));
        }
    }

    /// What is in the mailbox now.
    pub(crate) fn messages(&self) -> BTreeMap<String, Vec<u8>> {
        let mut all = tree(&self.root);
        all.retain(|path, _| !path.starts_with("tmp/"));
        all
    }

    pub(crate) fn mailbox(&self) -> Result<OpenMailbox, JobError> {
        let name = "in".parse().unwrap();
        OpenMailbox::open(&self.catalogue, &MailboxRef { name, path: self.root.clone() })
    }

    /// Scans the mailbox. Deletions seen are kept until a scan has reported them.
    pub(crate) fn scan(&mut self, clock: &dyn Clock) -> Result<(), JobError> {
        let open = self.mailbox()?;
        let dir = MailboxDir::open(&self.root)?;
        let hold = |_: &RelName, _| false;
        let ignore = GlobSet::empty();
        let rules = ScanRules {
            ignore: &ignore,
            stable_for: 0,
            seen_gone: &self.seen_gone,
            hold: &hold,
            clock,
        };
        check_paths(&self.catalogue, open.row, &dir, &self.hinted, &rules)?;
        scan(&self.catalogue, open.row, &dir, &rules)?;
        self.seen_gone.clear();
        self.hinted.clear();
        Ok(())
    }
}

/// Every file below a folder.
pub(crate) fn tree(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let files = walkdir::WalkDir::new(root).into_iter().map(Result::unwrap);
    files
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let path = entry.path().strip_prefix(root).unwrap().to_str().unwrap().to_owned();
            (path, std::fs::read(entry.path()).unwrap())
        })
        .collect()
}
