//! Who owns a path, who else may put something in its place, and becoming its owner. Uses the kernel and the host's
//! lists of users and groups. Never opens the file or folder at the path.

use super::error::{DiskError, ErrorKind};
use super::host;
use crate::model::escape;
use rustix::fs::{AtFlags, CWD, FileType, Mode, Stat};
use rustix::io::Errno;
use rustix::process::{Gid, Uid};
use std::collections::VecDeque;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};
use std::sync::OnceLock;

/// The group that automount gives sticks to whose file system has no owners.
const STICKS: &str = "plugdev";
/// How many links of one path are followed: the kernel's own limit (path_resolution(7)).
const LINKS_MAX: u32 = 40;
/// Longest list of users or groups that is read, in bytes; the rest is ignored.
const LIST_BYTES: u64 = 4 << 20;
/// The attribute with a file's access control list, where it has one (acl(5)).
const ACCESS_LIST: &str = "system.posix_acl_access";

/// Who owns a path, and who may change where it leads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PathOwner {
    /// The user who owns it; if nothing is there, the owner of the folder that it would be made in.
    pub user: u32,
    /// The group of the same.
    pub group: u32,
    /// The owner of the link at the path itself, if it is one.
    pub link: Option<u32>,
    /// Whether something is there.
    pub is_there: bool,
    /// It is a folder, or would be made in one, in which others than its owner may make and remove entries.
    pub is_open: bool,
    /// It is open, but its entries may be removed only by their owners: a folder for temporary files.
    pub is_shared: bool,
    /// The first component of the path that a user other than root may change.
    pub unsafe_at: Option<PathBuf>,
    /// Owner and group of the first component that is not root's.
    pub above: Option<(u32, u32)>,
}

/// A user of this host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// The user's number.
    pub id: u32,
    /// The name; `None` if the user is in no list.
    pub name: Option<String>,
    group: u32,
    home: Option<PathBuf>,
}

/// The home of the user that this process became.
static HOME: OnceLock<Option<PathBuf>> = OnceLock::new();

/// Follows a path, component by component, to who owns it. `Refused` if its links lead in a circle.
pub fn path_owner(path: &Path) -> Result<PathOwner, DiskError> {
    let fail = |errno| DiskError::new("look at", escape::shown_path(path), errno);
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let mut walk =
        PathWalk { path: PathBuf::from("/"), unsafe_at: None, above: None, groups: Groups::read() };
    let mut stat = walk.stat(Path::new("/")).map_err(fail)?;
    let mut rest: VecDeque<PathBuf> = parts(&absolute).collect();
    let (mut links, mut link, mut is_there) = (0, None, true);
    while let Some(part) = rest.pop_front() {
        if part == Path::new("..") {
            walk.path.pop();
            stat = walk.stat(&walk.path.clone()).map_err(fail)?;
            continue;
        }
        walk.note_folder(&stat);
        let next = walk.path.join(&part);
        let found = match walk.stat(&next) {
            Ok(found) => found,
            // Not there, or on a card that fails: whoever may change the folder above decides what will be there.
            Err(_) => {
                is_there = false;
                break;
            }
        };
        if FileType::from_raw_mode(found.st_mode) != FileType::Symlink {
            (walk.path, stat) = (next, found);
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
            walk.path = PathBuf::from("/");
            stat = walk.stat(Path::new("/")).map_err(fail)?;
        }
        parts(&to).rev().for_each(|part| rest.push_front(part));
    }
    let is_open = is_folder(&stat) && walk.is_open(&stat);
    Ok(PathOwner {
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

/// How far a path was followed, and what was found on the way.
struct PathWalk {
    path: PathBuf,
    unsafe_at: Option<PathBuf>,
    above: Option<(u32, u32)>,
    groups: Groups,
}

impl PathWalk {
    fn stat(&mut self, path: &Path) -> Result<Stat, Errno> {
        let stat = rustix::fs::statat(CWD, path, AtFlags::SYMLINK_NOFOLLOW)?;
        if stat.st_uid != 0 {
            self.unsafe_at.get_or_insert_with(|| path.to_owned());
            self.above.get_or_insert((stat.st_uid, stat.st_gid));
        }
        Ok(stat)
    }

    /// Takes note of a folder in which the next component is.
    fn note_folder(&mut self, stat: &Stat) {
        if self.unsafe_at.is_none() && !is_sticky(stat) && self.is_open(stat) {
            self.unsafe_at = Some(self.path.clone());
        }
    }

    /// Whether somebody other than its owner may change the entries of a folder.
    fn is_open(&self, stat: &Stat) -> bool {
        let mode = Mode::from_raw_mode(stat.st_mode);
        // With an access control list the bits of the group are the most that anybody named in the list has.
        let has_list =
            || rustix::fs::lgetxattr_query(&self.path, ACCESS_LIST).is_ok_and(|length| length > 0);
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

/// The host's groups and their members.
struct Groups {
    /// Number, name and names of the members of each.
    groups: Vec<(u32, String, Vec<String>)>,
    /// Number of the primary group of each user except root.
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

    /// Whether anybody except root is in a group. A group that is in no list may have any members.
    fn has_others(&self, number: u32) -> bool {
        if self.first.contains(&number) {
            return true;
        }
        let mut listed = self.groups.iter().filter(|(group, ..)| *group == number).peekable();
        listed.peek().is_none() && number != 0
            || listed.any(|(_, _, members)| members.iter().any(|member| member != "root"))
    }

    /// The supplementary groups of a user, and the one that sticks are given to, which the service has as well.
    fn of(&self, name: Option<&str>) -> Vec<Gid> {
        let is_in = |members: &[String]| name.is_some_and(|n| members.iter().any(|m| m == n));
        let groups = self.groups.iter().filter(|(number, group, members)| {
            // Nobody else gets the group of root, even if a list says so.
            *number != 0 && (group == STICKS || is_in(members))
        });
        groups.map(|(number, ..)| Gid::from_raw(*number)).collect()
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

/// The user with a number, from the host's list; `group` is the primary group of a user who is in no list.
pub fn user(id: u32, group: u32) -> User {
    let listed = list("/etc/passwd").lines().filter_map(user_of).find(|user| user.id == id);
    listed.unwrap_or(User { id, name: None, group, home: None })
}

/// Whether this process, begun by root, became another user.
pub fn has_become_user() -> bool {
    HOME.get().is_some()
}

/// The home of the user that this process became, if that user has one.
pub fn home() -> Option<PathBuf> {
    HOME.get().cloned().flatten()
}

/// Makes root another user, for good: from here on the kernel refuses whatever that user may not do. `keeps_root` is
/// for the one command that becomes root again at its end ([`become_root_again`]).
///
/// The system calls change one thread only (credentials(7)). So there must be no other thread yet; later ones inherit
/// the change.
pub fn become_user(user: &User, keeps_root: bool) -> Result<(), DiskError> {
    let shown = user.name.clone().unwrap_or_else(|| user.id.to_string());
    let fail = |errno| DiskError::new("become user", &shown, errno);
    if host::threads() != Some(1) {
        return Err(DiskError::with("become user", &shown, Errno::BUSY, ErrorKind::Other));
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

/// Makes this process root again, until it ends, if it kept the right to that. It must not touch anything of another
/// user after that.
pub fn become_root_again() -> Result<(), DiskError> {
    if !rustix::process::getuid().is_root() {
        return Ok(());
    }
    let root = Uid::ROOT;
    rustix::thread::set_thread_res_uid(root, root, root)
        .map_err(|errno| DiskError::new("become user", "root", errno))
}
