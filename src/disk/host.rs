//! The host's own small files and facts: config text, state folder, locks, ids, reports.
//! Never touches a drive or a mailbox.

use super::error::{DiskError, ErrorKind};
use crate::model::escape;
use rustix::fd::{AsRawFd as _, OwnedFd};
use rustix::fs::{FileType, FlockOperation, Mode, OFlags};
use rustix::io::Errno;
use std::io::Write as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

fn shown(path: &Path) -> String {
    escape::shown(path.as_os_str().as_bytes())
}

/// The operating system's error, with what was done to which path.
pub(super) fn fail(operation: &'static str, path: &Path, error: &std::io::Error) -> DiskError {
    let errno = Errno::from_io_error(error).unwrap_or(Errno::IO);
    DiskError::new(operation, shown(path), errno)
}

/// Reads a small text file; `None` if it is not there.
pub fn read_text(path: &Path) -> Result<Option<String>, DiskError> {
    match std::fs::read_to_string(path) {
        Ok(text) => Ok(Some(text)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(fail("read", path, &e)),
    }
}

/// Reads a file of the system, up to `most` bytes; `None` if it is not there.
pub fn read_at_most(path: &Path, most: u64) -> Result<Option<Vec<u8>>, DiskError> {
    use std::io::Read as _;
    let mut bytes = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(most).read_to_end(&mut bytes));
    match read {
        Ok(_) => Ok(Some(bytes)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(fail("read", path, &e)),
    }
}

/// Refuses a file of ours that is a link, since it may lead to another user's file.
pub fn refuse_link(path: &Path) -> Result<(), DiskError> {
    match path.symlink_metadata() {
        Ok(facts) if facts.is_symlink() => Err(DiskError::new("open", shown(path), Errno::LOOP)),
        _ => Ok(()),
    }
}

/// How many threads this process has; `None` if that cannot be read.
pub fn threads() -> Option<usize> {
    std::fs::read_dir("/proc/self/task").ok().map(Iterator::count)
}

/// Whether a file may be written at a path: nothing is there, or a file that can be replaced. A link does not count as
/// a file, so that nothing elsewhere is changed.
pub fn is_free_for_a_file(path: &Path) -> bool {
    path.symlink_metadata().map_or(true, |facts| facts.is_file())
}

/// Writes a file so that a power failure leaves either the old or the new one.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), DiskError> {
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let write = || {
        let mut temp = tempfile::NamedTempFile::new_in(dir)?;
        temp.write_all(bytes)?;
        temp.as_file().sync_all()?;
        temp.persist(path).map_err(|e| e.error)?;
        std::fs::File::open(dir)?.sync_all()
    };
    write().map_err(|e| fail("write", path, &e))
}

/// Writes a file that must not be there yet, so that a power failure leaves all of it or nothing.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), DiskError> {
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let write = || {
        use std::os::unix::fs::PermissionsExt as _;
        let mut temp = tempfile::NamedTempFile::new_in(dir)?;
        temp.write_all(bytes)?;
        // Like any config, it may be read by whoever runs the program.
        temp.as_file().set_permissions(std::fs::Permissions::from_mode(0o644))?;
        temp.as_file().sync_all()?;
        temp.persist_noclobber(path).map_err(|e| e.error)?;
        std::fs::File::open(dir)?.sync_all()
    };
    write().map_err(|e| fail("write", path, &e))
}

/// Gives this process the lowest priority, until it ends. The service's unit refuses this to what it runs: there the
/// report runs at the service's own priority, which is low already.
pub fn let_others_go_first() {
    if let Err(error) = rustix::process::setpriority_process(None, 19) {
        // The work is done all the same.
        tracing::debug!(%error, "the priority cannot be lowered");
    }
}

/// Lets this process have as many files open as the system allows: the default limit is lower.
pub fn allow_open_files() {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let allowed = getrlimit(Resource::Nofile).maximum;
    let limit = Rlimit { current: allowed, maximum: allowed };
    if let Err(error) = setrlimit(Resource::Nofile, limit) {
        // A file beyond the lower limit is reported where it is opened.
        tracing::debug!(%error, "the limit of open files cannot be raised");
    }
}

/// Renames a damaged file to the first free name `NAME.damaged-N`; `None` if it is not there.
pub fn set_aside(path: &Path) -> Result<Option<PathBuf>, DiskError> {
    for n in 1..1000 {
        let mut aside = path.as_os_str().to_owned();
        aside.push(format!(".damaged-{n}"));
        let aside = PathBuf::from(aside);
        let flags = rustix::fs::RenameFlags::NOREPLACE;
        match rustix::fs::renameat_with(rustix::fs::CWD, path, rustix::fs::CWD, &aside, flags) {
            Ok(()) => return Ok(Some(aside)),
            Err(Errno::NOENT) => return Ok(None),
            Err(Errno::EXIST) => {}
            Err(errno) => return Err(DiskError::new("set aside", shown(path), errno)),
        }
    }
    Err(DiskError::new("set aside", shown(path), Errno::EXIST))
}

/// Whether there is anything at a path.
pub fn exists(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

/// The path without links and dots, to compare two that may lead to the same folder; an absolute path as given if
/// nothing is there yet.
pub fn resolved(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    std::fs::canonicalize(&absolute).unwrap_or(absolute)
}

/// A lock. Dropping it releases the lock.
#[derive(Debug)]
pub struct Lock(#[expect(dead_code, reason = "held for its lock")] OwnedFd);

/// A lock file is never a link, and opening it never blocks.
const LOCK_FLAGS: OFlags = OFlags::CLOEXEC.union(OFlags::NOFOLLOW).union(OFlags::NONBLOCK);

/// Takes the writer's lock of a state folder, at the path of its lock file. `Busy` if another process holds it.
pub fn lock(path: &Path) -> Result<Lock, DiskError> {
    let error = |errno| DiskError::new("lock", shown(path), errno);
    let flags = OFlags::RDWR | OFlags::CREATE | LOCK_FLAGS;
    let fd = rustix::fs::open(path, flags, Mode::from(0o600)).map_err(error)?;
    rustix::fs::flock(&fd, FlockOperation::NonBlockingLockExclusive).map_err(error)?;
    give_to_owner_of_folder(path)?;
    Ok(Lock(fd))
}

/// The same where nothing can be written: an existing lock file can be locked all the same. `None` if there is none.
pub fn lock_as_it_is(path: &Path) -> Result<Option<Lock>, DiskError> {
    let flags = OFlags::RDONLY | LOCK_FLAGS;
    let Ok(fd) = rustix::fs::open(path, flags, Mode::empty()) else { return Ok(None) };
    rustix::fs::flock(&fd, FlockOperation::NonBlockingLockExclusive)
        .map_err(|errno| DiskError::new("lock", shown(path), errno))?;
    Ok(Some(Lock(fd)))
}

/// Copies a file of ours; `false` if it is not there.
pub fn copy_file(from: &Path, to: &Path) -> Result<bool, DiskError> {
    match std::fs::copy(from, to) {
        Ok(_) => Ok(true),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(e) => Err(fail("copy", from, &e)),
    }
}

/// Gives a file that root made to the owner of its folder: where root works in an operator's state folder, the
/// operator's daemon must be able to open its files.
pub fn give_to_owner_of_folder(path: &Path) -> Result<(), DiskError> {
    use std::os::unix::fs::MetadataExt as _;
    if !is_root() {
        return Ok(());
    }
    let give = || {
        let folder = path.parent().unwrap_or(Path::new(".")).metadata()?;
        let file = path.symlink_metadata()?;
        if (file.uid(), file.gid()) == (folder.uid(), folder.gid()) {
            return Ok(());
        }
        std::os::unix::fs::lchown(path, Some(folder.uid()), Some(folder.gid()))
    };
    give().map_err(|e| fail("give to the folder's owner", path, &e))
}

/// Whether some process holds the lock at a path.
pub fn is_locked(path: &Path) -> bool {
    match rustix::fs::open(path, OFlags::RDONLY | LOCK_FLAGS, Mode::empty()) {
        Ok(fd) => {
            rustix::fs::flock(&fd, FlockOperation::NonBlockingLockShared) == Err(Errno::WOULDBLOCK)
        }
        Err(_) => false,
    }
}

/// The kernel's random id of this boot; empty where there is none.
pub fn boot_id() -> String {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    text.trim().chars().take(36).collect()
}

/// Whether this process runs as root.
pub fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// The host's name.
pub fn host_name() -> String {
    rustix::system::uname().nodename().to_string_lossy().into_owned()
}

/// Whether something keeps the clock: the time service has set it since boot, or the kernel set it from a
/// battery-backed clock.
pub fn clock_is_kept() -> bool {
    exists(Path::new("/run/systemd/timesync/synchronized"))
        || std::fs::read_to_string("/sys/class/rtc/rtc0/hctosys").is_ok_and(|s| s.trim() == "1")
}

/// The device of a folder, numbered as in [`super::VolumeFacts::device`].
pub fn device_of(path: &Path) -> Option<u64> {
    super::MailboxDir::open(path).ok()?.identity().ok().map(|(device, _)| device)
}

/// Bytes that this process may still write below a path; `None` if unknown.
pub fn room(path: &Path) -> Option<u64> {
    let there = path.ancestors().find(|path| exists(path))?;
    let facts = rustix::fs::statvfs(there).ok()?;
    let blocks = if is_root() { facts.f_bfree } else { facts.f_bavail };
    Some(blocks.saturating_mul(facts.f_frsize))
}

/// Where the catalogue's library makes its temporary files (SQLite, "Temporary File Storage Locations").
pub fn temporary_files() -> PathBuf {
    let chosen = ["SQLITE_TMPDIR", "TMPDIR"].iter().filter_map(std::env::var_os).map(PathBuf::from);
    let usual = ["/var/tmp", "/usr/tmp", "/tmp"].map(PathBuf::from);
    chosen.chain(usual).find(|path| path.is_dir()).unwrap_or_else(|| PathBuf::from("."))
}

/// Makes a folder in the system's temporary folder that stays, accessible to its owner alone.
pub fn temporary_folder(prefix: &str) -> Result<PathBuf, DiskError> {
    tempfile::Builder::new()
        .prefix(prefix)
        .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o700))
        .tempdir()
        .map(tempfile::TempDir::keep)
        .map_err(|e| fail("make folder in", &std::env::temp_dir(), &e))
}

/// The signals that this process was started to ignore, the lowest bit for signal 1: a process under nohup continues
/// when its terminal is closed.
pub fn ignored_signals() -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    line.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0)
}

thread_local! {
    static DRAWN: std::cell::Cell<Option<u64>> = const { std::cell::Cell::new(None) };
}

/// For tests that replay a run exactly: from now on the random numbers of this thread are this number and those after
/// it. Ids made so are not unique; nothing else may call this.
pub fn draw_ids_from(number: u64) {
    DRAWN.set(Some(number));
}

/// A random number from the kernel.
pub fn random_bits() -> Result<u64, DiskError> {
    if let Some(number) = DRAWN.get() {
        DRAWN.set(Some(number.wrapping_add(1)));
        return Ok(number);
    }
    getrandom::u64().map_err(|_| {
        DiskError::with("read", "the kernel's random numbers", Errno::NOSYS, ErrorKind::Other)
    })
}

/// The name of the socket in a state folder.
const SOCKET: &str = "daemon.sock";

/// The open state folder, and a path to the socket through its handle, which is short for any state folder: the kernel
/// allows 107 bytes (unix(7)).
fn socket_path(state: &Path) -> Result<(OwnedFd, PathBuf), DiskError> {
    let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let dir = rustix::fs::open(state, flags, Mode::empty())
        .map_err(|errno| DiskError::new("open", shown(state), errno))?;
    let path = PathBuf::from(format!("/proc/self/fd/{}/{SOCKET}", dir.as_raw_fd()));
    Ok((dir, path))
}

/// Connects to the socket in a folder, if this user owns it and listens on it. Never connects to another user's, and
/// never through a link.
fn connect_to_own(dir: &OwnedFd) -> std::io::Result<UnixStream> {
    let refused = || std::io::Error::from(std::io::ErrorKind::ConnectionRefused);
    let me = rustix::process::geteuid();
    let flags = OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let socket = rustix::fs::openat(dir, SOCKET, flags, Mode::empty())?;
    let stat = rustix::fs::fstat(&socket)?;
    let is_socket = FileType::from_raw_mode(stat.st_mode) == FileType::Socket;
    if !is_socket || stat.st_uid != me.as_raw() {
        return Err(refused());
    }
    let stream = UnixStream::connect(format!("/proc/self/fd/{}", socket.as_raw_fd()))?;
    match rustix::net::sockopt::socket_peercred(&stream)?.uid == me {
        true => Ok(stream),
        false => Err(refused()),
    }
}

/// The operating system's error with the socket of a state folder.
pub fn socket_error(state: &Path, error: &std::io::Error) -> DiskError {
    fail("use socket", &state.join(SOCKET), error)
}

/// Listens on the socket of a state folder. The caller holds the folder's lock, so an existing socket is unused.
pub fn listen(state: &Path) -> Result<UnixListener, DiskError> {
    let (_dir, path) = socket_path(state)?;
    let listen = || {
        match std::fs::remove_file(&path) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
        let listener = UnixListener::bind(&path)?;
        listener.set_nonblocking(true)?;
        Ok(listener)
    };
    listen().map_err(|e| socket_error(state, &e))
}

/// Connects to the daemon of a state folder; `None` if there is none, or only another user's.
pub fn connect(state: &Path, patience: Duration) -> Result<Option<UnixStream>, DiskError> {
    use std::io::ErrorKind::{ConnectionRefused, NotFound};
    let dir = match socket_path(state) {
        Ok((dir, _)) => dir,
        Err(error) if error.trouble == ErrorKind::Gone => return Ok(None),
        Err(error) => return Err(error),
    };
    let connect = || -> std::io::Result<UnixStream> {
        let stream = connect_to_own(&dir)?;
        stream.set_read_timeout(Some(patience))?;
        stream.set_write_timeout(Some(patience))?;
        Ok(stream)
    };
    match connect() {
        Ok(stream) => Ok(Some(stream)),
        Err(error) if matches!(error.kind(), NotFound | ConnectionRefused) => Ok(None),
        Err(error) => Err(socket_error(state, &error)),
    }
}

/// Whether something is mounted exactly at a path.
pub fn is_mount_point(path: &Path) -> bool {
    use rustix::fs::{AtFlags, CWD, StatxAttributes, StatxFlags};
    let flags = AtFlags::STATX_DONT_SYNC | AtFlags::NO_AUTOMOUNT;
    let x = rustix::fs::statx(CWD, path, flags, StatxFlags::empty());
    x.is_ok_and(|x| x.stx_attributes.contains(StatxAttributes::MOUNT_ROOT))
}

/// Unmounts what is mounted at a path, with the system's program, which knows what a user may unmount (mount(8), option
/// `user`). The error is that program's message.
pub fn unmount(path: &Path) -> Result<(), String> {
    let done =
        std::process::Command::new("umount").arg("--").arg(path).stdin(Stdio::null()).output();
    match done {
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(escape::shown(output.stderr.trim_ascii())),
        Err(error) => Err(format!("umount cannot be run: {error}")),
    }
}

/// The state folders of services on this host (systemd.exec(5), `StateDirectory=`) that belong to this user; for root,
/// all of them.
pub fn service_states(parent: &Path) -> Vec<PathBuf> {
    use std::os::unix::fs::MetadataExt as _;
    let me = rustix::process::geteuid().as_raw();
    let Ok(entries) = std::fs::read_dir(parent) else { return Vec::new() };
    let mine = |path: &PathBuf| {
        let facts = path.symlink_metadata();
        facts.is_ok_and(|facts| facts.is_dir() && (me == 0 || facts.uid() == me))
    };
    let mut states: Vec<_> = entries.flatten().map(|entry| entry.path()).filter(mine).collect();
    states.sort();
    states
}
