//! `traffic`: the communications log of a period. It writes nothing but the file it is asked for.

use crate::command_output::{CommandOutput, fields};
use crate::station::{Station, mail};
use serde_json::Value;

/// A station whose folders tell which way mail went, with a drive.
fn station() -> (Station, crate::stick::Stick) {
    let (station, red) = Station::with_drive();
    station.write_config(
        "[log]\nincident = \"EXERCISE Flood\"\nactivation = \"Q-7\"\noperator = \"Op One, Q1AAA\"\n\
         received = [\"in\"]\nsent = [\"out/**\", \"sent\"]\n",
    );
    (station, red)
}

fn log(station: &Station, more: &[&str]) -> CommandOutput {
    station.command(&[&["traffic", "--json"], more].concat()).expect_safe()
}

/// Subject and direction of every message, in the log's order.
fn rows(told: &CommandOutput) -> Vec<(String, String)> {
    let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
    let json = told.json();
    let messages = json["messages"].as_array().unwrap();
    messages.iter().map(|m| (text(&m["subject"]), text(&m["direction"]))).collect()
}

fn expect_rows(told: &CommandOutput, expected: &[(&str, &str)]) {
    let rows = rows(told);
    let rows: Vec<_> = rows.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
    assert_eq!(rows, expected);
}

#[test]
fn each_message_has_one_row_whatever_became_of_it() {
    let (station, _red) = station();
    station.deliver("in/1", mail("first"));
    station.mirror().expect_safe();
    station.deliver("out/2", mail("second"));
    station.mirror().expect_safe();
    station.deliver("drafts/3", mail("third"));
    station.mirror().expect_safe();
    station.deliver("in/4", mail("fourth"));
    // Moved, in two places, deleted before eyes, vanished, not copied yet.
    station.move_to("in/1", "archive/1");
    station.deliver("archive/2 again", mail("second"));
    station.mirror().expect_safe();
    station.delete_seen("drafts/3");
    station.delete("in/4");
    station.mirror().expect_verdict("damaged-or-missing");
    station.deliver("in/5", mail("fifth"));
    let told = log(&station, &[]);
    expect_rows(
        &told,
        &[
            ("first", "received"),
            ("second", "sent"),
            ("third", "-"),
            ("fourth", "received"),
            ("fifth", "received"),
        ],
    );
    let there: Vec<_> = told.json()["messages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| m["in_mailbox"].as_bool().unwrap())
        .collect();
    assert_eq!(there, [true, true, false, false, true]);
}

#[test]
fn a_version_that_another_took_the_place_of_has_passed_too() {
    let (station, _red) = station();
    let version = |text| format!("Message-ID: <1@example.org>\r\n{}", mail(text));
    station.deliver("in/1", version("before"));
    station.mirror().expect_safe();
    station.replace("in/1", version("after"));
    station.mirror().expect_safe();
    let rows = rows(&log(&station, &[]));
    assert_eq!(rows.len(), 2);
    for row in [("after", "received"), ("before", "received")] {
        assert!(rows.contains(&(row.0.to_owned(), row.1.to_owned())), "{rows:?}");
    }
}

#[test]
fn what_a_dead_card_had_is_read_from_a_drive() {
    let (station, red) = station();
    station.deliver("in/1", mail("first"));
    station.deliver("out/2", mail("second"));
    station.mirror().expect_safe();
    station.delete("in/1");
    station.mirror().expect_verdict("damaged-or-missing");
    station.lose_the_card();
    std::fs::create_dir_all(station.inbox()).unwrap();
    let told = log(&station, &[]);
    let mut found = rows(&told);
    found.sort();
    assert_eq!(found, [("first".into(), "received".into()), ("second".into(), "sent".into())]);
    assert!(told.json()["messages"].as_array().unwrap().iter().all(|m| m["in_mailbox"] == false));
    assert!(!station.state().exists(), "nothing was written");

    // The drive is known, and away: what it told is known, and no copy is at hand.
    let told = station.mirror().expect_verdict("damaged-or-missing");
    told.expect_words(&["MESSAGES MISSING: red holds 2 messages (to ", "that this card lacks."]);
    let _pulled = red.pull();
    let told = station.command(&["traffic"]).expect_safe();
    told.expect_words(&[
        "(headers not at hand)",
        "known from a drive's ledger",
        "2 messages: 1 received",
    ]);
}

#[test]
fn a_damaged_copy_lends_no_headers() {
    let (station, red) = station();
    station.deliver("in/1", mail("true subject"));
    station.mirror().expect_safe();
    let copy = red.payload_of("in/1");
    let text = std::fs::read_to_string(&copy).unwrap();
    std::fs::write(&copy, text.replace("true subject", "forged words")).unwrap();
    station.lose_the_card();
    std::fs::create_dir_all(station.inbox()).unwrap();
    expect_rows(&log(&station, &[]), &[("-", "received")]);
}

#[test]
fn the_period_is_told_and_what_lies_outside_is_counted() {
    let (station, _red) = station();
    station.deliver("in/1", mail("now"));
    let json = log(&station, &["--from", "2001-02-03", "--to", "091630Z JUL 24"]).json();
    assert_eq!(json["from"], "2001-02-03T00:00:00Z");
    assert_eq!(json["until"], "2024-07-09T16:31:00Z");
    assert_eq!(json["outside"]["messages"], 1);
    assert_eq!(json["messages"].as_array().unwrap().len(), 0);
    let told = station.command(&["traffic", "--to", "2024-07-09T16:30:00Z"]).expect_safe();
    told.expect_words(&[
        "Operational period to:            091630Z JUL 24",
        "1 message lies outside",
    ]);
    let told = station.command(&["traffic", "--from", "2001-02-03 04:05"]).expect_safe();
    told.expect_words(&["030405Z FEB 01", "no message known", "1 received"]);
}

#[test]
fn times_are_in_one_zone_said_once() {
    let (mut station, _red) = station();
    station.deliver("in/1", mail("now"));
    station.command(&["traffic"]).expect_safe().expect_words(&["UTC, zone letter Z"]);
    station.run_prefixed(&["env", "TZ=QQQ-5:30"].map(AsRef::as_ref));
    let told = station.command(&["traffic", "--time", "local", "--to", "2001-02-03 04:05"]);
    told.expect_safe().expect_words(&["UTC+05:30, zone letter J", "030405J FEB 01"]);
    station.run_prefixed(&["env", "TZ=Nowhere/Else"].map(AsRef::as_ref));
    let told = station.command(&["traffic", "--time", "local"]).expect_failed();
    told.expect_words(&["the local time zone is not known", "--time utc"]);
    station.run_prefixed(&["env", "TZ=QQQ7"].map(AsRef::as_ref));
    let told = station.command(&["traffic", "--json", "--time", "local", "--from", "2001-02-03"]);
    assert_eq!(told.expect_safe().json()["from"], "2001-02-03T07:00:00Z");
}

#[test]
fn a_time_that_is_none_is_refused() {
    let (station, _red) = station();
    for (option, time) in
        [("--from", "yesterday"), ("--to", "2026-13-01"), ("--from", "=1+1\u{1b}[31m")]
    {
        let told = station.command(&["traffic", option, time]).expect_refused().expect_harmless();
        told.expect_words(&[option, "is no time: write it as 2026-11-25"]);
    }
    let told = station.command(&["traffic", "--from", "2026-11-25", "--to", "2026-11-24"]);
    told.expect_refused().expect_words(&["there is no such period"]);
    station.command(&["traffic", "--sent", "["]).expect_refused().expect_words(&["--sent: "]);
    station.write_config("[log]\nreceived = [\"[\"]\n");
    station.command(&["traffic"]).expect_refused().expect_words(&["config: log.received: "]);
    station.write_config("[log]\ntime = \"noon\"\n");
    station.command(&["traffic"]).expect_refused().expect_words(&["noon"]);
}

#[test]
fn the_report_has_exactly_these_fields() {
    let (station, _red) = station();
    station.deliver("in/1", mail("water level"));
    station.mirror().expect_safe();
    let json = log(&station, &["--prepared-by", "Op Two, Q2BBB", "--operator", "Op Three"]).json();
    assert_eq!(
        fields(&json),
        [
            "activation",
            "clock_trusted",
            "from",
            "generated",
            "incident",
            "messages",
            "operator",
            "outside",
            "prepared_by",
            "schema",
            "station",
            "totals",
            "until",
            "zone"
        ]
    );
    assert_eq!(json["incident"], "EXERCISE Flood");
    assert_eq!(
        (&json["operator"], &json["prepared_by"]),
        (&"Op Three".into(), &"Op Two, Q2BBB".into())
    );
    let message = &json["messages"][0];
    assert_eq!(
        fields(message),
        [
            "bytes",
            "clock_trusted",
            "date",
            "direction",
            "first_seen",
            "from",
            "in_mailbox",
            "path",
            "sha256",
            "subject",
            "suspect",
            "to"
        ]
    );
    assert_eq!(message["path"], "in/1");
    assert_eq!(message["from"], "Net control <q0net@example.org>");
    let json = log(&station, &["--without-subjects"]).json();
    assert_eq!(json["messages"][0]["subject"], Value::Null);
}

#[test]
fn a_number_is_found_again_in_the_manifest() {
    let (station, red) = station();
    station.deliver("in/1", mail("received"));
    station.deliver("sent/2", mail("sent"));
    station.deliver("3", mail("neither"));
    station.mirror().expect_safe();
    let text = station.command(&["traffic"]).expect_safe().text();
    let manifest = std::fs::read_to_string(red.manifest()).unwrap();
    for (subject, column) in [("received", 4), ("sent", 2), ("neither", 2)] {
        let line = text.lines().find(|line| line.ends_with(subject)).unwrap();
        let words: Vec<_> = line.split_whitespace().collect();
        let number = words.iter().find(|word| word.trim_start_matches('?').len() == 8).unwrap();
        let at = line.find(number).unwrap();
        assert_eq!(at > 35, column == 4, "{line}");
        assert_eq!(number.starts_with('?'), subject == "neither", "{line}");
        let number = number.trim_start_matches('?');
        assert!(manifest.lines().any(|line| line.starts_with(number)), "{number}");
    }
}

#[test]
fn it_fits_a_narrow_terminal_and_steers_none() {
    let (station, _red) = station();
    station.deliver("in/1", mail(&"long words ".repeat(30)));
    station.deliver("in/2", mail("=?utf-8?q?=1B[31m=E2=80=AEx?="));
    station.deliver("in/3", mail("=?utf-8?b?157XmdedINeR16DXmden15XXqg==?="));
    let told = station.command(&["traffic"]).expect_safe().expect_harmless();
    let widest = told.text().lines().map(|line| line.chars().count()).max().unwrap();
    assert!(widest <= 80, "{widest} characters");
    told.expect_words(&["\\u{1b}[31m\\u{202e}x"]);
}

#[test]
fn a_file_is_written_whole_and_only_where_one_may_be() {
    let (station, red) = station();
    station.deliver("in/1", mail("water level"));
    station.mirror().expect_safe();
    let page = station.path("log.html");
    let told = station.command(&["traffic", "--html", page.to_str().unwrap()]).expect_safe();
    told.expect_words(&["1 message: 1 received, 0 sent", "Written to ", "log.html"]);
    let first = std::fs::read_to_string(&page).unwrap();
    assert!(first.contains("water level") && first.ends_with("</html>"));
    // What is a plain file is replaced; nothing else is.
    station.command(&["traffic", "--csv", page.to_str().unwrap()]).expect_safe();
    assert!(std::fs::read_to_string(&page).unwrap().starts_with("DATE,TIME,"));
    let link = station.path("link.html");
    std::os::unix::fs::symlink(&page, &link).unwrap();
    let (inbox, state) = (station.inbox().join("in/log.html"), station.state().join("log.html"));
    let copies = red.path().join("counterfoil/log.html");
    for (at, why) in [
        (link.as_path(), "no plain file"),
        (station.path("card").as_path(), "no plain file"),
        (std::path::Path::new("-"), "cannot go to standard output"),
        (&inbox, "in a mailbox"),
        (&state, "in the state folder"),
        (&copies, "the copies on a drive"),
    ] {
        let told = station.command(&["traffic", "--html", at.to_str().unwrap()]).expect_refused();
        told.expect_words(&[why]);
        assert!(!inbox.exists() && !state.exists() && !copies.exists());
    }
    let nowhere = station.path("nowhere/log.html");
    let told = station.command(&["traffic", "--csv", nowhere.to_str().unwrap()]).expect_failed();
    told.expect_words(&["nowhere/log.html", "nothing was written: give a folder that is there"]);
    station.command(&["traffic", "--csv", "a", "--html", "b"]).expect_refused();
    let left: Vec<_> =
        std::fs::read_dir(station.path("")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().contains(".tmp")), "{left:?}");
}

#[test]
fn it_writes_nothing_else_anywhere() {
    let (station, red) = station();
    station.deliver("in/1", mail("water level"));
    log(&station, &[]);
    assert!(!station.state().exists());
    station.mirror().expect_safe();
    station.deliver("in/2", mail("bridge closed"));
    let catalogue = station.state().join("catalogue.sqlite");
    let before = (red.everything(), std::fs::read(&catalogue).unwrap());
    log(&station, &[]);
    assert!(before == (red.everything(), std::fs::read(&catalogue).unwrap()));
}

#[test]
fn without_a_mailbox_and_without_a_drive_it_is_wrongly_asked() {
    let station = Station::new();
    let config = station.config_file();
    let told =
        station.run(&["traffic", "--config", config.to_str().unwrap(), "--station", "pier-4"]);
    told.expect_refused().expect_words(&["no mailbox is named and no drive is here"]);
}
