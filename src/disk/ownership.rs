//! Whose a path is, who else may put something else there, and becoming its owner. Asks the kernel and the host's own
//! lists of users and groups. Never opens what it looks at.

use super::error::{DiskError, Trouble};
use super::host;
use crate::model::escape;
use rustix::fs::{AtFlags, CWD, FileType, Mode, Stat};
use rustix::io::Errno;
use rustix::process::{Gid, Uid};
use std::collections::VecDeque;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};
use std::sync::OnceLock;

/// The group to which automount gives sticks that know no owner.
const STICKS: &str = "plugdev";
/// How many links of one path are followed, as the kernel does (path_resolution(7)).
const LINKS_MAX: u32 = 40;
/// Longest list of users or groups that is read, in bytes.
const LIST_BYTES: u64 = 4 << 20;
/// The list of access rights of a file, where it has one (acl(5)).
const ACCESS_LIST: &str = "system.posix_acl_access";

/// What is known of a path before anything of it is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holding {
    /// The user to whom it belongs; where nothing is there, the one to whom the folder belongs that it would be made
    /// in.
    pub user: u32,
    /// The group of the same.
    pub group: u32,
    /// Whose the link is that stands at the path itself.
    pub link: Option<u32>,
    /// Whether something is there.
    pub is_there: bool,
    /// It is a folder, or would be made in one, in which others than its owner may make and remove things.
    pub is_open: bool,
    /// The same, but nobody may touch another's: a folder for temporary files.
    pub is_shared: bool,
    /// The first part of the way there that another user than root may change.
    pub unsafe_at: Option<PathBuf>,
    /// Whose the first part is that is not root's.
    pub above: Option<(u32, u32)>,
}

/// A user of this host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// The number.
    pub id: u32,
    /// The name, where there is one.
    pub name: Option<String>,
    group: u32,
    home: Option<PathBuf>,
}

/// The home of the user that this process became.
static HOME: OnceLock<Option<PathBuf>> = OnceLock::new();

/// Looks at a path, part by part. `Refused` if it leads nowhere.
pub fn holding(path: &Path) -> Result<Holding, DiskError> {
    let fail = |errno| DiskError::new("look at", escape::shown_path(path), errno);
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let mut walk =
        Walk { at: PathBuf::from("/"), unsafe_at: None, above: None, groups: Groups::read() };
    let mut stat = walk.look(Path::new("/")).map_err(fail)?;
    let mut rest: VecDeque<PathBuf> = parts(&absolute).collect();
    let (mut links, mut link, mut is_there) = (0, None, true);
    while let Some(part) = rest.pop_front() {
        if part == Path::new("..") {
            walk.at.pop();
            stat = walk.look(&walk.at.clone()).map_err(fail)?;
            continue;
        }
        walk.note_folder(&stat);
        let next = walk.at.join(&part);
        let found = match walk.look(&next) {
            Ok(found) => found,
            // Not there, or on a card that fails: whoever may change what is above decides what comes there.
            Err(_) => {
                is_there = false;
                break;
            }
        };
        if FileType::from_raw_mode(found.st_mode) != FileType::Symlink {
            (walk.at, stat) = (next, found);
            continue;
        }
        links += 1;
        if links > LINKS_MAX {
            return Err(fail(Errno::LOOP));
        }
        if rest.is_empty() {
            link = link.or(Some(found.st_uid));
        }
        let to = rustix::fs::readlinkat(CWD, &next, Vec::new()).map_err(fail)?;
        let to = PathBuf::from(std::ffi::OsStr::from_bytes(to.as_bytes()));
        if to.is_absolute() {
            walk.at = PathBuf::from("/");
            stat = walk.look(Path::new("/")).map_err(fail)?;
        }
        parts(&to).rev().for_each(|part| rest.push_front(part));
    }
    let is_open = is_folder(&stat) && walk.is_open(&stat);
    Ok(Holding {
        user: stat.st_uid,
        group: stat.st_gid,
        link,
        is_there,
        is_open,
        is_shared: is_open && is_sticky(&stat),
        unsafe_at: walk.unsafe_at,
        above: walk.above,
    })
}

/// The way along a path.
struct Walk {
    at: PathBuf,
    unsafe_at: Option<PathBuf>,
    above: Option<(u32, u32)>,
    groups: Groups,
}

impl Walk {
    fn look(&mut self, path: &Path) -> Result<Stat, Errno> {
        let stat = rustix::fs::statat(CWD, path, AtFlags::SYMLINK_NOFOLLOW)?;
        if stat.st_uid != 0 {
            self.unsafe_at.get_or_insert_with(|| path.to_owned());
            self.above.get_or_insert((stat.st_uid, stat.st_gid));
        }
        Ok(stat)
    }

    /// A folder on the way, in which the next part is looked for.
    fn note_folder(&mut self, stat: &Stat) {
        if self.unsafe_at.is_none() && !is_sticky(stat) && self.is_open(stat) {
            self.unsafe_at = Some(self.at.clone());
        }
    }

    /// Whether somebody beside its owner may change the entries of a folder.
    fn is_open(&self, stat: &Stat) -> bool {
        let mode = Mode::from_raw_mode(stat.st_mode);
        // With a list of rights the bits of the group are the most that anybody named in it has.
        let has_list =
            || rustix::fs::lgetxattr_query(&self.at, ACCESS_LIST).is_ok_and(|length| length > 0);
        mode.contains(Mode::WOTH)
            || mode.contains(Mode::WGRP) && (self.groups.has_others(stat.st_gid) || has_list())
    }
}

fn is_sticky(stat: &Stat) -> bool {
    Mode::from_raw_mode(stat.st_mode).contains(Mode::SVTX)
}

fn is_folder(stat: &Stat) -> bool {
    FileType::from_raw_mode(stat.st_mode) == FileType::Directory
}

fn parts(path: &Path) -> impl DoubleEndedIterator<Item = PathBuf> {
    path.components().filter_map(|part| match part {
        Component::Normal(name) => Some(PathBuf::from(name)),
        Component::ParentDir => Some(PathBuf::from("..")),
        _ => None,
    })
}

/// The host's groups, and who is in them.
struct Groups {
    /// Number, name, names of its members.
    groups: Vec<(u32, String, Vec<String>)>,
    /// Number of the first group of each user but root.
    first: Vec<u32>,
}

impl Groups {
    fn read() -> Self {
        let line = |line: &str| -> Option<(u32, String, Vec<String>)> {
            let mut fields = line.split(':');
            let name = fields.next()?.to_owned();
            let number = fields.nth(1)?.parse().ok()?;
            let members = fields.next().unwrap_or_default().split(',').map(str::trim);
            Some((number, name, members.filter(|m| !m.is_empty()).map(str::to_owned).collect()))
        };
        let groups = list("/etc/group").lines().filter_map(line).collect();
        let users = list("/etc/passwd");
        let first = users.lines().filter_map(user_of).filter(|user| user.id != 0);
        Self { groups, first: first.map(|user| user.group).collect() }
    }

    /// Whether anybody but root is in a group. One that is in no list may be anybody's.
    fn has_others(&self, number: u32) -> bool {
        if self.first.contains(&number) {
            return true;
        }
        let mut listed = self.groups.iter().filter(|(group, ..)| *group == number).peekable();
        listed.peek().is_none() && number != 0
            || listed.any(|(_, _, members)| members.iter().any(|member| member != "root"))
    }

    /// The groups of a user beside the first, and the one that sticks are given to, which the service has as well.
    fn of(&self, name: Option<&str>) -> Vec<Gid> {
        let is_in = |members: &[String]| name.is_some_and(|n| members.iter().any(|m| m == n));
        let wanted = self.groups.iter().filter(|(number, group, members)| {
            // The group of root is nobody else's, whatever a list says.
            *number != 0 && (group == STICKS || is_in(members))
        });
        wanted.map(|(number, ..)| Gid::from_raw(*number)).collect()
    }
}

fn list(path: &str) -> String {
    let text = host::read_at_most(Path::new(path), LIST_BYTES).ok().flatten();
    String::from_utf8_lossy(&text.unwrap_or_default()).into_owned()
}

fn user_of(line: &str) -> Option<User> {
    let mut fields = line.split(':');
    let name = fields.next().filter(|name| !name.is_empty())?.to_owned();
    let id = fields.nth(1)?.parse().ok()?;
    let group = fields.next()?.parse().ok()?;
    let home = fields.nth(1).map(PathBuf::from).filter(|home| home.is_absolute());
    Some(User { id, name: Some(name), group, home })
}

/// The user with a number, as the host's own list has it; `group` is theirs if it is in no list.
pub fn user(id: u32, group: u32) -> User {
    let listed = list("/etc/passwd").lines().filter_map(user_of).find(|user| user.id == id);
    listed.unwrap_or(User { id, name: None, group, home: None })
}

/// The home of the user that this process became; `None` if it became none.
pub fn home() -> Option<Option<PathBuf>> {
    HOME.get().cloned()
}

/// Root becomes another user, for good: from here on the kernel refuses whatever that user may not do. `keeps_root` for
/// the one command that is root again at its end ([`become_root_again`]).
///
/// The system calls change one thread (credentials(7)); so there may be no second one yet, and all that begin later
/// have what this one has.
pub fn become_user(user: &User, keeps_root: bool) -> Result<(), DiskError> {
    let shown = user.name.clone().unwrap_or_else(|| user.id.to_string());
    let fail = |errno| DiskError::new("become user", &shown, errno);
    if host::threads() != Some(1) {
        return Err(DiskError::with("become user", &shown, Errno::BUSY, Trouble::Other));
    }
    let (id, group) = (Uid::from_raw(user.id), Gid::from_raw(user.group));
    rustix::thread::set_thread_groups(&Groups::read().of(user.name.as_deref())).map_err(fail)?;
    rustix::thread::set_thread_res_gid(group, group, group).map_err(fail)?;
    let (real, saved) = if keeps_root { (Uid::ROOT, Uid::ROOT) } else { (id, id) };
    rustix::thread::set_thread_res_uid(real, id, saved).map_err(fail)?;
    if rustix::process::geteuid() != id || rustix::process::getegid() != group {
        return Err(fail(Errno::PERM));
    }
    HOME.get_or_init(|| user.home.clone());
    Ok(())
}

/// Where this process kept the right to it, it is root again from here on, until it ends. Nothing of another user may
/// be touched after that.
pub fn become_root_again() -> Result<(), DiskError> {
    if !rustix::process::getuid().is_root() {
        return Ok(());
    }
    let root = Uid::ROOT;
    rustix::thread::set_thread_res_uid(root, root, root)
        .map_err(|errno| DiskError::new("become user", "root", errno))
}
