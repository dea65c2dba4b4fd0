//! The verdict: the same word, the same counts and the same exit code in every command that gives one, in text, in
//! JSON and on the page.

use crate::command_output::CommandOutput;
use crate::station::{Station, mail};
use std::fs;

/// Every command that gives a verdict gives the same one, with the same counts and mailboxes.
pub(crate) fn expect_agreed(station: &Station, verdict: &str) -> [CommandOutput; 3] {
    let output = ["mirror", "status", "audit"].map(|command| station.command(&[command, "--json"]));
    let output = output.map(|output| output.expect_verdict(verdict));
    for key in ["messages", "mailboxes", "not_in_config"] {
        let said = [&output[0], &output[1], &output[2]].map(|output| output.json()[key].clone());
        assert!(said[0] == said[1] && said[1] == said[2], "{key}: {said:?}");
    }
    output
}

/// The verdict's line is the first and the last of the audit, the first of the status, and in the mirror's words;
/// the page has it too.
fn expect_said(station: &Station, line: &str) {
    let audit = station.command(&["audit"]).text().replace('\n', " ");
    assert!(audit.starts_with(line) && audit.trim_end().ends_with(line), "{line:?}: {audit}");
    let status = station.command(&["status"]).text().replace('\n', " ");
    assert!(status.starts_with(line), "{line:?}: {status}");
    let mirror = station.command(&["mirror"]).text().replace('\n', " ");
    assert!(mirror.contains(line), "{line:?}: {mirror}");
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]);
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains(line), "{line:?}: {page}");
}

#[test]
fn all_is_safe_on_as_many_sticks_as_wanted() {
    let (mut station, _red) = Station::with_drive();
    station.drive("blue");
    station.write_config("[drives]\nwanted_copies = 2\n");
    expect_agreed(&station, "safe");
    expect_said(&station, "pier-4: SAFE: there are no messages yet.");
    station.deliver_many(3);
    station.mirror();
    for output in expect_agreed(&station, "safe") {
        output
            .expect_counts(&[("messages.total", 3), ("messages.mirrored", 3)])
            .expect_counts(&[("messages.fewer_copies", 0), ("messages.on_no_drive", 0)]);
    }
    let bytes = 3 * mail("traffic 0").len();
    let line =
        format!("pier-4: SAFE: all 3 messages ({bytes} B) are on 2 sticks each and were checked.");
    expect_said(&station, &line);
}

/// One copy of two is not one of none: nothing would be lost, and that is said.
#[test]
fn fewer_copies_than_wanted_are_said_apart_from_what_would_be_lost() {
    let (station, _red) = Station::with_drive();
    station.write_config("[drives]\nwanted_copies = 2\n");
    station.deliver_many(3);
    station.mirror();
    for output in expect_agreed(&station, "fewer-copies") {
        let bytes = 3 * mail("traffic 0").len() as u64;
        output
            .expect_counts(&[("messages.fewer_copies", 3), ("messages.fewer_copies_bytes", bytes)])
            .expect_counts(&[("messages.on_no_drive", 0), ("messages.unmirrored", 3)]);
    }
    let output = station.audit();
    assert_eq!(output.json()["at_risk"]["messages"], 0);
    assert_eq!(output.json()["unmirrored"][0]["copies"], 1);
    let bytes = 3 * mail("traffic 0").len();
    let line = "pier-4: FEWER COPIES THAN WANTED: 3 of 3 messages";
    expect_said(&station, &format!("{line} ({bytes} B) are on fewer than 2 sticks."));
    let output = station.command(&["audit"]).expect_unsafe();
    assert!(!output.text().contains("NOT SAFE"), "{}", output.text());
    output.expect_words(&["1 copy, 2 wanted; no-drive: plug in a drive"]);
    // One more, which is on no stick at all.
    station.deliver("late.eml", mail("late"));
    let output = station.audit().expect_verdict("not-safe");
    assert_eq!(output.json()["at_risk"]["messages"], 1);
    output.expect_counts(&[("messages.fewer_copies", 3), ("messages.on_no_drive", 1)]);
    let text = station.command(&["audit"]).expect_unsafe().text().replace('\n', " ");
    let (worse, lesser) =
        (text.find("NOT SAFE: 1 of 4"), text.find("FEWER COPIES THAN WANTED: 3 of 4"));
    assert!(worse.is_some() && worse < lesser, "the worst first: {text}");
}

#[test]
fn what_is_damaged_and_what_is_missing_is_said_first_with_what_the_sticks_have() {
    let (station, red) = Station::with_drive();
    station.deliver_many(6);
    station.mirror().expect_verdict("safe");
    // One is damaged and one is gone, and the sticks have both; of two more the copies are lost too.
    for lost in ["m003.eml", "m004.eml"] {
        fs::remove_file(red.payload_of(lost)).unwrap();
    }
    station.verify().expect_unsafe();
    for damaged in ["m001.eml", "m003.eml"] {
        station.replace(damaged, "");
    }
    for gone in ["m002.eml", "m004.eml"] {
        station.delete(gone);
    }
    station.deliver("late.eml", mail("late"));
    let output = station.audit().expect_verdict("damaged-or-missing");
    output
        .expect_counts(&[("messages.suspect", 2), ("messages.suspect_on_no_drive", 1)])
        .expect_counts(&[("messages.vanished", 2), ("messages.vanished_on_no_drive", 1)])
        .expect_counts(&[("messages.on_no_drive", 3)]);
    let text = station.command(&["audit"]).expect_unsafe();
    text.expect_words(&[
        "pier-4: CARD DAMAGED, MESSAGES MISSING: 2 look damaged; 2 are gone from",
        "NOT SAFE: 3 of 5 messages",
        "1 missing message is on a stick. Type:\n  counterfoil restore --config",
        "A good version of 1 damaged message is on a stick. Type:\n  counterfoil restore --repair PATH",
        "1 message is gone from the card and on no drive known here.",
        "No good version of 1 damaged message is on a drive known here.",
        "emptied: restore gives the last good version",
        "emptied: the last good version is on no drive known here",
    ]);
    station.mirror().expect_verdict("damaged-or-missing");
    expect_agreed(&station, "damaged-or-missing");
    let line = "pier-4: CARD DAMAGED, MESSAGES MISSING: 2 look damaged; 2 are gone from the card, and \
                nobody saw them go.";
    expect_said(&station, line);
}
