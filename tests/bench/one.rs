//! What one more message costs, as the daemon takes it: one path looked at, settled and mirrored.
//! Counts processor time of this process, in the program and in the kernel for it, not time waited
//! for the disk; never the making of the message.

use crate::data::{command, mailbox, path, place};
use crate::mail::long_mail;
use crate::run::{Row, program};
use counterfoil::daemon::clock::SystemClock;
use counterfoil::disk::DirVolumeSource;
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::mirror::OpenMailbox;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::scan::confirm::confirm;
use counterfoil::job::scan::{ScanReport, ScanRules, check_paths};
use counterfoil::job::{DriveRef, MailboxRef, Unwatched, sync_drive};
use counterfoil::model::{RelName, StationName};
use globset::GlobSet;
use std::os::unix::ffi::OsStrExt as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tempfile::TempDir;

const ROUNDS: usize = 5;
const TIMES: usize = 40;

pub(crate) fn one_more() -> Vec<Row> {
    let mut few = Standing::of(1_000);
    let mut many = Standing::of(100_000);
    let (mut least_few, mut least_many) = (Duration::MAX, Duration::MAX);
    for _ in 0..ROUNDS {
        least_few = least_few.min(few.round());
        least_many = least_many.min(many.round());
    }
    let what = "one more message, 100,000 there / 1,000 there (CPU)";
    vec![Row::ratio(what, least_many, least_few, Some(1.2))]
}

/// A mailbox mirrored, with everything open that the daemon keeps open.
struct Standing {
    place: TempDir,
    catalogue: Catalogue,
    mailbox: OpenMailbox,
    next: usize,
}

impl Standing {
    fn of(messages: usize) -> Self {
        let place = place();
        let at = |name: &str| place.path().join(name);
        mailbox(&at("mail"), messages, 1_024);
        std::fs::create_dir(at("drive")).unwrap();
        program(command("mirror", &at("mail"), &at("drive"), &at("state")));
        let (catalogue, _) = Catalogue::open(&at("state")).unwrap();
        let known = MailboxRef { name: "mail".parse().unwrap(), path: at("mail") };
        let mailbox = OpenMailbox::open(&catalogue, &known).unwrap();
        let mut standing = Self { place, catalogue, mailbox, next: messages };
        // The first pass of a boot or a mount reads more; it is not what one more message costs.
        standing.round();
        standing
    }

    fn at(&self, name: &str) -> PathBuf {
        self.place.path().join(name)
    }

    /// Processor time of one message, over a few of them.
    fn round(&mut self) -> Duration {
        let paths: Vec<_> = (self.next..self.next + TIMES).map(path).collect();
        for (number, path) in paths.iter().enumerate() {
            let path = self.at("mail").join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, long_mail(self.next + number, 1_024)).unwrap();
        }
        self.next += TIMES;
        let begun = processor_time();
        for path in &paths {
            self.one(RelName::new(path.as_os_str().as_bytes()).unwrap());
        }
        (processor_time() - begun) / TIMES as u32
    }

    fn one(&self, path: RelName) {
        let clock = SystemClock::new();
        let (ignore, dir) = (GlobSet::empty(), &self.mailbox.dir);
        let hold = |_: &RelName, _| false;
        let rules = ScanRules {
            ignore: &ignore,
            stable_for: 0,
            seen_gone: &[],
            hold: &hold,
            clock: &clock,
        };
        let row = self.mailbox.row;
        assert!(check_paths(&self.catalogue, row, dir, &[path], &rules).unwrap());
        confirm(&self.catalogue, row, dir, &rules, &mut ScanReport::default()).unwrap();
        let drive = self.at("drive");
        let drive = DriveRef {
            label: "drive".into(),
            path: drive.as_os_str().as_bytes().to_vec(),
            volume_source: Arc::new(DirVolumeSource::new(drive)),
            begin: NewDrivePolicy::InFolder,
        };
        let station: StationName = "pier-4".parse().unwrap();
        let mailboxes = std::slice::from_ref(&self.mailbox);
        let met = PresentDrives::default();
        let round = sync_drive::mirror_drive(
            &self.catalogue,
            &station,
            mailboxes,
            &drive,
            &met,
            &clock,
            &Unwatched,
        );
        assert_eq!(round.outcome.unwrap().copied, 1);
    }
}

/// Time of this process on a processor, its own and the kernel's for it.
fn processor_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}
