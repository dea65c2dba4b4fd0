//! Owns the fixture: an invented station with its mailbox, its drives and its state, in a folder of its own. Never
//! touches anything outside that folder, and never interprets a command's output: `told` does that.

use super::command_output::CommandOutput;
#[allow(unused_imports, reason = "some test binaries use no sample message")]
pub(crate) use super::mail::dated_mail as mail;
use super::stick::Stick;
use counterfoil::daemon::clock::SystemClock;
use counterfoil::disk::MailboxDir;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::scan::{ScanRules, scan};
use counterfoil::model::RelName;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};
use tempfile::TempDir;

/// A command that takes longer hangs: on a pipe, on a lock, in a loop.
const PATIENCE: Duration = Duration::from_secs(120);

/// A mail station on a card: `card/` holds the mailboxes and the state, `media/` the mount points.
pub(crate) struct Station {
    root: TempDir,
    name: String,
    /// Name and folder; no name where the folder's own name is used.
    mailboxes: Vec<(Option<String>, String)>,
    drives: Vec<PathBuf>,
    prefix: Vec<OsString>,
    /// Set because the folders that stand for drives lie on the device of the mailbox and should count all the same.
    counts_same_device: bool,
    state: String,
    is_named: bool,
}

impl Station {
    /// Station `pier-4` with one empty mailbox called `inbox`, and no drive yet.
    pub(crate) fn new() -> Self {
        Self::in_folder(&std::env::temp_dir())
    }

    /// The same in memory, where a sync costs nothing, for tests of many runs. A killed process loses nothing that it
    /// had written, whatever the medium, so a disk would add only time.
    pub(crate) fn in_memory() -> (Self, Stick) {
        let mut station = Self::in_folder(Path::new("/dev/shm"));
        let red = station.drive("red");
        (station, red)
    }

    /// The same on the system's own device, of which the program knows that nothing is ever mounted in its place.
    pub(crate) fn on_the_systems_device() -> Self {
        use std::os::unix::fs::MetadataExt as _;
        let device = |path: &Path| fs::metadata(path).map(|facts| facts.dev()).ok();
        let system = device(Path::new("/"));
        let places = [std::env::temp_dir(), "/var/tmp".into(), env!("CARGO_TARGET_TMPDIR").into()];
        let place = places.iter().find(|place| device(place) == system);
        Self::in_folder(place.unwrap_or_else(|| panic!("none of {places:?} is on the device of /")))
    }

    fn in_folder(above: &Path) -> Self {
        let mut station = Self {
            root: tempfile::Builder::new().prefix("counterfoil-cli-").tempdir_in(above).unwrap(),
            name: "pier-4".to_owned(),
            mailboxes: Vec::new(),
            drives: Vec::new(),
            prefix: Vec::new(),
            counts_same_device: true,
            state: "state".to_owned(),
            is_named: true,
        };
        fs::create_dir(station.path("media")).unwrap();
        station.write_config("");
        station.add_mailbox("inbox");
        station
    }

    /// The same with a drive called `red`.
    pub(crate) fn with_drive() -> (Self, Stick) {
        let mut station = Self::new();
        let red = station.drive("red");
        (station, red)
    }

    /// Another card for the same drives, with another mailbox and another state.
    pub(crate) fn named(name: &str) -> Self {
        Self { name: name.to_owned(), ..Self::new() }
    }

    pub(crate) fn path(&self, below: impl AsRef<Path>) -> PathBuf {
        self.root.path().join(below)
    }

    pub(crate) fn state(&self) -> PathBuf {
        self.path("card").join(&self.state)
    }

    /// Keeps the state in another folder on the card from now on.
    pub(crate) fn use_state(&mut self, folder: &str) {
        self.state = folder.to_owned();
    }

    /// Changes the station's name.
    pub(crate) fn rename(&mut self, name: &str) {
        self.name = name.to_owned();
    }

    /// No longer passes a station name: the program finds it itself.
    pub(crate) fn do_not_name_the_station(&mut self) {
        self.is_named = false;
    }

    pub(crate) fn config_file(&self) -> PathBuf {
        self.path("counterfoil.toml")
    }

    pub(crate) fn write_config(&self, text: &str) {
        fs::write(self.config_file(), text).unwrap();
    }

    pub(crate) fn add_mailbox(&mut self, name: &str) {
        fs::create_dir_all(self.mailbox(name)).unwrap();
        self.mailboxes.push((None, name.to_owned()));
    }

    /// Passes only these folders as mailboxes to every command from now on.
    pub(crate) fn name_mailboxes(&mut self, folders: &[&str]) {
        self.mailboxes = folders.iter().map(|folder| (None, (*folder).to_owned())).collect();
    }

    /// The same, each under a name of its own.
    pub(crate) fn name_mailboxes_as(&mut self, named: &[(&str, &str)]) {
        let named = named.iter().map(|(name, folder)| (Some((*name).into()), (*folder).into()));
        self.mailboxes = named.collect();
    }

    pub(crate) fn mailbox(&self, name: &str) -> PathBuf {
        self.path("card").join(name)
    }

    pub(crate) fn inbox(&self) -> PathBuf {
        self.mailbox("inbox")
    }

    /// Plugs in an empty drive: its mount point is `media/LABEL`.
    pub(crate) fn drive(&mut self, label: &str) -> Stick {
        let path = self.path("media").join(label);
        fs::create_dir(&path).unwrap();
        self.use_drive(&path)
    }

    /// Passes a folder as a drive to every command from now on.
    pub(crate) fn use_drive(&mut self, path: &Path) -> Stick {
        self.drives.push(path.to_owned());
        Stick::at(path, &self.name)
    }

    /// Passes only these drives to every command from now on.
    pub(crate) fn use_only(&mut self, sticks: &[&Stick]) {
        self.drives = sticks.iter().map(|stick| stick.path().to_owned()).collect();
    }

    /// Copies on the device of the mailbox count for nothing from now on, as they do for every operator without the
    /// option.
    pub(crate) fn without_count_same_device(&mut self) {
        self.counts_same_device = false;
    }

    /// Runs every command as this user, so that permissions matter though tests run as root.
    pub(crate) fn run_as_nobody(&mut self) {
        let whole = self.root.path().to_owned();
        sh("chown", &[OsStr::new("-R"), OsStr::new("65534:65534"), whole.as_os_str()]);
        let words = ["setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups"];
        self.prefix = words.iter().map(OsString::from).collect();
    }

    /// Puts these words before every command from now on, such as `flock LOCK`.
    pub(crate) fn run_prefixed(&mut self, words: &[&OsStr]) {
        self.prefix = words.iter().map(|word| (*word).to_owned()).collect();
    }

    /// A message arrives.
    pub(crate) fn deliver(&self, path: impl AsRef<OsStr>, text: impl AsRef<[u8]>) {
        self.deliver_to("inbox", path, text);
    }

    pub(crate) fn deliver_to(
        &self,
        mailbox: &str,
        path: impl AsRef<OsStr>,
        text: impl AsRef<[u8]>,
    ) {
        let at = self.mailbox(mailbox).join(path.as_ref());
        assert!(!at.exists(), "{at:?} is there already");
        fs::create_dir_all(at.parent().unwrap()).unwrap();
        fs::write(at, text).unwrap();
    }

    /// This many short messages arrive, `m000.eml` and on.
    pub(crate) fn deliver_many(&self, count: usize) {
        for number in 0..count {
            self.deliver(format!("m{number:03}.eml"), mail(&format!("traffic {number}")));
        }
    }

    /// Replaces the bytes of a message's file.
    pub(crate) fn replace(&self, path: &str, text: impl AsRef<[u8]>) {
        let at = self.inbox().join(path);
        assert!(at.exists(), "{at:?} is not there");
        fs::write(at, text).unwrap();
    }

    /// Sets the modification time of a message's file, in seconds since 1970.
    pub(crate) fn date(&self, path: &str, seconds: u64) {
        let file = fs::File::options().write(true).open(self.inbox().join(path)).unwrap();
        file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)).unwrap();
    }

    pub(crate) fn move_to(&self, from: &str, to: &str) {
        let to = self.inbox().join(to);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::rename(self.inbox().join(from), to).unwrap();
    }

    /// Deletes a message's file unseen.
    pub(crate) fn delete(&self, path: impl AsRef<OsStr>) {
        fs::remove_file(self.inbox().join(path.as_ref())).unwrap();
    }

    /// Deletes a message's file seen by the daemon: what it does on such a hint is done here with the library, since no
    /// command sees a deletion.
    pub(crate) fn delete_seen(&self, path: &str) {
        self.delete(path);
        let (catalogue, aside) = Catalogue::open(&self.state()).unwrap();
        assert_eq!(aside, None);
        let row = catalogue.mailbox(&"inbox".parse().unwrap(), None).unwrap();
        let seen_gone = [RelName::new(path).unwrap()];
        let clock = SystemClock::new();
        let ignore = globset::GlobSet::empty();
        let rules = ScanRules {
            ignore: &ignore,
            stable_for: 0,
            seen_gone: &seen_gone,
            hold: &|_, _| false,
            clock: &clock,
        };
        scan(&catalogue, row, &MailboxDir::open(&self.inbox()).unwrap(), &rules).unwrap();
    }

    /// The card dies: mailboxes and state are gone. A new one is put in.
    pub(crate) fn lose_the_card(&self) {
        fs::remove_dir_all(self.path("card")).unwrap();
        fs::create_dir(self.path("card")).unwrap();
    }

    /// The folder of the programs that drives carry; empty unless a test puts some there, since the program under test
    /// is a hundred times as long as the one installed.
    pub(crate) fn programs(&self) -> PathBuf {
        self.path("programs")
    }

    /// Starts a command that is to be killed while it runs.
    pub(crate) fn begin(&self, args: &[OsString]) -> std::process::Child {
        std::process::Command::new(env!("CARGO_BIN_EXE_counterfoil"))
            .args(args)
            .env_clear()
            .env("HOME", self.root.path())
            .env("COUNTERFOIL_PROGRAMS", self.programs())
            .current_dir(self.root.path())
            .stdin(std::process::Stdio::null())
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap()
    }

    /// Pulls the drive, plugs it in again and mirrors to it.
    pub(crate) fn replug_and_mirror(&self, stick: &Stick) {
        stick.replug();
        self.mirror().expect_safe();
    }

    /// Runs a command exactly as given.
    pub(crate) fn run(&self, args: &[impl AsRef<OsStr>]) -> CommandOutput {
        self.run_with(args, &[])
    }

    /// The same with variables set, or unset, as given.
    pub(crate) fn run_with(
        &self,
        args: &[impl AsRef<OsStr>],
        environment: &[(&str, Option<&OsStr>)],
    ) -> CommandOutput {
        let program = OsString::from(env!("CARGO_BIN_EXE_counterfoil"));
        let mut words = self.prefix.iter().chain([&program]);
        let mut command = assert_cmd::Command::new(words.next().unwrap());
        command
            .args(words)
            .args(args.iter().map(AsRef::as_ref))
            .env_clear()
            .env("PATH", std::env::var_os("PATH").unwrap_or_default())
            .env("HOME", self.root.path())
            .env("COUNTERFOIL_PROGRAMS", self.programs())
            .current_dir(self.root.path())
            .timeout(PATIENCE);
        for (name, value) in environment {
            match value {
                Some(value) => command.env(name, value),
                None => command.env_remove(name),
            };
        }
        let output = command.output().unwrap();
        CommandOutput::new(args.iter().map(AsRef::as_ref).collect(), output)
    }

    /// The arguments of a command on this station, with its mailboxes and drives.
    pub(crate) fn arguments(&self, command: &[&str]) -> Vec<OsString> {
        let mut args: Vec<OsString> = vec![command[0].into()];
        args.extend(self.mailbox_arguments());
        args.extend(self.drive_arguments());
        args.extend(command[1..].iter().map(OsString::from));
        args
    }

    fn mailbox_arguments(&self) -> Vec<OsString> {
        let mut args = Vec::new();
        for (name, folder) in &self.mailboxes {
            let mut named =
                OsString::from(name.as_ref().map_or(String::new(), |n| format!("{n}=")));
            named.push(self.mailbox(folder));
            args.extend(["--mailbox".into(), named]);
        }
        args
    }

    fn drive_arguments(&self) -> Vec<OsString> {
        let mut args: Vec<OsString> = vec!["--config".into(), self.config_file().into()];
        if self.is_named {
            args.extend(["--station".into(), self.name.clone().into()]);
        }
        args.extend(["--state".into(), self.state().into()]);
        for drive in &self.drives {
            args.extend(["--drive".into(), drive.into()]);
        }
        if self.counts_same_device {
            args.push("--count-same-device".into());
        }
        args
    }

    pub(crate) fn command(&self, command: &[&str]) -> CommandOutput {
        self.run(&self.arguments(command))
    }

    pub(crate) fn mirror(&self) -> CommandOutput {
        self.command(&["mirror", "--json"])
    }

    pub(crate) fn audit(&self) -> CommandOutput {
        self.command(&["audit", "--json"])
    }

    pub(crate) fn verify(&self) -> CommandOutput {
        self.command(&["verify", "--json"])
    }

    /// Restores into an empty folder `restored` from the drives alone: no mailbox is named, and the state is a new one.
    pub(crate) fn restore(&self) -> CommandOutput {
        let target = self.restored();
        if target.exists() {
            fs::remove_dir_all(&target).unwrap();
        }
        self.restore_with(&["--into", target.to_str().unwrap()])
    }

    pub(crate) fn restored(&self) -> PathBuf {
        self.path("restored")
    }

    pub(crate) fn restore_with(&self, more: &[&str]) -> CommandOutput {
        self.run(&self.restore_arguments(more))
    }

    /// The arguments of a restore to the mailboxes, which are named, unless `more` says where it goes.
    pub(crate) fn restore_arguments(&self, more: &[&str]) -> Vec<OsString> {
        let mut args: Vec<OsString> = vec!["restore".into(), "--json".into()];
        if !more.iter().any(|word| ["--into", "--mailbox"].contains(word)) {
            args.extend(self.mailbox_arguments());
        }
        args.extend(self.drive_arguments());
        args.extend(more.iter().map(OsString::from));
        args
    }
}

/// A file system mounted for a test, which needs root; unmounted when the test ends, in whatever way.
pub(crate) struct Mounted(PathBuf);

impl Mounted {
    /// An empty file system in memory, `options` as for tmpfs.
    pub(crate) fn small(at: &Path, options: &str) -> Self {
        fs::create_dir(at).unwrap();
        // Without a mode it is writable for everybody, and root puts nothing into such a folder.
        let options = format!("mode=0755,{options}");
        let words = ["-t", "tmpfs", "-o", &options, "none"].map(OsStr::new);
        sh("mount", &[&words[..], &[at.as_os_str()]].concat());
        Self(at.to_owned())
    }

    /// Mounts the file system in an image.
    pub(crate) fn image(image: &Path, at: &Path) -> Self {
        let words = [OsStr::new("-o"), OsStr::new("loop"), image.as_os_str(), at.as_os_str()];
        sh("mount", &words);
        Self(at.to_owned())
    }

    /// Mounts `from` a second time.
    pub(crate) fn bind(from: &Path, at: &Path) -> Self {
        fs::create_dir(at).unwrap();
        sh("mount", &[OsStr::new("--bind"), from.as_os_str(), at.as_os_str()]);
        Self(at.to_owned())
    }

    /// Mounts `from` a second time, read-only.
    pub(crate) fn read_only(from: &Path, at: &Path) -> Self {
        let mounted = Self::bind(from, at);
        sh("mount", &[OsStr::new("-o"), OsStr::new("remount,ro,bind"), at.as_os_str()]);
        mounted
    }

    pub(crate) fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let unmount = || std::process::Command::new("umount").arg(&self.0).status();
        let unmounted = soon(|| unmount().is_ok_and(|status| status.success()));
        assert!(unmounted || std::thread::panicking(), "{:?} stays mounted", self.0);
    }
}

/// Whether something comes true soon, though a process that another test is just starting has, until it runs its
/// program, every file open that this process had: a deleted one keeps its room, a file system stays busy.
pub(crate) fn soon(holds: impl Fn() -> bool) -> bool {
    let until = Instant::now() + Duration::from_secs(10);
    loop {
        let held = holds();
        if held || Instant::now() >= until {
            return held;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Runs a program of the operating system; one that is missing or fails fails the test.
pub(crate) fn sh(program: &str, args: &[impl AsRef<OsStr>]) {
    let output = std::process::Command::new(program)
        .args(args)
        .output()
        .unwrap_or_else(|error| panic!("{program} is needed for this test: {error}"));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{program} failed (these tests run as root): {said}");
}

/// Everything below a folder: for each path what a restore must bring back of it.
pub(crate) fn tree(root: &Path) -> std::collections::BTreeMap<Vec<u8>, (Vec<u8>, SystemTime, u32)> {
    use std::os::unix::fs::PermissionsExt as _;
    let files = walkdir::WalkDir::new(root).min_depth(1).into_iter().map(Result::unwrap);
    files
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let path = entry.path().strip_prefix(root).unwrap();
            let facts = entry.metadata().unwrap();
            let what = (
                fs::read(entry.path()).unwrap(),
                facts.modified().unwrap(),
                facts.permissions().mode() & 0o777,
            );
            (path.as_os_str().as_bytes().to_vec(), what)
        })
        .collect()
}

/// Both folders hold the same files: names, bytes, times and permissions.
pub(crate) fn expect_same(one: &Path, other: &Path) {
    let (one, other) = (tree(one), tree(other));
    let names = |tree: &std::collections::BTreeMap<Vec<u8>, _>| {
        tree.keys().map(|name| String::from_utf8_lossy(name).into_owned()).collect::<Vec<_>>()
    };
    assert_eq!(names(&one), names(&other));
    for (name, what) in &one {
        let shown = String::from_utf8_lossy(name);
        assert!(what.0 == other[name].0, "{shown}: other bytes");
        assert_eq!((what.1, what.2), (other[name].1, other[name].2), "{shown}: time and rights");
    }
}
