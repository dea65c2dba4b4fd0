//! Reading a mailbox writes nothing to the card: no time of a last access changes, of no message and of no folder.

use crate::station::{Station, mail};
use std::fs::{self, File, FileTimes};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// So old that every reading that leaves a trace would renew it, however the file system is mounted but with `noatime`.
const OLD: Duration = Duration::from_secs(1_000_000_000);

/// Everything in a folder, with the folder itself.
fn entries(root: &Path) -> Vec<PathBuf> {
    walkdir::WalkDir::new(root).into_iter().map(|entry| entry.unwrap().into_path()).collect()
}

fn age(path: &Path) {
    let times = FileTimes::new().set_accessed(SystemTime::UNIX_EPOCH + OLD);
    File::open(path).unwrap().set_times(times).unwrap();
}

/// Makes all old, does something, and expects all as old.
fn expect_no_trace(inbox: &Path, what: &str, work: impl FnOnce()) {
    let all = entries(inbox);
    all.iter().for_each(|path| age(path));
    work();
    for path in all {
        let accessed = fs::metadata(&path).unwrap().accessed().unwrap();
        assert_eq!(accessed, SystemTime::UNIX_EPOCH + OLD, "{what} left a trace at {path:?}");
    }
}

#[test]
fn whatever_reads_a_mailbox_leaves_no_time_of_access() {
    let (station, red) = Station::in_memory();
    // A file whose reading leaves a trace here: else this test would show nothing.
    let control = station.path("control");
    fs::write(&control, "read me").unwrap();
    age(&control);
    fs::read(&control).unwrap();
    let accessed = fs::metadata(&control).unwrap().accessed().unwrap();
    assert_ne!(accessed, SystemTime::UNIX_EPOCH + OLD, "/dev/shm is mounted with noatime");
    let inbox = station.inbox();
    for number in 0..200 {
        station.deliver(format!("in/m{number:03}.eml"), mail(&format!("traffic {number}")));
    }
    station.deliver("list/cur/one:2,S", mail("in a maildir"));
    station.deliver("list/new/two", mail("in a maildir too"));
    fs::create_dir(inbox.join("list/tmp")).unwrap();
    fs::create_dir(inbox.join("empty")).unwrap();
    expect_no_trace(&inbox, "the first mirror", || drop(station.mirror().expect_safe()));
    station.deliver("in/late.eml", mail("late"));
    expect_no_trace(&inbox, "a pass", || drop(station.mirror().expect_safe()));
    expect_no_trace(&inbox, "a pass with nothing new", || drop(station.mirror().expect_safe()));
    expect_no_trace(&inbox, "an audit", || drop(station.audit().expect_safe()));
    expect_no_trace(&inbox, "a verify", || drop(station.verify().expect_safe()));
    expect_no_trace(&inbox, "a rehearsal", || {
        station.command(&["restore", "--rehearse"]).expect_safe();
    });
    // Another name with the same bytes is read, to find out whether it is the message.
    fs::rename(inbox.join("list/cur/one:2,S"), inbox.join("list/cur/one:2,RS")).unwrap();
    expect_no_trace(&inbox, "a restore onto what is there", || {
        let into = ["restore", "--into", inbox.to_str().unwrap()];
        station.command(&into).expect_safe();
    });
    // What is copied again is compared with the message in the mailbox.
    red.rot(&red.payload_of("in/m000.eml"));
    station.verify().expect_unsafe();
    expect_no_trace(&inbox, "a repair", || drop(station.mirror().expect_safe()));
}
