//! A restore into a Maildir that went on living: a message whose flags were changed since is there, and not put back a
//! second time; one that only looks like it is.

use crate::station::{Station, expect_same, mail, tree};
use counterfoil::model::limits::{RESTORE_AHEAD, RESTORE_BATCH_BYTES};
use std::fs;
use std::time::Instant;

fn maildir(station: &Station, at: &str) {
    for folder in ["cur", "new", "tmp"] {
        fs::create_dir_all(station.inbox().join(at).join(folder)).unwrap();
    }
}

fn mirrored(paths: &[&str]) -> Station {
    let (station, _red) = Station::with_drive();
    for at in ["", ".Sent", "deep/er"] {
        maildir(&station, at);
    }
    for path in paths {
        station.deliver(path, mail(path));
    }
    station.mirror().expect_safe();
    station
}

#[test]
fn a_message_that_got_other_flags_is_there_and_is_not_doubled() {
    let paths = [
        "new/17.M1.pier",
        "cur/18.M2.pier:2,S",
        "cur/19.M3.pier:2,RS",
        ".Sent/cur/20.M4.pier:2,",
        "deep/er/new/21.M5.pier",
        "new/22.M6.pier",
    ];
    let station = mirrored(&paths);
    for (from, to) in [
        ("new/17.M1.pier", "cur/17.M1.pier:2,S"),
        ("cur/18.M2.pier:2,S", "cur/18.M2.pier:2,RS"),
        ("cur/19.M3.pier:2,RS", "new/19.M3.pier"),
        (".Sent/cur/20.M4.pier:2,", ".Sent/cur/20.M4.pier:2,F"),
        ("deep/er/new/21.M5.pier", "deep/er/cur/21.M5.pier"),
    ] {
        station.move_to(from, to);
    }
    station.delete("new/22.M6.pier");
    let before = tree(&station.inbox());
    let dry = station.restore_with(&["--dry-run"]).expect_safe().json();
    let output = station.restore_with(&[]).expect_safe();
    assert_eq!(output.json(), dry);
    output.expect_counts(&[("identical", 5), ("restored", 1), ("kept_both", 0)]);
    let mut after = tree(&station.inbox());
    assert!(after.remove(&b"new/22.M6.pier"[..]).is_some(), "what is gone is put back");
    assert_eq!(after, before);
    station.restore_with(&[]).expect_safe().expect_counts(&[("identical", 6), ("restored", 0)]);
}

/// The same unique name and other bytes is another message; so is the same text under another name, in another
/// Maildir, and where there is no Maildir at all.
#[test]
fn what_only_looks_alike_is_put_back() {
    let paths = [
        "cur/1.M1.pier:2,S",
        "cur/2.M2.pier:2,S",
        ".Sent/cur/3.M3.pier:2,S",
        "plain/new/4.M4.pier",
        "cur/55.M5.pier:2,S",
    ];
    let station = mirrored(&paths);
    let text = |path: &str| fs::read(station.inbox().join(path)).unwrap();
    // As long, and other.
    let mut other = text("cur/1.M1.pier:2,S");
    other[10] ^= 1;
    station.deliver("cur/1.M1.pier:2,RS", &other);
    station.delete("cur/1.M1.pier:2,S");
    station.move_to("cur/2.M2.pier:2,S", "cur/2.M2.other:2,S");
    station.move_to(".Sent/cur/3.M3.pier:2,S", "cur/3.M3.pier:2,S");
    station.move_to("plain/new/4.M4.pier", "plain/cur/4.M4.pier:2,S");
    fs::remove_dir(station.inbox().join("plain/new")).unwrap();
    // A name of which the other is the beginning.
    station.move_to("cur/55.M5.pier:2,S", "cur/5:2,S");
    let output = station.restore_with(&[]).expect_safe();
    output.expect_counts(&[("restored", 5), ("identical", 0)]);
    for path in paths {
        assert_eq!(text(path), mail(path).as_bytes(), "{path}");
    }
    assert_eq!(text("cur/1.M1.pier:2,RS"), other);
}

/// One that was put beside another and then got flags is known again too.
#[test]
fn one_put_beside_is_known_again_by_its_new_flags() {
    let station = mirrored(&["cur/1.M1.pier:2,S"]);
    station.replace("cur/1.M1.pier:2,S", "written since");
    station.restore_with(&[]).expect_safe().expect_counts(&[("kept_both", 1)]);
    let names = tree(&station.inbox()).into_keys().map(|name| String::from_utf8(name).unwrap());
    let beside: Vec<_> = names.filter(|name| name.contains("counterfoil")).collect();
    let [beside] = &beside[..] else { panic!("{beside:?}") };
    station.move_to(beside, &beside.replace(":2,S", ":2,FS"));
    station.restore_with(&[]).expect_safe().expect_counts(&[("identical", 1), ("restored", 0)]);
}

/// Into an empty folder both come back where the drives have two places of one message: what a restore puts there
/// itself is no message that was there before.
#[test]
fn two_places_of_one_message_both_come_back_into_an_empty_folder() {
    let (station, _red) = Station::with_drive();
    maildir(&station, "");
    for path in ["cur/1.M1.pier:2,S", "new/1.M1.pier"] {
        station.deliver(path, mail("one message"));
    }
    station.mirror().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    expect_same(&station.inbox(), &station.restored());
}

/// The same where the first of them got its name long before the second one's turn comes: between them is more than
/// gets its names at once.
#[test]
fn what_the_restore_itself_has_put_there_is_no_message_from_before() {
    let (station, _red) = Station::in_memory();
    maildir(&station, "");
    for path in ["cur/1.M1.pier:2,S", "new/1.M1.pier"] {
        station.deliver(path, mail("one message"));
    }
    station.deliver("in-between.eml", vec![b'x'; RESTORE_BATCH_BYTES as usize]);
    station.deliver_many(2 * RESTORE_AHEAD);
    station.mirror().expect_safe();
    let all = 3 + 2 * RESTORE_AHEAD as u64;
    station.restore().expect_safe().expect_counts(&[("restored", all), ("identical", 0)]);
    expect_same(&station.inbox(), &station.restored());
}

/// One listing a folder, whatever the number of messages: the time grows with it, not with its square.
#[test]
fn many_changed_flags_take_no_long_time() {
    let (station, _red) = Station::in_memory();
    maildir(&station, "");
    let time_of = |messages: usize| {
        for number in 0..messages {
            let at = format!("new/{messages}.M{number:05}.pier");
            station.deliver(&at, mail(&at));
        }
        station.mirror().expect_safe();
        for number in 0..messages {
            let name = format!("{messages}.M{number:05}.pier");
            station.move_to(&format!("new/{name}"), &format!("cur/{name}:2,S"));
        }
        let inbox = station.inbox();
        let begun = Instant::now();
        let output = station.restore_with(&["--into", inbox.to_str().unwrap()]).expect_safe();
        output.expect_counts(&[("restored", 0)]);
        let took = begun.elapsed();
        station.mirror().expect_safe();
        took
    };
    let (few, many) = (time_of(300), time_of(6_000));
    // Twenty times as many; a listing for each would make it four hundred times as long.
    assert!(many < few * 100, "{few:?} for 300, {many:?} for 6000");
}
