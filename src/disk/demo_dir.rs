//! A throw-away folder in which the demo plays a station: a card, sticks, mail coming in.
//! Never outside the temporary folder it made.

use super::error::DiskError;
use super::host::{self, fail};
use super::temporary::TemporaryDir;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::SystemTime;

/// The folder.
#[derive(Debug)]
pub enum DemoDir {
    /// It goes with the value, and with the process however that ends.
    Passing(TemporaryDir),
    /// It stays.
    Kept(PathBuf),
}

/// The files of a tree: path from its root, bytes, time of the last change.
pub type Files = BTreeMap<PathBuf, (Vec<u8>, SystemTime)>;

impl DemoDir {
    /// Makes it.
    pub fn new(keep: bool) -> Result<Self, DiskError> {
        match keep {
            true => host::temporary_folder("counterfoil-demo-").map(Self::Kept),
            false => TemporaryDir::make("demo").map(Self::Passing),
        }
    }

    /// A path in it.
    pub fn path(&self, name: &str) -> PathBuf {
        match self {
            Self::Passing(folder) => folder.path().join(name),
            Self::Kept(path) => path.join(name),
        }
    }

    /// Makes a folder.
    pub fn folder(&self, name: &str) -> Result<(), DiskError> {
        super::temporary::make_dirs(&self.path(name))
    }

    /// Delivers a message the way mail programs do: written under another name, then renamed.
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

    /// Gives a file or folder another name.
    pub fn rename(&self, from: &str, to: &str) -> Result<(), DiskError> {
        let from = self.path(from);
        std::fs::rename(&from, self.path(to)).map_err(|e| fail("rename", &from, &e))
    }

    /// Destroys a file or a tree.
    pub fn destroy(&self, name: &str) -> Result<(), DiskError> {
        let path = self.path(name);
        let result = if path.is_dir() {
            std::fs::remove_dir_all(&path)
        } else {
            std::fs::remove_file(&path)
        };
        result.map_err(|e| fail("destroy", &path, &e))
    }

    /// Every file of a tree.
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
