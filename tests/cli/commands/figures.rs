//! The audit's figures: airtime, charge, copies, waits and weight; and its other forms.

use crate::station::{Station, mail};

const LINK: &str = "[link]\nbits_per_second = 300\nefficiency = 0.75\n\
                    [power]\nreceive_amps = 0.8\ntransmit_amps = 10\nduty = 0.1\n\
                    battery_amp_hours = 10\nusable_depth = 0.5\n";

/// Of 10,240 bytes, as the check values have it: T = 8B/(R e) = 364.09 s.
fn ten_thousand() -> String {
    let head = "From: q2rvr@example.org\r\nTo: q1pier@example.org\r\nSubject: long\r\n\r\n";
    format!("{head}{}", "x".repeat(10_240 - head.len()))
}

#[test]
fn what_would_be_lost_is_told_in_airtime_and_charge() {
    let mut station = Station::new();
    station.write_config(LINK);
    station.deliver("a.eml", ten_thousand());
    let json = station.audit().expect_unsafe().json();
    let air = json["at_risk"]["airtime_seconds"].as_f64().unwrap();
    assert!((air - 364.09).abs() < 0.005, "{air}");
    assert_eq!(json["unmirrored"][0]["airtime_seconds"].as_f64(), Some(air));
    // (10 A x 0.1 + 0.8 A x 0.9) x 364.09 s.
    let charge = json["at_risk"]["amp_hours"].as_f64().unwrap();
    assert!((charge - 1.72 * 364.09 / 3600.0).abs() < 0.001, "{charge}");
    station.command(&["audit"]).expect_unsafe().expect_words(&[
        "take 7 min on the air and 0.2 Ah, 3 %",
        "300 bit/s, of which 75 % carry messages",
        "rounded up to minutes",
        "0.8 A while receiving, 10 A while sending",
    ]);
    station.drive("red");
    station.mirror().expect_safe();
    let json = station.audit().expect_safe().json();
    assert_eq!(json["at_risk"]["airtime_seconds"], 0.0);
    assert!(json["exposure"]["worst_seconds"].is_u64(), "{json}");
    station
        .command(&["audit"])
        .expect_safe()
        .expect_words(&["The oldest of their last proofs is of"]);
}

#[test]
fn an_unknown_link_is_unknown_and_never_nothing() {
    let station = Station::new();
    station.deliver("a.eml", mail("a"));
    for config in ["", "[link]\nbits_per_second = 0\n", "[link]\nbits_per_second = -300\n"] {
        station.write_config(config);
        let output = station.audit().expect_unsafe();
        let json = output.json();
        assert!(json["at_risk"]["airtime_seconds"].is_null(), "{config}: {json}");
        assert!(json["at_risk"]["amp_hours"].is_null());
        assert!(json["unmirrored"][0]["airtime_seconds"].is_null());
        station
            .command(&["audit"])
            .expect_unsafe()
            .expect_words(&["is unknown", "bits_per_second"]);
    }
    station.write_config("[link]\nefficiency = 75\n");
    station.command(&["audit"]).expect_refused().expect_words(&["75", "use 0.01 to 1"]);
}

#[test]
fn copies_are_held_against_the_published_rules_and_elsewhere_is_the_operators_word() {
    let (mut station, red) = Station::with_drive();
    station.deliver("a.eml", mail("a"));
    station.mirror().expect_safe();
    let keeping = |station: &Station| station.audit().expect_safe().json()["keeping"].clone();
    // A card and a drive here, none declared away.
    assert_eq!(
        (&keeping(&station)["copies"], &keeping(&station)["elsewhere"]),
        (&2.into(), &0.into())
    );
    station
        .command(&["drives", "away", "red"])
        .expect_refused()
        .expect_words(&["red", "plugged in"]);

    let blue = station.drive("blue");
    station.mirror().expect_safe();
    station.use_only(&[&red]);
    station.command(&["drives", "away", "green"]).expect_refused().expect_words(&["blue", "red"]);
    station.command(&["drives", "away", "blue"]).expect_safe().expect_words(&["blue", "elsewhere"]);
    let kept = keeping(&station);
    assert_eq!((&kept["copies"], &kept["elsewhere"]), (&3.into(), &1.into()));
    assert_eq!(kept["storage_level"], 2);
    station.command(&["audit"]).expect_safe().expect_words(&["copies 3 of", "elsewhere 1 of 1"]);
    station.command(&["drives", "here", &blue.id()]).expect_safe();
    assert_eq!(keeping(&station)["elsewhere"], 0);
    // Seen here, it is not elsewhere, whatever was said.
    station.command(&["drives", "away", "blue"]).expect_safe();
    station.use_only(&[&red, &blue]);
    station.mirror().expect_safe();
    let output = station.audit().expect_safe();
    assert!(output.drive("blue")["away_since"].is_null());
    assert_eq!(output.json()["keeping"]["elsewhere"], 0);
}

#[test]
fn what_the_octets_are_made_of_is_told_by_sender_and_folder() {
    let station = Station::new();
    let quoted = "> 0700 412 cm, rising\r\n".repeat(40);
    let own = "0800 415 cm\r\n";
    station.deliver("in/1", format!("From: q2rvr@example.org\r\nSubject: x\r\n\r\n{own}{quoted}"));
    station.deliver("in/2", "From: q0net@example.org\r\nSubject: y\r\n\r\nshort\r\n");
    // The first look alone reads nothing.
    station.mirror().expect_failed();
    let json = station.audit().expect_unsafe().json();
    let heaviest = &json["weight"]["senders"][0];
    assert_eq!(heaviest["name"], "q2rvr@example.org");
    assert_eq!(heaviest["quoted"], quoted.len());
    assert_eq!(heaviest["body"], own.len());
    assert_eq!(json["weight"]["folders"][0]["name"], "inbox/in");
    assert_eq!(json["weight"]["folders"][0]["messages"], 2);
    let all = &json["weight"]["all"];
    let parts = ["body", "quoted", "attached", "headers"].map(|part| all[part].as_u64().unwrap());
    assert_eq!(parts.iter().sum::<u64>(), all["bytes"].as_u64().unwrap());
}

#[test]
fn the_files_say_what_the_terminal_says_and_hostile_text_stays_text() {
    let station = Station::new();
    let subject = "=1+1 <script>alert(1)</script>\u{202e}\u{1b}[2J";
    station.deliver("in/a.eml", mail(subject));
    let html = station.path("audit.html");
    let csv = station.path("audit.csv");
    let (page, table) = (html.to_str().unwrap(), csv.to_str().unwrap());
    let output = station.command(&["audit", "--html", page, "--csv", table]);
    output.expect_unsafe().expect_words(&["1 of 1 message", "audit.html is written"]);
    let page = std::fs::read_to_string(&html).unwrap();
    for never in ["<script", "\u{202e}", "\u{1b}", "http:", "https:"] {
        assert!(!page.contains(never), "{never:?}");
    }
    assert!(page.contains("&lt;script&gt;alert(1)"), "{page}");
    let table = std::fs::read_to_string(&csv).unwrap();
    assert!(table.contains("'=1+1 <script>"), "{table}");
    assert!(!table.contains(['\u{202e}', '\u{1b}']), "{table}");
    assert!(table.lines().all(|line| line.len() < 2_000) && table.contains("\r\n"));
}

#[test]
fn a_report_replaces_a_file_and_nothing_else() {
    let station = Station::new();
    let output = |path: std::path::PathBuf| {
        station.command(&["audit", "--html", path.to_str().unwrap()]).expect_words(&["audit.html"])
    };
    std::fs::create_dir(station.path("audit.html.d")).unwrap();
    output(station.inbox().join("audit.html")).expect_refused();
    output(station.path("audit.html.d")).expect_refused();
    output(station.path("no/such/audit.html")).expect_failed();
    let there = station.path("audit.html");
    std::fs::write(&there, "old").unwrap();
    let output = station.command(&["audit", "--html", there.to_str().unwrap()]);
    output.expect_safe();
    assert!(std::fs::read_to_string(&there).unwrap().contains("<!DOCTYPE html>"));
}
