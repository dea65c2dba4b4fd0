//! A catalogue in a file reads long ledgers in portions: whatever interrupts that, the final state is as if the ledger
//! had been read at once, and until then none of it counts.

use crate::card::{Card, drive_ref, folder, station};
use crate::support::flood::Flood;
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{
    Access, DirVolumeSource, DiskError, ErrorKind, StoppableVolumeSource, VolumeSource,
};
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives, add};
use counterfoil::job::{DriveRef, JobError, sync_drive};
use counterfoil::model::limits::LEDGER_LINES_PLAIN;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// More than is read in any case, and few enough for any drive.
const LINES: u64 = 16_000;

fn inspect(state: &Path, volume_source: Arc<dyn VolumeSource>) -> Result<u64, JobError> {
    let card = Card::new();
    let (catalogue, _) = Catalogue::open(state)?;
    let drive = DriveRef {
        volume_source,
        label: "flood".into(),
        path: b"flood".to_vec(),
        begin: NewDrivePolicy::InFolder,
    };
    let present_drives = PresentDrives::default();
    let inspected = sync_drive::open(
        &catalogue,
        &station(),
        &drive,
        Access::Read,
        &present_drives,
        &card.clock,
    )?;
    catalogue.known_lines(inspected.state.row).map(|known| known.lines)
}

/// How many rows each table has, and how many replicas count.
fn rows(state: &Path) -> Vec<(String, i64)> {
    let db = rusqlite::Connection::open(Catalogue::path(state)).unwrap();
    let mut tables: Vec<(String, i64)> = Vec::new();
    for table in
        ["content", "mailbox", "writer", "payload", "assertion", "replica", "replica_writer"]
    {
        let sql = format!("SELECT count(*) FROM {table}");
        tables.push((table.to_owned(), db.query_row(&sql, [], |row| row.get(0)).unwrap()));
    }
    let sql = "SELECT count(*) FROM replica WHERE trusted AND NOT partial";
    tables.push(("counting".to_owned(), db.query_row(sql, [], |row| row.get(0)).unwrap()));
    tables
}

/// A volume source whose reads are asked to stop from this poll on.
fn stopping(stick: &Path, after: u32) -> Arc<dyn VolumeSource> {
    let asked = AtomicU32::new(0);
    let stop = move || asked.fetch_add(1, Ordering::Relaxed) >= after;
    Arc::new(StoppableVolumeSource::new(Arc::new(DirVolumeSource::new(stick)), Arc::new(stop)))
}

#[test]
fn a_reading_that_was_stopped_counts_for_nothing_and_is_done_again() {
    let (stick, whole) = (folder(), folder());
    Flood { copies: 3, ..Flood::of(LINES) }.make(stick.path(), "pier-4");
    let plain = || Arc::new(DirVolumeSource::new(stick.path())) as Arc<dyn VolumeSource>;
    assert_eq!(inspect(whole.path(), plain()).unwrap(), LINES);
    let expected = rows(whole.path());
    let mut partly = 0;
    for after in [0, 8, 15] {
        let state = folder();
        let ended = inspect(state.path(), stopping(stick.path(), after));
        let stopped = |error: &DiskError| error.trouble == ErrorKind::Stopped;
        assert!(matches!(&ended, Err(JobError::Disk(e)) if stopped(e)), "{after}: {ended:?}");
        let there = rows(state.path());
        if there.iter().any(|(table, rows)| table == "assertion" && *rows > 0) {
            partly += 1;
            assert_eq!(there.last().unwrap().1, 0, "{after}: it counts: {there:?}");
        }
        assert_eq!(inspect(state.path(), plain()).unwrap(), LINES);
        assert_eq!(rows(state.path()), expected, "{after}");
    }
    assert!(partly > 1, "none was stopped in the middle");
}

/// The operator's decision counts for that stick, not for whatever has its id.
#[test]
fn a_ledger_that_no_copies_bear_out_is_taken_in_where_its_operator_added_the_stick() {
    const LONG: u64 = LEDGER_LINES_PLAIN + 500;
    let (made, state) = (folder(), folder());
    Flood::of(LONG).make(made.path(), "pier-4");
    let drive = MemoryDrive::default();
    for name in
        ["drive.json", "pier-4/bagit.txt", "pier-4/manifest-sha256.txt", "pier-4/ledger.jsonl"]
    {
        let name = format!("counterfoil/{name}");
        drive.put(&name, &std::fs::read(made.path().join(&name)).unwrap());
    }
    let volume_source = || drive_ref(&drive, "flood").volume_source;
    let expect_refused = || {
        let ended = inspect(state.path(), volume_source());
        assert!(matches!(ended, Err(JobError::LedgerNotBorneOut { copies: 0, .. })), "{ended:?}");
    };
    drive.set_serial("s-1");
    expect_refused();
    let (catalogue, _) = Catalogue::open(state.path()).unwrap();
    let volume = volume_source().open(Access::Write).unwrap();
    add(&catalogue, &*volume, "flood", b"flood", &Card::new().clock).unwrap();
    drop((volume, catalogue));
    // With another serial number it is not even opened as that stick.
    drive.set_serial("s-2");
    let ended = inspect(state.path(), volume_source());
    assert!(matches!(ended, Err(JobError::CopiedDrive { .. })), "{ended:?}");
    drive.set_serial("s-1");
    assert_eq!(inspect(state.path(), volume_source()).unwrap(), LONG);
}
