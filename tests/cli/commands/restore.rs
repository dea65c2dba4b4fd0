//! `restore`: the mailbox back from the drives alone.

use crate::command_output::fields;
use crate::station::{Station, expect_same, mail, tree};
use std::fs;
use std::os::unix::fs::PermissionsExt as _;

/// Fault 43: the card is another one now; nothing is left but the drive.
#[test]
fn after_the_card_died_the_mailbox_is_back_with_times_and_rights() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.eml", mail("bridge closed"));
    station.date("0001.eml", 880_127_706);
    let rights = fs::Permissions::from_mode(0o640);
    fs::set_permissions(station.inbox().join("out/0002.eml"), rights).unwrap();
    let kept = station.path("kept");
    station.mirror().expect_safe();
    fs::rename(station.inbox(), &kept).unwrap();
    station.lose_the_card();
    station.restore().expect_safe().expect_no_warning().expect_counts(&[
        ("restored", 2),
        ("identical", 0),
        ("damaged", 0),
        ("missing", 0),
    ]);
    expect_same(&kept, &station.restored());
}

#[test]
fn without_a_target_it_goes_back_to_where_it_was() {
    let (mut station, _red) = Station::with_drive();
    station.add_mailbox("outbox");
    station.deliver("0001.eml", mail("water level"));
    station.deliver_to("outbox", "0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    let kept = station.path("kept");
    fs::rename(station.path("card"), &kept).unwrap();
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&kept.join("inbox"), &station.inbox());
    expect_same(&kept.join("outbox"), &station.mailbox("outbox"));
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 0), ("identical", 2)]);
}

#[test]
fn several_mailboxes_go_each_under_its_name() {
    let (mut station, _red) = Station::with_drive();
    station.add_mailbox("outbox");
    station.deliver("0001.eml", mail("water level"));
    station.deliver_to("outbox", "0001.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&station.inbox(), &station.restored().join("inbox"));
    expect_same(&station.mailbox("outbox"), &station.restored().join("outbox"));
}

#[test]
fn a_dry_run_says_the_same_numbers_and_writes_nothing() {
    let (station, red) = Station::with_drive();
    station.deliver_many(5);
    station.mirror().expect_safe();
    red.rot(&red.payload_of("m003.eml"));
    let target = station.restored();
    let into = target.to_str().unwrap();
    let dry = station.restore_with(&["--into", into, "--dry-run"]).expect_unsafe().json();
    assert!(!target.exists());
    assert_eq!(dry, station.restore_with(&["--into", into]).expect_unsafe().json());
    // And once more where something is there already: one identical, one in the way.
    fs::remove_file(target.join("m000.eml")).unwrap();
    fs::write(target.join("m001.eml"), "another").unwrap();
    let before = tree(&target);
    let dry = station.restore_with(&["--into", into, "--dry-run"]).expect_unsafe().json();
    assert_eq!(tree(&target), before);
    assert_eq!((&dry["restored"], &dry["kept_both"]), (&2.into(), &1.into()));
    assert_eq!(dry, station.restore_with(&["--into", into]).expect_unsafe().json());
    let output = station.command(&["restore", "--dry-run", "--into", into]).expect_unsafe();
    output.expect_words(&["Dry run: nothing was written"]);
}

#[test]
fn what_is_there_is_never_overwritten() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("cur/17.M1.pier:2,S", mail("bridge closed"));
    station.mirror().expect_safe();
    station.replace("0001.eml", "written since");
    station.replace("cur/17.M1.pier:2,S", "written since");
    let output = station.restore_with(&[]).expect_safe();
    output.expect_counts(&[("restored", 2), ("kept_both", 2), ("identical", 0)]);
    let inbox = tree(&station.inbox());
    assert_eq!(inbox[b"0001.eml".as_slice()].0, b"written since");
    assert_eq!(inbox.len(), 4);
    let beside: Vec<_> = inbox
        .iter()
        .filter(|(_, what)| what.0 != b"written since")
        .map(|(name, _)| String::from_utf8_lossy(name).into_owned())
        .collect();
    assert!(beside[0].starts_with("0001.eml.counterfoil-"), "{beside:?}");
    assert!(beside[1].starts_with("cur/17.M1.pier.counterfoil-"), "{beside:?}");
    assert!(beside[1].ends_with(":2,S"), "flags of a Maildir name stay at its end: {beside:?}");
    // Again: both are there, so nothing more is put anywhere.
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 0), ("identical", 2)]);
    assert_eq!(tree(&station.inbox()).len(), 4);
}

#[test]
fn a_message_below_a_folder_that_has_the_name_of_a_file_is_put_beside() {
    let (station, _red) = Station::with_drive();
    station.deliver("a", mail("water level"));
    station.mirror().expect_safe();
    // The first vanishes, and a folder takes its name.
    station.delete("a");
    station.deliver("a/b/c.eml", mail("bridge closed"));
    station.deliver("a/d.eml", mail("shelter open"));
    station.mirror().expect_verdict("damaged-or-missing");
    let into = station.restored();
    let into = into.to_str().unwrap();
    let dry = station.restore_with(&["--dry-run", "--into", into]).expect_safe().json();
    let output = station.restore().expect_safe();
    assert_eq!(output.json(), dry);
    output.expect_counts(&[("restored", 3), ("kept_both", 2), ("not_written", 0)]);
    let mut texts: Vec<_> = tree(&station.restored()).into_values().map(|what| what.0).collect();
    texts.sort();
    let mut expected: Vec<_> =
        ["water level", "bridge closed", "shelter open"].map(|s| mail(s).into_bytes()).into();
    expected.sort();
    assert_eq!(texts, expected);
    station
        .restore_with(&["--into", into])
        .expect_safe()
        .expect_counts(&[("restored", 0), ("identical", 3)]);
    // In the mailbox itself the folder is there, and the vanished one goes beside it.
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 1), ("kept_both", 1)]);
}

#[test]
fn it_is_not_put_among_the_copies_themselves() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let before = red.everything();
    for into in [red.home(), red.bag(), red.bag().join("new")] {
        let into = ["--into", into.to_str().unwrap()];
        station.restore_with(&into).expect_refused().expect_words(&["give another --into DIR"]);
    }
    assert_eq!(red.everything(), before);
    // Beside them it may: to hand the mail over with the stick.
    let into = red.path().join("for-relief");
    station.restore_with(&["--into", into.to_str().unwrap()]).expect_safe();
    expect_same(&station.inbox(), &into);
}

#[test]
fn a_removed_message_stays_away_unless_asked_for() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    station.delete_seen("m001.eml");
    station.mirror().expect_safe();
    assert_eq!(red.lines_of("removed")[0]["path"], "m001.eml");
    station.audit().expect_safe().expect_counts(&[("vanished", 0), ("messages.total", 2)]);
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&station.inbox(), &station.restored());
    let into = station.path("with-removed");
    station
        .restore_with(&["--with-removed", "--into", into.to_str().unwrap()])
        .expect_safe()
        .expect_counts(&[("restored", 3)]);
    assert_eq!(fs::read(into.join("m001.eml")).unwrap(), mail("traffic 1").as_bytes());
}

#[test]
fn the_report_has_these_fields() {
    let (station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    red.rot(&red.payload_of("m001.eml"));
    fs::remove_file(red.payload_of("m002.eml")).unwrap();
    let json = station
        .restore()
        .expect_unsafe()
        .expect_listed("damaged", "mailbox", &[("m001.eml", "inbox")])
        .expect_listed("missing", "mailbox", &[("m002.eml", "inbox")])
        .json();
    assert_eq!(
        fields(&json),
        [
            "bytes",
            "config",
            "conflicts",
            "contradictions",
            "damaged",
            "doubtful",
            "from_second_copy",
            "identical",
            "in_doubt",
            "instead_of_suspect",
            "kept_both",
            "left_out",
            "missing",
            "no_room",
            "no_room_bytes",
            "not_made",
            "not_on_these",
            "not_written",
            "numbered",
            "older",
            "restored",
            "schema",
            "versions_told"
        ]
    );
    assert_eq!(json["restored"], 1);
    assert!(!station.restored().join("m001.eml").exists(), "a damaged copy is not handed out");
}

#[test]
fn a_person_is_told_what_could_not_be_had() {
    let (station, red) = Station::with_drive();
    station.deliver_many(2);
    station.mirror().expect_safe();
    station
        .command(&["restore", "--into", station.restored().to_str().unwrap()])
        .expect_safe()
        .expect_words(&["2 messages", "put back", "Everything these drives list is there."]);
    fs::remove_dir_all(station.restored()).unwrap();
    red.rot(&red.payload_of("m001.eml"));
    station
        .command(&["restore", "--into", station.restored().to_str().unwrap()])
        .expect_unsafe()
        .expect_words(&["inbox/m001.eml: only damaged copies", "Plug in another drive"]);
}

#[test]
fn restored_files_belong_to_the_owner_of_the_target() {
    use std::os::unix::fs::MetadataExt as _;
    let (station, _red) = Station::with_drive();
    station.deliver("in/0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let target = station.restored();
    fs::create_dir(&target).unwrap();
    std::os::unix::fs::chown(&target, Some(1234), Some(1235)).expect("these tests run as root");
    station.restore_with(&["--into", target.to_str().unwrap()]).expect_safe();
    for path in ["in", "in/0001.eml"] {
        let facts = fs::metadata(target.join(path)).unwrap();
        assert_eq!((facts.uid(), facts.gid()), (1234, 1235), "{path}");
    }
}

#[test]
fn without_a_drive_that_holds_the_station_it_cannot_be_done() {
    let (station, red) = Station::with_drive();
    station.restore().expect_failed();
    assert!(!station.restored().exists());
    assert_eq!(fs::read_dir(red.path()).unwrap().count(), 0);
    Station::new()
        .restore_with(&[])
        .expect_failed()
        .expect_words(&["no removable drive is mounted"]);
}

#[test]
fn a_drive_of_several_stations_asks_which() {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let mut other = Station::named("hut-9");
    other.use_drive(red.path());
    other.deliver("0001.eml", mail("bridge closed"));
    other.mirror().expect_safe();
    let drive = red.path().to_str().unwrap();
    let config = station.config_file();
    let relief = ["restore", "--drive", drive, "--config", config.to_str().unwrap(), "--into", "x"];
    station.run(&relief).expect_refused().expect_words(&["hut-9, pier-4", "--station NAME"]);
}

/// A path that no stick tells of is said, and so is a stick that has no message yet: no ledger is lost.
#[test]
fn what_no_stick_tells_of_is_said() {
    let (station, red) = Station::with_drive();
    station.mirror().expect_verdict("safe");
    for command in [&["restore"][..], &["restore", "--rehearse"]] {
        let output = station.command(command).expect_failed();
        assert!(!output.warnings().contains("lost"), "{}", output.warnings());
        output.expect_words(&["no stick here holds a message of station pier-4 yet"]);
    }
    station.deliver_many(2);
    station.mirror().expect_verdict("safe");
    let typo = ["--versions", "inbox/typo.eml"];
    let output = station.restore_with(&typo).expect_unsafe();
    assert_eq!(output.json()["versions_told"], false);
    output.expect_words(&["inbox/typo.eml: no stick here lists a message of this name"]);
    let output = station.restore_with(&["--versions", "inbox/m000.eml"]).expect_safe();
    assert_eq!(output.json()["versions_told"], true);
    assert_eq!(station.restore().expect_safe().json()["versions_told"], serde_json::Value::Null);
    // Where something is left out, not everything is there.
    std::fs::remove_dir_all(station.restored()).unwrap();
    station.delete_seen("m000.eml");
    station.mirror().expect_verdict("safe");
    let text = station.command(&["restore", "--into", station.restored().to_str().unwrap()]);
    let text = text.expect_safe().text();
    assert!(text.contains("1 message (155 B) left out"), "{text}");
    assert!(text.contains("Everything else these drives list is there."), "{text}");
    // A ledger that is lost is called lost.
    std::fs::remove_file(red.ledger()).unwrap();
    station.command(&["restore"]).expect_refused().expect_words(&["the ledger is lost"]);
}
