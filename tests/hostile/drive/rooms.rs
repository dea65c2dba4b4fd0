//! A ledger that does not fit on the card: this is found out half way, and none of it is kept.

use crate::card::{Card, station};
use crate::command_output::CommandOutput;
use crate::scene::Scene;
use crate::station::Mounted;
use crate::support::flood::Flood;
use counterfoil::disk::{
    Access, DirVolumeSource, DiskError, ErrorKind, ReadFrom, Source, StoppableVolumeSource, Volume,
    VolumeFacts, VolumeSource,
};
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::{DriveRef, JobError, sync_drive};
use counterfoil::model::RelName;
use rustix::io::Errno;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// A volume source where something happens once, at the given poll of a read.
fn at_question(
    stick: &Path,
    question: u32,
    what: impl Fn() + Send + Sync + 'static,
) -> Arc<dyn VolumeSource> {
    let asked = AtomicU32::new(0);
    let stop = move || {
        if asked.fetch_add(1, Ordering::Relaxed) == question {
            what();
        }
        false
    };
    Arc::new(StoppableVolumeSource::new(Arc::new(DirVolumeSource::new(stick)), Arc::new(stop)))
}

#[test]
fn of_a_ledger_that_finds_no_room_half_way_nothing_is_kept() {
    let around = tempfile::tempdir_in("/dev/shm").unwrap();
    let (stick, state) = (around.path().join("stick"), around.path().join("state"));
    let small = Mounted::small(&state, "size=100m");
    Flood { copies: 1_000, mailboxes: true, ..Flood::of(40_000) }.make(&stick, "pier-4");
    let catalogue = Catalogue::open(&state).unwrap().0;
    let contents = catalogue.pages().unwrap();
    let filler = state.join("filler");
    // All room is used except what is reserved for mail.
    let fill = {
        let filler = filler.clone();
        move || {
            let mut file = fs::File::create(&filler).unwrap();
            while free(filler.parent().unwrap()) > 7 << 20 {
                std::io::Write::write_all(&mut file, &[b'x'; 64 << 10]).unwrap();
            }
        }
    };
    let card = Card::new();
    let volume_source = at_question(&stick, 20, fill);
    let drive = DriveRef {
        volume_source,
        label: "flood".into(),
        path: b"flood".to_vec(),
        begin: NewDrivePolicy::InFolder,
    };
    let present_drives = PresentDrives::default();
    let looked = sync_drive::open(
        &catalogue,
        &station(),
        &drive,
        Access::Read,
        &present_drives,
        &card.clock,
    );
    let Err(error @ JobError::NoRoomForLedger { .. }) = looked.map(drop) else {
        panic!("there was room")
    };
    assert!(error.to_string().contains("Make room on the card"), "{error}");
    let after = catalogue.pages().unwrap();
    assert!(after <= contents + 8, "{after} pages, {contents} before");
    let file = fs::metadata(Catalogue::path(&state)).unwrap().len();
    assert!(file < (after + 32) * 4096, "the file was not cut: {file} bytes");
    // There is room for mail, and once there is more the ledger is read.
    assert!(free(small.path()) > 4 << 20);
    fs::remove_file(filler).unwrap();
    sync_drive::open(&catalogue, &station(), &drive, Access::Read, &present_drives, &card.clock)
        .unwrap();
    assert!(catalogue.pages().unwrap() > after + 1_000);
}

/// A stick that is pulled once this many bytes of a file were read.
struct Pulled {
    volume_source: DirVolumeSource,
    after: usize,
    what: Arc<dyn Fn() + Send + Sync>,
}

impl VolumeSource for Pulled {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let (after, what) = (self.after, self.what.clone());
        Ok(Box::new(PulledVolume {
            volume: self.volume_source.open_unlatched(access)?,
            after,
            what,
        }))
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        self.volume_source.still_present(facts)
    }

    fn shown(&self) -> String {
        self.volume_source.shown()
    }
}

struct PulledVolume {
    volume: Box<dyn Volume>,
    after: usize,
    what: Arc<dyn Fn() + Send + Sync>,
}

impl Volume for PulledVolume {
    as_beneath!(volume: facts, present, room, make_dir, list, length, create, write_synced, reserve, sync_all, remove);

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        let source = self.volume.read(at, offset, from)?;
        Ok(Box::new(PulledSource { source, left: self.after, what: self.what.clone() }))
    }
}

struct PulledSource {
    source: Box<dyn Source>,
    left: usize,
    what: Arc<dyn Fn() + Send + Sync>,
}

impl Source for PulledSource {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        if self.left == 0 {
            (self.what)();
            return Err(DiskError::with("read", "flood", Errno::NODEV, ErrorKind::Gone));
        }
        let got = self.source.read(into)?;
        self.left = self.left.saturating_sub(got);
        Ok(got)
    }
}

fn rows(state: &Path, table: &str) -> i64 {
    let db = rusqlite::Connection::open(Catalogue::path(state)).unwrap();
    db.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
}

/// An unknown stick is pulled while its ledger is read: the room is released at once, and the reports about the mail
/// are the same as before.
#[test]
fn of_a_ledger_whose_stick_is_pulled_half_way_nothing_is_kept() {
    let scene = Scene::mirrored(3);
    let state = scene.station.state();
    let flood = scene.station.path("flood");
    Flood { writers: true, mailboxes: true, ..Flood::of(12_000) }.make(&flood, "pier-4");
    let audit = |output: CommandOutput| {
        let json = output.json();
        let mine = |drive: &&serde_json::Value| drive["label"] != "flood";
        let drives: Vec<_> =
            json["drives"].as_array().unwrap().iter().filter(mine).cloned().collect();
        (json["verdict"].clone(), json["messages"].clone(), drives.len(), output.code())
    };
    let before = audit(scene.station.audit());
    let catalogue = Catalogue::open(&state).unwrap().0;
    let tables = ["content", "mailbox", "assertion", "payload", "mark", "writer", "replica_writer"];
    let there = tables.map(|table| rows(&state, table));
    let pages = catalogue.pages().unwrap();
    let at_pull = Arc::new(AtomicU32::new(0));
    let (of, look) = (at_pull.clone(), state.clone());
    let what = move || of.store(rows(&look, "assertion") as u32, Ordering::Relaxed);
    let volume_source = Pulled {
        volume_source: DirVolumeSource::new(&flood),
        after: 4 << 20,
        what: Arc::new(what),
    };
    let drive = DriveRef {
        volume_source: Arc::new(volume_source),
        label: "flood".into(),
        path: b"flood".to_vec(),
        begin: NewDrivePolicy::InFolder,
    };
    let (card, present_drives) = (Card::new(), PresentDrives::default());
    let opened = sync_drive::open(
        &catalogue,
        &station(),
        &drive,
        Access::Read,
        &present_drives,
        &card.clock,
    );
    assert!(matches!(opened, Err(JobError::Disk(error)) if error.trouble == ErrorKind::Gone));
    assert!(at_pull.load(Ordering::Relaxed) > 1_000, "it was pulled before anything was taken in");
    assert_eq!(tables.map(|table| rows(&state, table)), there, "{tables:?}");
    assert!(catalogue.pages().unwrap() <= pages + 8);
    let file = fs::metadata(Catalogue::path(&state)).unwrap().len();
    assert!(file < (pages + 32) * 4096, "the file was not cut: {file} bytes, {pages} pages before");
    drop(catalogue);
    assert_eq!(audit(scene.station.audit()), before);
    scene.station.command(&["status"]).expect_safe();
    scene.expect_all_restored();
}

fn free(folder: &Path) -> u64 {
    counterfoil::disk::host::room(folder).unwrap()
}
