//! Folders that no mail is ever restored into, whoever names them: homes and the folders above them, the system's
//! folders, and folders whose files programs obey.
//! Compares folders, not paths: a link, `..` or a second mount leads to the same folder.

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Component, Path, PathBuf};

/// The system's folders, with all that is below. The folders of `/` whose names begin with `lib` are added.
const SYSTEM: [&str; 11] =
    ["/bin", "/boot", "/dev", "/efi", "/etc", "/proc", "/run", "/sbin", "/sys", "/usr", "/var"];
/// The only folders of the system that hold mail, data of its users, and temporary files.
const FREE: [&str; 8] = [
    "/dev/shm",
    "/run/media",
    "/var/local",
    "/var/mail",
    "/var/opt",
    "/var/spool/mail",
    "/var/tmp",
    "/var/vmail",
];
/// Folders of a home whose files programs obey or trust, even files that are not executable.
const SETTINGS: [&str; 10] = [
    ".config/autostart",
    ".config/counterfoil",
    ".config/environment.d",
    ".config/systemd",
    ".gnupg",
    ".local/bin",
    ".local/share/applications",
    ".local/share/dbus-1",
    ".local/share/systemd",
    ".ssh",
];

/// The reason why no mail is restored into a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reserved {
    /// It is a user's home.
    Home,
    /// A user's home is in it.
    AboveHome,
    /// It belongs to the system.
    System,
    /// Programs obey files in it, or in a folder below it.
    Settings,
}

/// The folders of a host that no mail is restored into.
#[derive(Debug, Default)]
pub struct ReservedFolders {
    homes: Vec<Ancestors>,
    settings: Vec<Ancestors>,
    system: Vec<Ancestors>,
    free: Vec<Ancestors>,
}

impl ReservedFolders {
    /// Those of this host. `own` are folders with files that this program obeys.
    pub fn of_host(own: &[PathBuf]) -> Self {
        let passwd = std::fs::read("/etc/passwd").unwrap_or_default();
        let mut homes = homes_in(&passwd);
        homes.push("/root".into());
        homes.extend(std::env::var_os("HOME").map(PathBuf::from).filter(|home| home.is_absolute()));
        // Many users of the system have no home, and name the same folder.
        homes.sort();
        homes.dedup();
        let settings = homes.iter().flat_map(|home| SETTINGS.iter().map(|below| home.join(below)));
        let settings = settings.chain(own.iter().cloned());
        let libraries = std::fs::read_dir("/").into_iter().flatten().flatten();
        let libraries = libraries.map(|entry| entry.path()).filter(|path| {
            path.file_name().is_some_and(|name| name.as_bytes().starts_with(b"lib"))
        });
        let system = SYSTEM.iter().map(PathBuf::from).chain(libraries);
        Self {
            settings: settings.map(|path| Ancestors::at(&path)).collect(),
            homes: homes.iter().map(|path| Ancestors::at(path)).collect(),
            system: system.map(|path| Ancestors::at(&path)).collect(),
            free: FREE.iter().map(|path| Ancestors::at(Path::new(path))).collect(),
        }
    }

    /// Why no mail is restored into a folder; `None` if it may be. The path must be without links and dots.
    pub fn why(&self, folder: &Path) -> Option<Reserved> {
        let target = Ancestors::of(folder);
        let itself = target.folder()?;
        let is_one_of = |at: &IdentifiedFolder, kept: &[Ancestors]| {
            kept.iter().filter_map(Ancestors::folder).any(|folder| at.is(folder))
        };
        let holds_one_of = |kept: &[Ancestors]| kept.iter().any(|chain| chain.has(itself));
        let is_root = itself.is(&IdentifiedFolder::at(Path::new("/")));
        if is_one_of(itself, &self.homes) {
            return Some(Reserved::Home);
        }
        if holds_one_of(&self.homes) || itself.path == Path::new("/home") {
            return Some(if is_root { Reserved::System } else { Reserved::AboveHome });
        }
        let is_below_settings = target.0.iter().any(|at| is_one_of(at, &self.settings));
        if is_below_settings || holds_one_of(&self.settings) {
            return Some(Reserved::Settings);
        }
        let nearest = target.0.iter().find_map(|at| {
            match (is_one_of(at, &self.free), is_one_of(at, &self.system)) {
                (true, _) => Some(None),
                (false, true) => Some(Some(Reserved::System)),
                (false, false) => None,
            }
        });
        nearest.flatten().or_else(|| is_root.then_some(Reserved::System))
    }
}

/// A folder by its path and its identity: a second mount shows the same folder at another path.
#[derive(Debug)]
struct IdentifiedFolder {
    path: PathBuf,
    /// Device and inode, if it is there.
    node: Option<(u64, u64)>,
}

impl IdentifiedFolder {
    fn at(path: &Path) -> Self {
        let node = path.symlink_metadata().ok().map(|facts| (facts.dev(), facts.ino()));
        Self { path: path.to_owned(), node }
    }

    fn is(&self, other: &Self) -> bool {
        self.path == other.path || self.node.is_some() && self.node == other.node
    }
}

/// A folder and all folders above it, up to `/`.
#[derive(Debug)]
struct Ancestors(Vec<IdentifiedFolder>);

impl Ancestors {
    /// That of the folder where a path leads.
    fn at(path: &Path) -> Self {
        Self::of(&leads_to(path))
    }

    fn of(folder: &Path) -> Self {
        Self(folder.ancestors().map(IdentifiedFolder::at).collect())
    }

    fn folder(&self) -> Option<&IdentifiedFolder> {
        self.0.first()
    }

    fn has(&self, folder: &IdentifiedFolder) -> bool {
        self.0.iter().any(|at| at.is(folder))
    }
}

/// Where a path leads, without links and dots: resolved as far as it exists, and as it would be made from there on.
pub fn leads_to(path: &Path) -> PathBuf {
    let here = std::env::current_dir().unwrap_or_default();
    let mut at = PathBuf::from("/");
    for part in here.join(path).components() {
        match part {
            Component::ParentDir => {
                at.pop();
            }
            Component::Normal(name) => {
                let below = at.join(name);
                at = std::fs::canonicalize(&below).unwrap_or(below);
            }
            Component::RootDir | Component::CurDir | Component::Prefix(_) => {}
        }
    }
    at
}

/// The homes in the list of users (passwd(5)).
fn homes_in(passwd: &[u8]) -> Vec<PathBuf> {
    let fields = passwd.split(|&b| b == b'\n').map(|line| line.split(|&b| b == b':'));
    let homes = fields.filter_map(|mut fields| fields.nth(5));
    homes.map(|home| PathBuf::from(OsStr::from_bytes(home))).filter(|p| p.is_absolute()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A host below a folder.
    fn host(root: &Path) -> ReservedFolders {
        let at = |paths: &[&str]| paths.iter().map(|p| Ancestors::at(&root.join(p))).collect();
        for folder in ["home/op/.ssh", "etc", "var/mail", "srv"] {
            std::fs::create_dir_all(root.join(folder)).unwrap();
        }
        ReservedFolders {
            homes: at(&["home/op", "var/mail"]),
            settings: at(&["home/op/.ssh", "home/op/.config/autostart"]),
            system: at(&["etc", "var"]),
            free: at(&["var/mail"]),
        }
    }

    #[test]
    fn mail_goes_into_folders_of_its_own_only() {
        use Reserved::{AboveHome, Home, Settings, System};
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().canonicalize().unwrap();
        let host = host(&root);
        symlink(root.join("etc"), root.join("srv/etc")).unwrap();
        symlink(root.join("home/op"), root.join("srv/op")).unwrap();
        symlink(root.join("srv/op"), root.join("srv/again")).unwrap();
        symlink(root.join("srv/nowhere"), root.join("srv/dangling")).unwrap();
        for (path, expected) in [
            ("home/op", Some(Home)),
            ("srv/again", Some(Home)),
            ("srv/again/mail", None),
            ("srv/new/../again", Some(Home)),
            ("home/op/mail/..", Some(Home)),
            ("home", Some(AboveHome)),
            ("", Some(AboveHome)),
            ("home/op/mail", None),
            ("home/op/.mail", None),
            ("home/op/.ssh", Some(Settings)),
            ("home/op/.ssh/mail", Some(Settings)),
            ("srv/op/.ssh", Some(Settings)),
            ("home/op/.config", Some(Settings)),
            ("home/op/.config/mail", None),
            ("etc", Some(System)),
            ("etc/new/mail", Some(System)),
            ("srv/etc/mail", Some(System)),
            ("srv/new/../etc/new", Some(System)),
            ("srv/not/there/../../../etc/new", Some(System)),
            ("srv/dangling/mail", None),
            ("var", Some(AboveHome)),
            ("var/lib/mail", Some(System)),
            ("var/mail", Some(Home)),
            ("var/mail/op", None),
            ("srv", None),
        ] {
            assert_eq!(host.why(&leads_to(&root.join(path))), expected, "{path}");
        }
    }

    #[test]
    fn this_hosts_own_folders_are_kept() {
        let host = ReservedFolders::of_host(&[]);
        for path in ["/", "/etc/x", "/usr/local/bin", "/root", "/run/x", "/var/lib/x", "/lib/x"] {
            assert!(host.why(&leads_to(Path::new(path))).is_some(), "{path}");
        }
        for path in
            ["/root/mail", "/srv/mail", "/run/media/op/EMBER", "/var/local/mail", "/media/x"]
        {
            assert_eq!(host.why(&leads_to(Path::new(path))), None, "{path}");
        }
    }

    #[test]
    fn homes_are_read_from_the_table_of_users() {
        let table = b"root:x:0:0:root:/root:/bin/sh\nq1op:x:1000:1000::/srv/q1op:/bin/sh\nodd\na:b:c:d:e:f\n";
        let expected: Vec<PathBuf> = vec!["/root".into(), "/srv/q1op".into()];
        assert_eq!(homes_in(table), expected);
    }
}
