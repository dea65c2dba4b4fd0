//! The order of operations on a drive: the room that both logs will need is reserved before everything is synced. Never
//! checks what is written.

use crate::card::{Card, done, mail};
use crate::support::memory::{MemoryDrive, MemoryVolumeSource};
use counterfoil::disk::{Access, DiskError, Volume, VolumeFacts, VolumeSource};
use counterfoil::model::RelName;
use std::sync::{Arc, Mutex};

/// An operation on a drive.
#[derive(Debug, Clone, PartialEq)]
enum Asked {
    /// Reserves room for a file of this length.
    Reserve(String, u64),
    /// Syncs everything.
    HandOver,
    /// Writes a file up to this length.
    Write(String, u64),
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
