//! The ledger torn, altered, from a later version: everything before the harm stands.

use crate::station::{Station, expect_same, mail};
use counterfoil::model::ledger::{Chain, Event};
use counterfoil::model::{Digest, EventTime, Timestamp};
use std::fs;
use std::io::Write as _;

fn three_mirrored() -> (Station, crate::stick::Stick) {
    let (station, red) = Station::with_drive();
    for number in 0..3 {
        station.deliver(format!("m{number:03}.eml"), mail(&format!("traffic {number}")));
        station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    }
    (station, red)
}

fn expect_whole_again(station: &Station, red: &crate::stick::Stick) {
    red.expect_bag_valid();
    station.audit().expect_safe();
    station.restore().expect_safe().expect_no_warning().expect_counts(&[("restored", 3)]);
    expect_same(&station.inbox(), &station.restored());
    let copies = red.payloads().len();
    station.mirror().expect_safe().expect_no_warning().expect_counts(&[("copied", 0)]);
    assert_eq!(red.payloads().len(), copies);
    assert!(fs::read(red.ledger()).unwrap().ends_with(b"\n"));
}

/// Fault 3: a power failure tore the last line. It costs nothing but itself, wherever it was torn.
#[test]
fn a_torn_end_costs_only_the_line_that_was_torn() {
    for kept_of_last in [1, 40, 200] {
        let (station, red) = three_mirrored();
        let ledger = fs::read(red.ledger()).unwrap();
        let last = ledger[..ledger.len() - 1].iter().rposition(|&b| b == b'\n').unwrap() + 1;
        fs::write(red.ledger(), &ledger[..last + kept_of_last]).unwrap();
        // Before anything is mended, everything can be had: the copy is in the manifest.
        station.restore().expect_safe().expect_counts(&[("restored", 3)]);
        red.replug();
        station
            .mirror()
            .expect_safe()
            .expect_words(&["the ledger's end was torn by a power failure"]);
        assert_eq!(red.payloads().len(), 3, "the copy is there already: nothing is copied");
        expect_whole_again(&station, &red);
    }
}

/// Fault 3: blocks never written, or of another file, at the ledger's end.
#[test]
fn junk_at_the_end_is_passed_over() {
    for junk in [&[0_u8; 4096][..], b"\xff\xfe\x00{\"v\":1,\"seq\":99}\n\n\n", &[b'x'; 200_000]] {
        let (station, red) = three_mirrored();
        let mut ledger = fs::File::options().append(true).open(red.ledger()).unwrap();
        ledger.write_all(junk).unwrap();
        station.restore().expect_safe().expect_counts(&[("restored", 3)]);
        red.replug();
        station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
        expect_whole_again(&station, &red);
    }
}

/// Fault 49: a line was altered. The lines after it are believed as far as their copies are right.
#[test]
fn a_line_altered_in_the_middle_is_found_and_nothing_is_lost() {
    let (station, red) = three_mirrored();
    let ledger = fs::read_to_string(red.ledger()).unwrap();
    let altered = ledger.replacen("\"path\":\"m001.eml\"", "\"path\":\"x001.eml\"", 1);
    assert_ne!(altered, ledger);
    fs::write(red.ledger(), altered).unwrap();
    // The catalogue of this card does not read the middle again; a verdict by the drive alone does.
    let output = station.restore().expect_safe().expect_words(&["damaged or was changed at byte"]);
    output.expect_counts(&[("restored", 3), ("numbered", 1)]);
    assert!(!station.restored().join("x001.eml").exists(), "an altered line is not believed");
    fs::remove_dir_all(station.state()).unwrap();
    red.replug();
    station.mirror().expect_safe().expect_counts(&[("copied", 0)]);
    expect_whole_again(&station, &red);
}

#[test]
fn a_line_taken_out_of_the_middle_is_found_and_nothing_is_lost() {
    let (station, red) = three_mirrored();
    let ledger = fs::read_to_string(red.ledger()).unwrap();
    let without: String =
        ledger.split_inclusive('\n').filter(|line| !line.contains("m001.eml")).collect();
    fs::write(red.ledger(), without).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
    red.replug();
    station.mirror().expect_safe();
    expect_whole_again(&station, &red);
}

fn stamp() -> EventTime {
    EventTime { time: Timestamp::default(), trusted: false, boot: "later".into() }
}

/// The next line of a ledger as a later version of the program would write it, rightly chained.
fn line_of_a_later_format(ledger: &str) -> String {
    let last = ledger.lines().last().unwrap();
    let before: serde_json::Value = serde_json::from_str(last).unwrap();
    let head: Digest = before["hash"].as_str().unwrap().parse().unwrap();
    let mut chain = Chain { head, seq: before["seq"].as_u64().unwrap() };
    let event = Event::Verified { checked: 0, damaged: 0, absent: 0 };
    let line = chain.write(&stamp(), event).replacen("\"v\":1", "\"v\":3", 1);
    let body = &line[..line.rfind(",\"hash\"").unwrap()];
    let hash = Digest::of(format!("{head}{body}").as_bytes());
    format!("{body},\"hash\":\"{hash}\"}}\n")
}

fn expect_only_readable(station: &Station, red: &crate::stick::Stick) {
    station.deliver("0009.eml", mail("not for this drive"));
    red.replug();
    let before = red.everything();
    station.mirror().expect_failed().expect_words(&["later version of counterfoil (format "]);
    station.verify().expect_safe().expect_counts(&[("checked", 3), ("good", 3)]);
    assert_eq!(red.everything(), before, "nothing is written");
    let output = station.audit().expect_unsafe();
    assert_eq!(output.drive("red")["state"], "read-only");
    output.expect_unmirrored(&[("0009.eml", "drive-failed")]);
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
    station.delete("0009.eml");
    expect_same(&station.inbox(), &station.restored());
    assert_eq!(red.everything(), before, "nothing is written");
}

/// Fault 54: after a downgrade the drive has lines this version does not know.
#[test]
fn a_ledger_of_a_later_version_can_be_restored_from_and_is_not_written() {
    let (station, red) = three_mirrored();
    let ledger = fs::read_to_string(red.ledger()).unwrap();
    fs::write(red.ledger(), format!("{ledger}{}", line_of_a_later_format(&ledger))).unwrap();
    expect_only_readable(&station, &red);
}

/// Fault 54: the whole layout is of a later version.
#[test]
fn a_drive_of_a_later_version_can_be_restored_from_and_is_not_written() {
    let (station, red) = three_mirrored();
    let file = red.home().join("drive.json");
    let text = fs::read_to_string(&file).unwrap().replacen("\"format\":1", "\"format\":2", 1);
    fs::write(&file, text).unwrap();
    expect_only_readable(&station, &red);
}

/// Fault 59: an old image of the drive is put back over it.
#[test]
fn an_old_state_of_a_drive_is_noticed_and_brought_up_to_date() {
    let (station, red) = three_mirrored();
    let old = station.path("media/old");
    crate::station::sh("cp", &["-a".as_ref(), red.path(), old.as_path()]);
    station.deliver("m003.eml", mail("traffic 3"));
    station.mirror().expect_safe();
    fs::remove_dir_all(red.path()).unwrap();
    fs::rename(&old, red.path()).unwrap();
    station.audit().expect_unsafe().expect_unmirrored(&[("m003.eml", "not-yet")]);
    let output = station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    output.expect_words(&["an old state of this drive, or a repair tool's work"]);
    red.expect_bag_valid();
    station.audit().expect_safe();
}
