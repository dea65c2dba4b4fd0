//! The order of operations on a drive: the room that both logs will need is reserved before everything is synced, and
//! all files of the list of messages share the flushes between their steps. Never checks what is written.

use crate::card::{Card, done, drive_ref, mail, station, try_write_extras};
use crate::extras::Plain;
use crate::support::memory::{MemoryDrive, MemoryVolumeSource};
use counterfoil::disk::{Access, DiskError, Volume, VolumeFacts, VolumeSource};
use counterfoil::job::extras::{Extras, write_extras_of_drive};
use counterfoil::job::replica::PresentDrives;
use counterfoil::job::{DriveRef, Unwatched};
use counterfoil::model::RelName;
use std::sync::{Arc, Mutex};

/// An operation on a drive.
#[derive(Debug, Clone, PartialEq)]
enum Asked {
    /// Reserves room for a file of this length.
    Reserve(String, u64),
    /// Syncs everything.
    HandOver,
    /// Syncs everything, and flushes the device.
    Flush,
    /// Writes a file up to this length, and flushes the device.
    Write(String, u64),
    /// Writes a file up to this length.
    WriteOnly(String, u64),
}

/// A drive that records the operations on it.
struct Noting {
    volume_source: MemoryVolumeSource,
    asked: Arc<Mutex<Vec<Asked>>>,
}

impl VolumeSource for Noting {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let volume = self.volume_source.open_unlatched(access)?;
        Ok(Box::new(NotingVolume { volume, asked: self.asked.clone() }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.volume_source.still_present(facts)
    }

    fn shown(&self) -> String {
        self.volume_source.shown()
    }
}

struct NotingVolume {
    volume: Box<dyn Volume>,
    asked: Arc<Mutex<Vec<Asked>>>,
}

impl NotingVolume {
    fn note(&self, asked: Asked) {
        self.asked.lock().unwrap().push(asked);
    }
}

impl Volume for NotingVolume {
    as_beneath!(volume: facts, present, room, make_dir, list, length, create, read, remove);

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.note(Asked::Write(name(at), offset + bytes.len() as u64));
        self.volume.write_synced(at, offset, bytes)
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.note(Asked::WriteOnly(name(at), offset + bytes.len() as u64));
        self.volume.write_unsynced(at, offset, bytes)
    }

    fn flush(&self) -> Result<(), DiskError> {
        self.note(Asked::Flush);
        self.volume.flush()
    }

    fn reserve(&self, at: &RelName, length: u64) -> Result<(), DiskError> {
        self.note(Asked::Reserve(name(at), length));
        self.volume.reserve(at, length)
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        self.note(Asked::HandOver);
        self.volume.sync_all()
    }
}

fn name(at: &RelName) -> String {
    String::from_utf8_lossy(at.last()).into_owned()
}

fn reserve(log: &str, length: u64) -> Asked {
    Asked::Reserve(log.to_owned(), length)
}

fn write(log: &str, length: u64) -> Asked {
    Asked::Write(log.to_owned(), length)
}

const MANIFEST: &str = "manifest-sha256.txt";
const LEDGER: &str = "ledger.jsonl";

/// On FAT a power failure between the length of a log and its clusters would leave it longer than its clusters reach.
/// Clusters after its end, if too many are left, make Linux take the file system for damaged.
#[test]
fn just_what_the_logs_will_need_is_reserved_before_all_is_handed_over() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for batch in 0..3 {
        for n in 0..4 {
            card.deliver(&format!("inbox/{batch}-{n}"), &mail(&format!("{batch} {n}")));
        }
        card.scan(0);
        let asked = Arc::new(Mutex::new(Vec::new()));
        let noting = Noting { volume_source: drive.volume_source(), asked: asked.clone() };
        assert_eq!(done(card.copy_to(Arc::new(noting), "stick")).copied, 4);

        let asked = asked.lock().unwrap().clone();
        let last = asked.iter().rposition(|one| *one == Asked::HandOver).unwrap();
        let length = |log: &str| -> u64 {
            let written = asked[last..].iter().filter_map(|one| match one {
                Asked::Write(at, length) if at == log => Some(*length),
                _ => None,
            });
            written.max().unwrap()
        };
        let (manifest, ledger) = (length(MANIFEST), length(LEDGER));
        let room = [reserve(MANIFEST, manifest), reserve(LEDGER, ledger)];
        assert_eq!(asked[last - 2..last], room, "{asked:?}");
        assert_eq!(asked[last + 1..], [write(MANIFEST, manifest), write(LEDGER, ledger)]);
    }
}

/// Room left reserved by a power failure is released before anything is written.
#[test]
fn what_was_reserved_is_given_back_at_the_first_look() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.deliver("inbox/1", &mail("one"));
    card.scan(0);
    done(card.copy(&drive, "stick"));
    let asked = || {
        let asked = Arc::new(Mutex::new(Vec::new()));
        done(card.copy_to(
            Arc::new(Noting { volume_source: drive.volume_source(), asked: asked.clone() }),
            "stick",
        ));
        asked.lock().unwrap().clone()
    };
    assert_eq!(asked(), [], "the mount goes on");
    drive.replug(false);
    assert_eq!(asked()[..3], [reserve(MANIFEST, 0), reserve(LEDGER, 0), Asked::HandOver]);
}

/// However many of its files change, the device is flushed twice for them: after all say that they are being written,
/// and before any says that it is whole.
#[test]
fn all_files_of_the_list_share_their_flushes() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let extras = |config: &str| Extras {
        config: Some(config.repeat(40)),
        pages: Some(Arc::new(Plain)),
        programs: Vec::new(),
    };
    card.deliver("inbox/1", &mail("one"));
    card.mirrored(&drive);
    try_write_extras(&card, &drive, &extras("first = 1, as long as it is\n")).unwrap();
    card.deliver("inbox/2", &mail("two"));
    card.mirrored(&drive);
    let asked = Arc::new(Mutex::new(Vec::new()));
    let noting = Noting { volume_source: drive.volume_source(), asked: asked.clone() };
    let longer = extras("second = 2, and longer than the one before\n");
    let drive = DriveRef { volume_source: Arc::new(noting), ..drive_ref(&drive, "stick") };
    let met = PresentDrives::default();
    let (catalogue, clock) = (&card.catalogue, &card.clock);
    write_extras_of_drive(catalogue, &station(), &drive, &met, clock, &longer, &Unwatched).unwrap();

    let asked = asked.lock().unwrap().clone();
    let names = ["config.toml", "index-1.html", "index.html"];
    let steps: Vec<_> = asked.split(|one| matches!(one, Asked::Flush | Asked::HandOver)).collect();
    let [begun, rest, heads, []] = &steps[..] else { panic!("{asked:?}") };
    for (step, name) in [begun, rest, heads].into_iter().zip(["begun", "rest", "heads"]) {
        let written = step.iter().filter_map(|one| match one {
            Asked::WriteOnly(at, length) => Some((at.as_str(), *length)),
            _ => None,
        });
        let (files, lengths): (Vec<_>, Vec<_>) = written.unzip();
        assert_eq!(files, names, "{name}: {asked:?}");
        assert!(name == "rest" || lengths.iter().all(|length| *length == 512), "{asked:?}");
    }
    let reserves = |step: &&[Asked]| step.iter().any(|one| matches!(one, Asked::Reserve(..)));
    assert!(reserves(begun) && !reserves(rest) && !reserves(heads), "{asked:?}");
    let flushes = asked.iter().filter(|one| matches!(one, Asked::Flush | Asked::Write(..)));
    assert_eq!(flushes.count(), 2, "{asked:?}");
}
