//! The programs that a drive carries, so that it can be restored from where nothing is installed: the one that runs,
//! and those for other architectures that are installed with it. Never runs any of them.

use super::error::DiskError;
use super::volume::Source;
use rustix::io::Errno;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Where programs for other architectures are installed, each as `counterfoil-ARCHITECTURE`.
const FOLDER: &str = "/usr/libexec/counterfoil/programs";
/// The environment variable that names another folder. Then only the programs in that folder are carried: the program
/// under test is a hundred times as long as the one installed.
const OVERRIDE: &str = "COUNTERFOIL_PROGRAMS";
/// The program that runs, even if its file has been replaced by a later version.
const RUNNING: &str = "/proc/self/exe";
/// How the name of each begins.
const PREFIX: &str = "counterfoil-";

/// A program for one architecture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BundledProgram {
    /// Its name on a drive, as `counterfoil-x86_64`: the part after the dash is the output of `uname -m`.
    pub name: String,
    path: PathBuf,
}

impl BundledProgram {
    /// The program in a file, under a name.
    pub fn new(name: impl Into<String>, path: impl Into<PathBuf>) -> Self {
        Self { name: name.into(), path: path.into() }
    }

    /// Opens its file for reading.
    pub fn open(&self) -> Result<Box<dyn Source>, DiskError> {
        let shown = self.path.display();
        let file = File::open(&self.path).map_err(|error| fail(shown, &error))?;
        Ok(Box::new(ProgramSource(file, self.path.clone())))
    }
}

/// All programs of this host, one for each architecture.
pub fn programs() -> Vec<BundledProgram> {
    match std::env::var_os(OVERRIDE) {
        Some(folder) => installed(Path::new(&folder)),
        None => {
            let own = format!("{PREFIX}{}", std::env::consts::ARCH);
            let mut found = installed(Path::new(FOLDER));
            found.retain(|program| program.name != own);
            found.push(BundledProgram { name: own, path: RUNNING.into() });
            found
        }
    }
}

fn installed(folder: &Path) -> Vec<BundledProgram> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let program = |entry: std::fs::DirEntry| {
        let name = entry.file_name().into_string().ok()?;
        let arch = name.strip_prefix(PREFIX)?;
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        let usable = !arch.is_empty() && arch.len() <= 16 && arch.chars().all(plain);
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        (usable && is_file).then(|| BundledProgram { name, path: entry.path() })
    };
    let mut found: Vec<_> = entries.flatten().filter_map(program).collect();
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found
}

struct ProgramSource(File, PathBuf);

impl Source for ProgramSource {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        loop {
            match self.0.read(into) {
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                got => return got.map_err(|error| fail(self.1.display(), &error)),
            }
        }
    }
}

fn fail(shown: impl std::fmt::Display, error: &std::io::Error) -> DiskError {
    let errno = Errno::from_io_error(error).unwrap_or(Errno::IO);
    DiskError::new("read program", shown, errno)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_programs_with_the_name_of_an_architecture_are_carried() {
        let folder = tempfile::tempdir().unwrap();
        for name in [
            "counterfoil-x86_64",
            "counterfoil-aarch64",
            "counterfoil-",
            "other",
            "counterfoil-a.b",
        ] {
            std::fs::write(folder.path().join(name), name).unwrap();
        }
        std::fs::create_dir(folder.path().join("counterfoil-folder")).unwrap();
        let found = installed(folder.path());
        let names: Vec<_> = found.iter().map(|program| program.name.as_str()).collect();
        assert_eq!(names, ["counterfoil-aarch64", "counterfoil-x86_64"]);
        let mut bytes = [0; 64];
        let got = found[1].open().unwrap().read(&mut bytes).unwrap();
        assert_eq!(&bytes[..got], b"counterfoil-x86_64");
        assert_eq!(installed(&folder.path().join("none")), []);
    }
}
