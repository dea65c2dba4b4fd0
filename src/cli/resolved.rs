//! What a command works with: arguments over config over defaults, checked against each other.
//! Never lets a drive, a mailbox or the state lie inside another one of them.

use super::args::Scope;
use super::config::{self, Accept, Config};
use super::notices::{self, CliError};
use super::shell::{option, options};
use super::whose::TouchedPaths;
use crate::daemon::FindDrives;
use crate::disk::mounts::{Finder, MountedDrive, System};
use crate::disk::{DirVolumeSource, host, ownership};
use crate::job::catalogue::Catalogue;
use crate::job::replica::NewDrivePolicy;
use crate::job::replica::scrub::ScrubRules;
use crate::job::{DriveRef, MailboxRef, Station};
use crate::model::airtime::{Power, RadioLink};
use crate::model::limits::DRIVES_MAX;
use crate::model::{MailboxName, StationName, escape};
use globset::{GlobBuilder, GlobSet, GlobSetBuilder};
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Where the service keeps a state folder for each operator.
const SERVICE_STATES: &str = "/var/lib/counterfoil";

/// What is in force: options over config over defaults.
pub(super) struct Resolved {
    /// The config file read, if there is one.
    pub config_file: Option<PathBuf>,
    pub station: StationName,
    /// The station that was asked for on the command line.
    pub asked_for: Option<StationName>,
    /// The station that the config is of, if it says.
    pub configured: Option<StationName>,
    pub mailboxes: Vec<MailboxRef>,
    /// The folders named as drives.
    pub folders: Vec<PathBuf>,
    pub state: PathBuf,
    pub ignore: GlobSet,
    pub link: RadioLink,
    pub power: Power,
    /// All keys as they are in force; the fields above are parsed from them.
    pub config: Config,
    /// The options of this run, as typed, each with a blank before it: for commands to be typed next.
    pub options: String,
    /// The name of the host, where the station has an earlier one.
    pub host_renamed: Option<String>,
}

impl Resolved {
    /// Resolves what is in force. Needs no mailbox: a command that does checks that itself.
    pub(super) fn load(config_file: Option<&Path>, scope: &Scope) -> Result<Self, CliError> {
        Self::load_for(config_file, scope, &TouchedPaths::default())
    }

    /// The same, for a command that touches these. Root that types it works as their owner from here on.
    pub(super) fn load_for(
        config_file: Option<&Path>,
        scope: &Scope,
        touches: &TouchedPaths<'_>,
    ) -> Result<Self, CliError> {
        let given = config_file.map(|path| option("--config", path.as_os_str()));
        let (config_file, config) = find_config(config_file)?;
        let mut resolved = Self::of(config_file, config, scope, Some(touches))?;
        resolved.options = given.unwrap_or_default() + &resolved.options;
        Ok(resolved)
    }

    /// The same, of a config already read.
    pub(super) fn of(
        config_file: Option<PathBuf>,
        mut config: Config,
        scope: &Scope,
        touches: Option<&TouchedPaths<'_>>,
    ) -> Result<Self, CliError> {
        let configured = config.station.clone();
        let state = match scope.state.clone().or(config.state.take()) {
            Some(state) => state,
            None => default_state()?,
        };
        let mailboxes = mailboxes(scope, std::mem::take(&mut config.mailbox))?;
        // Before anything of them is opened.
        touches
            .map_or(Ok(()), |touches| touches.check(config_file.as_deref(), &state, &mailboxes))?;
        let mut host_renamed = None;
        let station = match (&scope.station, config.station.take()) {
            (Some(name), _) => {
                name.parse().map_err(|e| CliError::usage(format!("--station: {e}")))?
            }
            (None, Some(name)) => name,
            // A host may have another name for a while, as early in a boot: the station does not change with it.
            (None, None) => match (Catalogue::station_of(&state), default_station()) {
                (Some(known), host) => {
                    host_renamed =
                        host.ok().filter(|host| *host != known).map(|_| host::host_name());
                    known
                }
                (None, host) => host?,
            },
        };
        let asked_for = scope.station.is_some().then(|| station.clone());
        // Drives given on the command line are the only ones.
        if !scope.drive.is_empty() {
            config.drives.accept = Accept::Named;
            config.drives.folders.clone_from(&scope.drive);
        }
        let folders = absolute(std::mem::take(&mut config.drives.folders));
        config.put_in_force(&station, &state, &mailboxes, &folders);
        config.drives.count_same_device |= scope.count_same_device;
        globs(&config.log.received, "config: log.received")?;
        globs(&config.log.sent, "config: log.sent")?;
        let resolved = Self {
            config_file,
            asked_for,
            station,
            configured,
            mailboxes,
            folders,
            state,
            ignore: globs(&config.ignore, "config: ignore")?,
            link: config.link.link(),
            power: config.power.power(),
            config,
            options: options(scope),
            host_renamed,
        };
        resolved.check()?;
        Ok(resolved)
    }

    /// The same, for a command that needs at least one mailbox.
    pub(super) fn with_mailbox(config: Option<&Path>, scope: &Scope) -> Result<Self, CliError> {
        let resolved = Self::load(config, scope)?;
        match resolved.mailboxes.is_empty() {
            true => Err(CliError::usage(
                "no mailbox is named: give --mailbox DIR, or name one in the config \
                 (counterfoil config check shows which config is read)",
            )),
            false => Ok(resolved),
        }
    }

    /// The station for `job`.
    pub(super) fn station(&self) -> Station {
        Station { name: self.station.clone(), mailboxes: self.mailboxes.clone() }
    }

    /// The folders named as drives, for `job`.
    pub(super) fn folder_refs(&self) -> Vec<DriveRef> {
        self.folders.iter().map(|path| folder_ref(path)).collect()
    }

    /// How old a superseded version must be to be removed from a full drive; `None`: none is.
    pub(super) fn prunes(&self) -> Option<Duration> {
        self.config.drives.prune.then_some(self.config.drives.prune_after)
    }

    /// How old copies are read again.
    pub(super) fn scrub_rules(&self) -> ScrubRules {
        ScrubRules { every: self.config.verify.every, max_rate: self.config.verify.max_rate }
    }

    /// The drives that are here now: the named folders, and the removable drives that are mounted.
    pub(super) fn drives_here(&self) -> Vec<DriveRef> {
        let mounted = self.find()().into_iter().map(|(_, drive)| drive);
        self.folder_refs().into_iter().chain(mounted).collect()
    }

    /// The same, for a command that needs at least one.
    pub(super) fn need_drives(&self) -> Result<Vec<DriveRef>, CliError> {
        let drives = self.drives_here();
        if drives.is_empty() {
            Err(notices::no_drive_here(self.config.drives.accept))
        } else {
            Ok(drives)
        }
    }

    /// Finds the removable drives that are mounted and to be used.
    pub(super) fn find(&self) -> Box<FindDrives> {
        let begin = match self.config.drives.accept {
            Accept::Any => NewDrivePolicy::OnDevice,
            Accept::Known => NewDrivePolicy::Known,
            Accept::Named => return Box::new(Vec::new),
        };
        let finder = self.finder();
        let named: Vec<_> = self.folders.iter().map(|folder| host::resolved(folder)).collect();
        Box::new(move || {
            let found =
                finder.find().into_iter().filter(|found| !named.contains(&found.key.mount_point));
            found.map(|found| (found.key.clone(), mounted_ref(found, begin))).collect()
        })
    }

    fn finder(&self) -> Finder {
        let mailboxes = self.mailboxes.iter().map(|mailbox| host::resolved(&mailbox.path));
        Finder::new(System::host(), mailboxes.chain([host::resolved(&self.state)]).collect())
    }

    /// Whether a removable drive is mounted right there.
    pub(super) fn is_removable(&self, path: &Path) -> bool {
        self.finder().find().iter().any(|found| found.key.mount_point == path)
    }

    /// The drive at a path: the removable drive that is mounted there, else the folder.
    pub(super) fn drive_at(&self, path: &Path) -> DriveRef {
        let finder = Finder::new(System::host(), Vec::new());
        let resolved = host::resolved(path);
        match finder.find_at(&resolved) {
            Some(found) => mounted_ref(found, NewDrivePolicy::OnDevice),
            None => folder_ref(path),
        }
    }

    fn check(&self) -> Result<(), CliError> {
        if self.folders.len() > DRIVES_MAX {
            let many = self.folders.len();
            return Err(CliError::usage(format!(
                "{many} drives: at most {DRIVES_MAX} can be used"
            )));
        }
        for (at, mailbox) in self.mailboxes.iter().enumerate() {
            if self.mailboxes[..at].iter().any(|other| other.name == mailbox.name) {
                return Err(CliError::usage(format!(
                    "two mailboxes are called {}: name one of them, as --mailbox NAME=DIR or with \
                     name in the config",
                    mailbox.name
                )));
            }
        }
        let mailboxes = self.mailboxes.iter().map(|m| ("mailbox", host::resolved(&m.path)));
        let drives = self.folders.iter().map(|path| ("drive", host::resolved(path)));
        let state = std::iter::once(("state folder", host::resolved(&self.state)));
        let all: Vec<_> = mailboxes.chain(drives).chain(state).collect();
        for (a, (what, path)) in all.iter().enumerate() {
            for (b, (other, above)) in all.iter().enumerate() {
                if a != b && path.starts_with(above) {
                    return Err(CliError::usage(format!(
                        "the {what} {} lies in the {other} {}: keep them apart",
                        escape::shown_path(path),
                        escape::shown_path(above)
                    )));
                }
            }
        }
        Ok(())
    }
}

impl Config {
    /// Sets the values that options or the host decide, and the shortest spans allowed.
    fn put_in_force(
        &mut self,
        station: &StationName,
        state: &Path,
        mailboxes: &[MailboxRef],
        folders: &[PathBuf],
    ) {
        // A config is UTF-8: of a path typed as an argument, bytes that are not are lost in the text alone.
        let text = |path: &Path| PathBuf::from(path.to_string_lossy().into_owned());
        let mailbox =
            |of: &MailboxRef| config::Mailbox { name: Some(of.name.clone()), path: text(&of.path) };
        self.station = Some(station.clone());
        self.state = Some(text(state));
        self.mailbox = mailboxes.iter().map(mailbox).collect();
        self.drives.folders = folders.iter().map(|folder| text(folder)).collect();
        let second = Duration::from_secs(1);
        self.scan_every = self.scan_every.max(second);
        self.notify.after = self.notify.after.max(second);
    }
}

/// A drive given by its folder.
fn folder_ref(path: &Path) -> DriveRef {
    drive_ref(Arc::new(DirVolumeSource::new(path)), path, NewDrivePolicy::InFolder)
}

/// A removable drive that is mounted.
fn mounted_ref(found: MountedDrive, begin: NewDrivePolicy) -> DriveRef {
    let path = found.key.mount_point.clone();
    drive_ref(Arc::new(DirVolumeSource::of_mounted(found)), &path, begin)
}

fn drive_ref(volume_source: Arc<DirVolumeSource>, path: &Path, begin: NewDrivePolicy) -> DriveRef {
    let name = path.file_name().unwrap_or(path.as_os_str());
    let label = escape::shown(name.as_bytes());
    DriveRef { volume_source, label, path: path.as_os_str().as_bytes().to_vec(), begin }
}

fn absolute(paths: Vec<PathBuf>) -> Vec<PathBuf> {
    let mut seen = Vec::new();
    for path in paths {
        let path = std::path::absolute(&path).unwrap_or(path);
        if !seen.contains(&path) {
            seen.push(path);
        }
    }
    seen
}

/// Where a config would be found that is put back: the system's for root, else the user's. `None` where there is no
/// place, or where a config is found already.
pub(super) fn place_for_config() -> Option<PathBuf> {
    let system = PathBuf::from(config::SYSTEM);
    let user =
        xdg("XDG_CONFIG_HOME", ".config").map(|dir| dir.join("counterfoil/counterfoil.toml"));
    let is_free = |path: &PathBuf| !host::exists(path);
    match host::is_root() {
        true => Some(system).filter(is_free),
        // Where there is the system's, a user's own is never read.
        false => user.filter(is_free).filter(|_| is_free(&system)),
    }
}

fn find_config(given: Option<&Path>) -> Result<(Option<PathBuf>, Config), CliError> {
    if let Some(path) = given {
        return match config::read(path).map_err(CliError::usage)? {
            Some(config) => Ok((Some(path.to_owned()), config)),
            None => Err(CliError::usage(format!(
                "{}: there is no such config file",
                escape::shown_path(path)
            ))),
        };
    }
    let user =
        xdg("XDG_CONFIG_HOME", ".config").map(|dir| dir.join("counterfoil/counterfoil.toml"));
    for path in [Some(PathBuf::from(config::SYSTEM)), user].into_iter().flatten() {
        if let Some(config) = config::read(&path).map_err(CliError::usage)? {
            return Ok((Some(path), config));
        }
    }
    Ok((None, Config::default()))
}

fn xdg(variable: &str, below_home: &str) -> Option<PathBuf> {
    // Root that became another user has that user's places, whatever its own environment says.
    if ownership::has_become_user() {
        return ownership::home().map(|home| home.join(below_home));
    }
    let set = std::env::var_os(variable).map(PathBuf::from).filter(|path| path.is_absolute());
    set.or_else(|| Some(PathBuf::from(std::env::var_os("HOME")?).join(below_home)))
}

fn default_state() -> Result<PathBuf, CliError> {
    // systemd hands a service its own folder, as a list separated by colons.
    let service = std::env::var_os("STATE_DIRECTORY");
    let service = service.as_deref().and_then(|dirs| std::env::split_paths(dirs).next());
    // A command run by hand while the service runs is about the service's catalogue.
    let one = || match host::service_states(Path::new(SERVICE_STATES)).as_slice() {
        [one] => Some(one.clone()),
        _ => None,
    };
    let user = || Some(xdg("XDG_STATE_HOME", ".local/state")?.join("counterfoil"));
    service.or_else(one).or_else(user).ok_or_else(|| {
        CliError::usage("no place for the catalogue is known: give --state DIR, or set HOME")
    })
}

fn default_station() -> Result<StationName, CliError> {
    let host = host::host_name();
    let name = host.split('.').next().unwrap_or(&host);
    name.parse().map_err(|e| {
        CliError::usage(format!(
            "the host's name cannot be the station's ({e}): give --station NAME"
        ))
    })
}

fn mailboxes(scope: &Scope, written: Vec<config::Mailbox>) -> Result<Vec<MailboxRef>, CliError> {
    match scope.mailbox.is_empty() {
        false => scope.mailbox.iter().map(|text| typed_mailbox(text)).collect(),
        true => written.into_iter().map(written_mailbox).collect(),
    }
}

fn typed_mailbox(text: &Path) -> Result<MailboxRef, CliError> {
    // NAME=DIR, unless what stands before the sign is no name: then it is part of the path.
    let raw = text.as_os_str().as_bytes();
    if let Some(at) = raw.iter().position(|&b| b == b'=')
        && let Some(name) = std::str::from_utf8(&raw[..at]).ok().and_then(|n| n.parse().ok())
    {
        let path = PathBuf::from(std::ffi::OsStr::from_bytes(&raw[at + 1..]));
        return Ok(MailboxRef { name, path });
    }
    mailbox_ref(text.to_owned(), None)
}

fn written_mailbox(mailbox: config::Mailbox) -> Result<MailboxRef, CliError> {
    mailbox_ref(mailbox.path, mailbox.name)
}

fn mailbox_ref(path: PathBuf, name: Option<MailboxName>) -> Result<MailboxRef, CliError> {
    let name = match name {
        Some(name) => name,
        None => {
            let resolved = host::resolved(&path);
            let own = resolved.file_name().map(|n| n.to_string_lossy().into_owned());
            own.unwrap_or_default().parse().map_err(|e| {
                CliError::usage(format!(
                    "{}: its folder's name cannot be the mailbox's ({e}): give --mailbox NAME=DIR",
                    escape::shown_path(&path)
                ))
            })?
        }
    };
    Ok(MailboxRef { name, path })
}

/// Globs of paths in a mailbox; `what` is where they were written.
pub(super) fn globs(texts: &[String], what: &str) -> Result<GlobSet, CliError> {
    let wrong = |e: globset::Error| CliError::usage(format!("{what}: {e}"));
    let mut set = GlobSetBuilder::new();
    for text in texts {
        set.add(GlobBuilder::new(text).literal_separator(true).build().map_err(wrong)?);
    }
    set.build().map_err(wrong)
}
