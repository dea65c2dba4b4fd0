//! A drive without room: what fits is safe, what does not is told, nothing is half there.

use crate::station::{Mounted, Station, expect_same, mail};

/// Fault 17: no room for all. A reserve is kept, no copy is half committed, the other drive goes on.
#[test]
fn a_full_drive_takes_what_fits_and_the_rest_is_told() {
    let mut station = Station::new();
    let mounted = Mounted::small(&station.path("media/small"), "size=6m");
    let small = station.use_drive(mounted.path());
    for number in 0..300 {
        let text = mail(&format!("traffic {number}")) + &"x".repeat(8_000);
        station.deliver(format!("m{number:03}.eml"), text);
    }
    let output = station.mirror().expect_unsafe();
    let copied = output.json()["copied"].as_u64().unwrap();
    assert!((1..300).contains(&copied), "{copied} of 300 fit");
    output
        .expect_words(&["drive-full: plug in another drive"])
        .expect_counts(&[("failed", 300 - copied)]);
    small.expect_bag_valid();
    assert_eq!(small.payloads().len() as u64, copied);
    let audit = station.audit().expect_unsafe();
    let unmirrored = audit.listed("unmirrored", "reason");
    assert_eq!(unmirrored.len() as u64, 300 - copied);
    assert!(unmirrored.iter().all(|(_, reason)| reason == "drive-full"), "{unmirrored:?}");
    assert_eq!(audit.drive("small")["state"], "full");
    station.restore().expect_safe().expect_counts(&[("restored", copied)]);
    let big = station.drive("big");
    station.mirror().expect_safe();
    big.expect_bag_valid();
    station.restore().expect_safe().expect_counts(&[("restored", 300)]);
    expect_same(&station.inbox(), &station.restored());
}

/// Fault 17: no room at all, from the beginning.
#[test]
fn a_drive_too_small_for_anything_is_told_as_full() {
    let mut station = Station::new();
    let mounted = Mounted::small(&station.path("media/tiny"), "size=1m");
    station.use_drive(mounted.path());
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_unsafe().expect_counts(&[("copied", 0), ("failed", 1)]);
    station.audit().expect_unsafe().expect_unmirrored(&[("0001.eml", "drive-full")]);
}

/// Fault 17: the file system refuses a file in the middle of a batch, though it said there was room.
#[test]
fn a_file_refused_in_the_middle_of_a_batch_commits_nothing_by_halves() {
    let mut station = Station::new();
    let mounted = Mounted::small(&station.path("media/few"), "size=64m,nr_inodes=40");
    let few = station.use_drive(mounted.path());
    station.deliver_many(60);
    let output = station.mirror().expect_unsafe();
    let copied = output.json()["copied"].as_u64().unwrap();
    assert!((10..60).contains(&copied), "{copied} of 60 had a file left");
    output.expect_counts(&[("failed", 60 - copied)]);
    few.expect_bag_valid();
    station.mirror().expect_unsafe().expect_counts(&[("copied", 0)]);
    few.expect_bag_valid();
    let output = station.audit().expect_unsafe();
    assert_eq!(output.drive("few")["state"], "full");
    let safe = output.json()["messages"]["mirrored"].as_u64().unwrap();
    assert_eq!(safe, copied);
    station.restore().expect_safe().expect_counts(&[("restored", safe)]);
    station.drive("big");
    station.mirror().expect_safe();
    station.audit().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 60)]);
    expect_same(&station.inbox(), &station.restored());
}
