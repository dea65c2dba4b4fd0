//! The folder in which the demo acts out a station: a card, sticks, incoming mail.
//! Never touches anything outside the temporary folder that it made.

use super::error::DiskError;
use super::host::{self, fail};
use super::temporary::TemporaryDir;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::SystemTime;

/// The demo's folder.
#[derive(Debug)]
pub enum DemoDir {
    /// It is removed with the value, and at the end of the process, however that ends.
    Temporary(TemporaryDir),
    /// It stays after the demo.
    Kept(PathBuf),
}

/// The files of a tree: for each path from its root the bytes and the time of the last change.
pub type Files = BTreeMap<PathBuf, (Vec<u8>, SystemTime)>;

impl DemoDir {
    /// Makes the folder; `keep` says whether it stays.
    pub fn new(keep: bool) -> Result<Self, DiskError> {
        match keep {
            true => host::temporary_folder("counterfoil-demo-").map(Self::Kept),
            false => TemporaryDir::make("demo").map(Self::Temporary),
        }
    }

    /// The host's path of a name in it.
    pub fn path(&self, name: &str) -> PathBuf {
        match self {
            Self::Temporary(folder) => folder.path().join(name),
            Self::Kept(path) => path.join(name),
        }
    }

    /// Makes a folder in it, with those above.
    pub fn folder(&self, name: &str) -> Result<(), DiskError> {
        super::temporary::make_dirs(&self.path(name))
    }

    /// Delivers a message as mail programs do: writes it under another name, then renames it.
    pub fn deliver(&self, folder: &str, name: &str, bytes: &[u8]) -> Result<(), DiskError> {
        let folder = self.path(folder);
        super::temporary::make_dirs(&folder.join("tmp"))?;
        super::temporary::make_dirs(&folder.join("new"))?;
        super::temporary::make_dirs(&folder.join("cur"))?;
        let written = folder.join("tmp").join(name);
        let write = || {
            std::fs::write(&written, bytes)?;
            std::fs::rename(&written, folder.join("new").join(name))
        };
        write().map_err(|e| fail("deliver", &written, &e))
    }

    /// Renames a file or folder.
    pub fn rename(&self, from: &str, to: &str) -> Result<(), DiskError> {
        let from = self.path(from);
        std::fs::rename(&from, self.path(to)).map_err(|e| fail("rename", &from, &e))
    }

    /// Deletes a file or a tree.
    pub fn destroy(&self, name: &str) -> Result<(), DiskError> {
        let path = self.path(name);
        let result = if path.is_dir() {
            std::fs::remove_dir_all(&path)
        } else {
            std::fs::remove_file(&path)
        };
        result.map_err(|e| fail("destroy", &path, &e))
    }

    /// Reads all files of a tree.
    pub fn files(&self, name: &str) -> Result<Files, DiskError> {
        let root = self.path(name);
        let mut files = Files::new();
        for entry in walkdir::WalkDir::new(&root).sort_by_file_name() {
            let entry = entry.map_err(|e| fail("read", &root, &e.into()))?;
            if !entry.file_type().is_file() {
                continue;
            }
            let read = || Ok((std::fs::read(entry.path())?, entry.metadata()?.modified()?));
            let file = read().map_err(|e: std::io::Error| fail("read", entry.path(), &e))?;
            let below = entry.path().strip_prefix(&root).unwrap_or(entry.path());
            files.insert(below.to_owned(), file);
        }
        Ok(files)
    }
}
