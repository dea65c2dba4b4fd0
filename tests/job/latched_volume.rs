//! A volume after a failed sync: it refuses every write itself, and every read still works.

use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, ErrorKind, ReadFrom, Volume, VolumeSource as _, read_full};
use counterfoil::model::RelName;

const OLD: &str = "old";

fn name(at: &str) -> RelName {
    RelName::new(at).unwrap()
}

fn opened(drive: &MemoryDrive) -> Box<dyn Volume> {
    drive.volume_source().open(Access::Write).unwrap()
}

fn drive() -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.put(OLD, b"old");
    drive
}

/// Every operation that writes is refused, and nothing of it reaches the drive.
fn expect_latched(volume: &dyn Volume, drive: &MemoryDrive) {
    let (files, operations) = (drive.files(), drive.operations());
    let (old, new) = (name(OLD), name("new"));
    let refused = [
        volume.make_dir(&new),
        volume.create(&new).map(drop),
        volume.write_synced(&old, 0, b"NEW"),
        volume.reserve(&old, 100),
        volume.remove(&old),
        volume.clear(&new, &|_| false, &mut || true).map(drop),
        volume.remove_empty(&new),
        volume.sync_all(),
    ];
    for refused in refused {
        let error = refused.unwrap_err();
        assert_eq!(error.trouble, ErrorKind::Failing, "the trouble of the sync");
        assert!(error.to_string().contains("since a sync failed: "), "{error}");
    }
    assert_eq!((drive.files(), drive.operations()), (files, operations));
    assert_eq!(drive.file(OLD).unwrap(), b"old");
}

fn expect_read(volume: &dyn Volume) {
    volume.present().unwrap();
    assert!(volume.room().is_ok() && volume.list(&name("folder"), 1).is_ok());
    assert!(volume.lengths(&name("folder"), 1).is_ok());
    assert_eq!(volume.length(&name(OLD)).unwrap(), Some(3));
    let mut source = volume.read(&name(OLD), 0, ReadFrom::Medium).unwrap();
    let mut bytes = [0; 4];
    assert_eq!(read_full(&mut *source, &mut bytes).unwrap(), 3);
}

#[test]
fn after_a_failed_sync_of_all_nothing_is_written_and_everything_read() {
    let drive = drive();
    let volume = opened(&drive);
    volume.sync_all().unwrap();
    drive.fail_sync_after(0);
    volume.sync_all().unwrap_err();
    expect_latched(&*volume, &drive);
    expect_read(&*volume);
}

#[test]
fn after_a_failed_sync_of_one_file_nothing_is_written_and_everything_read() {
    let drive = drive();
    let volume = opened(&drive);
    drive.fail_sync_after(0);
    volume.write_synced(&name(OLD), 0, b"old").unwrap_err();
    expect_latched(&*volume, &drive);
    expect_read(&*volume);
}

#[test]
fn a_file_begun_before_the_failed_sync_is_not_gone_on_with() {
    let drive = drive();
    let volume = opened(&drive);
    let mut sink = volume.create(&name("new")).unwrap();
    sink.write(b"one").unwrap();
    drive.fail_sync_after(0);
    volume.sync_all().unwrap_err();
    let error = sink.write(b"two").unwrap_err();
    assert!(error.to_string().starts_with("write new on memory, "), "{error}");
    assert_eq!(drive.file("new").unwrap(), b"one");
}

#[test]
fn other_errors_do_not_latch_and_opening_anew_does_away_with_it() {
    let drive = drive();
    let volume = opened(&drive);
    assert_eq!(volume.create(&name(OLD)).map(drop).unwrap_err().trouble, ErrorKind::Exists);
    volume.sync_all().unwrap();
    drive.fail_sync_after(0);
    volume.sync_all().unwrap_err();
    volume.sync_all().unwrap_err();
    let anew = opened(&drive);
    anew.create(&name("new")).unwrap();
    anew.sync_all().unwrap();
    volume.create(&name("newer")).map(drop).unwrap_err();
}
