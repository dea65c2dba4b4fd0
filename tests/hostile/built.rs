//! Ledgers and sticks damaged at random, given to the built program: to `restore`, and to the daemon's loop with new
//! mail. Whatever happens to the damaged one, everything on the good one comes back, nothing around the target is
//! touched, and memory stays bounded. `COUNTERFOIL_SEEDS=200 cargo test --test hostile built` tries that many.

use crate::campaign::{BAG, Before, expect_all, seeds, spoil_ledger, spoil_stick};
use crate::card::mail;
use crate::support::chance::Chance;
use crate::support::memory::MemoryDrive;
use crate::support::signal::signal;
use crate::taken::{self, MEMORY};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

/// Number of seeds by default.
const SEEDS: u64 = 20;
/// Far more than any run here takes.
const PATIENCE: Duration = Duration::from_secs(60);
/// The only folders that the program may change while it restores, and while it watches.
const RESTORE_WRITES: [&str; 1] = ["into"];
const WATCH_WRITES: [&str; 4] = ["state", "bad/counterfoil", "good/counterfoil", "log"];

/// A card's folders with two sticks, and other people's files all around.
struct Post {
    around: tempfile::TempDir,
    /// The most memory that any run used.
    memory: u64,
}

impl Post {
    fn new(before: &Before, bad: &MemoryDrive) -> Self {
        let around = tempfile::tempdir_in("/dev/shm").unwrap();
        let post = Self { around, memory: 0 };
        post.lay_out("bad", bad);
        post.lay_out("good", &before.good);
        for (path, bytes) in before.card.messages() {
            post.put(&format!("mail/{path}"), &bytes);
        }
        for path in ["secret", ".ssh/authorized_keys", "bin/ls", "bad/photos/1.jpg", "good/x"] {
            post.put(path, b"of somebody else");
        }
        let config = format!(
            "station = \"pier-4\"\nstate = {:?}\nsettle = \"50ms\"\nscan_every = \"1h\"\n\
             [[mailbox]]\nname = \"in\"\npath = {:?}\n[drives]\naccept = \"named\"\nfolders = {:?}\n",
            post.path("state"),
            post.path("mail"),
            [post.path("bad"), post.path("good")],
        );
        post.put("config.toml", config.as_bytes());
        post
    }

    fn path(&self, name: &str) -> PathBuf {
        self.around.path().join(name)
    }

    fn put(&self, name: &str, bytes: &[u8]) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    fn lay_out(&self, label: &str, stick: &MemoryDrive) {
        fs::create_dir_all(self.path(label)).unwrap();
        for path in stick.files() {
            self.put(&format!("{label}/{path}"), &stick.file(&path).unwrap());
        }
    }

    fn program(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_counterfoil"));
        command.env_clear().env("HOME", self.around.path()).current_dir(self.around.path());
        command.env("COUNTERFOIL_PROGRAMS", "/nowhere");
        command
    }

    /// Everything around, except below these paths: bytes, time and kind.
    fn canaries(&self, but: &[&str]) -> BTreeMap<PathBuf, (Vec<u8>, SystemTime)> {
        let mut all = BTreeMap::new();
        let entries = walkdir::WalkDir::new(self.around.path()).into_iter().filter_entry(|entry| {
            let below = entry.path().strip_prefix(self.around.path()).unwrap();
            !but.iter().any(|name| below == Path::new(name))
        });
        for entry in entries.map(Result::unwrap) {
            let facts = entry.metadata().unwrap();
            let bytes = match facts.is_file() {
                true => fs::read(entry.path()).unwrap(),
                // Creating or deleting a file in a folder changes the folder's time, so the folders above the
                // exceptions may change.
                false => Vec::new(),
            };
            let above = but.iter().any(|name| self.path(name).parent() == Some(entry.path()));
            let time = facts.modified().unwrap();
            let time = if above { SystemTime::UNIX_EPOCH } else { time };
            all.insert(entry.into_path(), (bytes, time));
        }
        all
    }

    /// Everything that comes back from these sticks, withheld or not.
    fn restored(&mut self, sticks: &[&str]) -> BTreeSet<Vec<u8>> {
        drop(fs::remove_dir_all(self.path("into")));
        let before = self.canaries(&RESTORE_WRITES);
        let mut command = self.program();
        command.args(["restore", "--with-removed", "--station", "pier-4", "--into"]);
        command.arg(self.path("into"));
        for stick in sticks {
            command.arg("--drive").arg(self.path(stick));
        }
        let taken = taken::run(&mut command);
        assert!(matches!(taken.code, Some(0 | 1)), "{:?}: {}", taken.code, taken.said);
        assert!(!taken.said.contains("panicked"), "{}", taken.said);
        assert_eq!(self.canaries(&RESTORE_WRITES), before, "something around was changed");
        self.memory = self.memory.max(taken.memory);
        crate::card::tree(&self.path("into")).into_values().collect()
    }

    /// The daemon gets new mail while both sticks are plugged in, until the good one has it.
    fn watched(&mut self, seed: u64) {
        let name = format!("late-{seed}");
        let before = self.canaries(&WATCH_WRITES);
        let log = fs::File::create(self.path("log")).unwrap();
        let mut command = self.program();
        command.arg("--config").arg(self.path("config.toml")).arg("watch");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
        let mut daemon = Daemon(command.spawn().unwrap());
        self.until(&mut daemon, "a look at the mailbox", |post| post.path("state").is_dir());
        let is_in = format!("\"path\":\"{name}\"");
        let written = self.path("state").join("being-written");
        fs::write(&written, mail(&name)).unwrap();
        fs::rename(written, self.path("mail").join(&name)).unwrap();
        self.until(&mut daemon, "new mail on the good stick", |post| {
            let ledger = fs::read(post.path("good").join(BAG).join("ledger.jsonl"));
            String::from_utf8_lossy(&ledger.unwrap_or_default()).contains(&is_in)
        });
        self.memory = self.memory.max(taken::memory_of(daemon.0.id()).unwrap());
        daemon.stop();
        let log = fs::read_to_string(self.path("log")).unwrap();
        assert!(!log.contains("panicked"), "{log}");
        let mut after = self.canaries(&WATCH_WRITES);
        let new = after.remove(&self.path("mail").join(&name)).unwrap();
        assert_eq!(new.0, mail(&name));
        let (mut before, mailbox) = (before, self.path("mail"));
        // The message itself was put into it.
        before.remove(&mailbox);
        after.remove(&mailbox);
        assert_eq!(after, before, "something around was changed");
    }

    fn until(&self, daemon: &mut Daemon, what: &str, is: impl Fn(&Self) -> bool) {
        let begun = Instant::now();
        while !is(self) {
            let log = || fs::read_to_string(self.path("log")).unwrap();
            assert_eq!(daemon.0.try_wait().unwrap(), None, "{}", log());
            assert!(begun.elapsed() < PATIENCE, "never came true: {what}\n{}", log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

struct Daemon(Child);

impl Daemon {
    fn stop(&mut self) {
        signal(&self.0, "TERM");
        assert!(self.0.wait().unwrap().success());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Every other one is a ledger alone.
#[test]
fn built_program_restores_a_good_stick_whole_beside_any_spoilt_one() {
    let before = Before::new();
    let mut most = 0;
    for seed in seeds(SEEDS) {
        println!("COUNTERFOIL_FIRST={seed}");
        let (bad, chance) = (before.bad.copied(), &mut Chance::new(seed));
        match seed % 2 {
            0 => bad.tamper(&format!("{BAG}ledger.jsonl"), |ledger| spoil_ledger(ledger, chance)),
            _ => spoil_stick(&bad, chance),
        }
        let mut post = Post::new(&before, &bad);
        let mut mail = before.mail();
        expect_all(&mail, &post.restored(&["bad", "good"]));
        post.watched(seed);
        mail.insert(crate::card::mail(&format!("late-{seed}")));
        expect_all(&mail, &post.restored(&["bad", "good"]));
        expect_all(&mail, &post.restored(&["good"]));
        assert!(post.memory < MEMORY, "{} bytes", post.memory);
        most = most.max(post.memory);
    }
    println!("most memory: {} KiB", most >> 10);
}
