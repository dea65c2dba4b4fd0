//! `config check`: everything wrong is refused with its place; everything in force is printed.

use crate::command_output::{CommandOutput, fields};
use crate::station::Station;

fn check(station: &Station, text: &str, more: &[&str]) -> CommandOutput {
    station.write_config(text);
    let config = station.config_file();
    let mut args = vec!["config", "check", "--config", config.to_str().unwrap()];
    args.extend(more);
    station.run(&args)
}

#[test]
fn the_values_in_force_are_printed_as_a_config() {
    let station = Station::new();
    let text = "station = \"pier-4\"\nstate = \"/var/lib/counterfoil\"\nsettle = \"3s\"\n\
                churn = \"1h 30m\"\nscan_every = \"20m\"\nignore = [\"*.part\"]\n\n\
                [[mailbox]]\nname = \"in\"\npath = \"/srv/mail/in\"\n\n\
                [drives]\nfolders = [\"/media/red\"]\nwanted_copies = 2\n\n\
                [log]\noperator = \"Op One, Q1AAA\"\ntime = \"local\"\nsent = [\"out/**\"]\n";
    let output = check(&station, text, &[]).expect_safe();
    let printed = output.text();
    for line in [
        "station = \"pier-4\"",
        "ignore = [\"*.part\"]",
        "wanted_copies = 2",
        "operator = \"Op One, Q1AAA\"",
        "time = \"local\"",
        "received = []",
        "sent = [\"out/**\"]",
    ] {
        assert!(printed.contains(line), "{printed}");
    }
    // What is printed is itself a config, and means the same.
    let again = check(&station, &printed, &[]).expect_safe().text();
    assert_eq!(again, printed);
    let json = check(&station, text, &["--json"]).expect_safe().json();
    assert_eq!(
        fields(&json),
        [
            "churn",
            "config",
            "drives",
            "ignore",
            "link",
            "log",
            "mailbox",
            "notify",
            "power",
            "scan_every",
            "schema",
            "settle",
            "state",
            "station",
            "verify"
        ]
    );
    assert_eq!(json["mailbox"][0]["name"], "in");
    assert_eq!(json["drives"]["wanted_copies"], 2);
    assert_eq!(
        (&json["log"]["time"], &json["log"]["incident"]),
        (&"local".into(), &serde_json::Value::Null)
    );
    assert_eq!(
        (&json["verify"]["every"], &json["verify"]["max_rate"]),
        (&"30d".into(), &"4 MiB/s".into())
    );
}

/// Found by the fuzzer: what steers a terminal was printed in a way that TOML does not know.
#[test]
fn odd_characters_are_printed_harmless_and_as_a_config() {
    let station = Station::new();
    let text = "station = \"a\"\nstate = \"/srv/\\u001b[2J\\u202e\"\nignore = [\"\\u007f\\u009b*\"]\n\n\
                [[mailbox]]\nname = \"in\"\npath = \"/srv/\\\"b\\\\c\\n'\"\n\n\
                [drives]\nfolders = [\"/media/\\uFEFFred\"]\n";
    let printed = check(&station, text, &[]).expect_safe().text();
    let steers = |c: char| c.is_control() && c != '\n' || matches!(c, '\u{202e}' | '\u{feff}');
    assert!(!printed.contains(steers), "{printed:?}");
    assert_eq!(check(&station, &printed, &[]).expect_safe().text(), printed);
    let meant = |text: &str| check(&station, text, &["--json"]).expect_safe().json();
    assert_eq!(meant(&printed), meant(text));
}

#[test]
fn an_unknown_key_is_refused_with_its_place_and_the_keys_there_are() {
    let station = Station::new();
    let text = "station = \"pier-4\"\nsettel = \"3s\"\n";
    check(&station, text, &[]).expect_refused().expect_words(&[
        "counterfoil.toml",
        "line 2, column 1",
        "settel",
        "settle",
        "churn",
        "scan_every",
    ]);
    check(&station, "[drives]\nfolder = []\n", &[]).expect_refused().expect_words(&[
        "line 2, column 1",
        "folder",
        "folders",
        "wanted_copies",
    ]);
    check(&station, "[[mailbox]]\npath = \"/srv\"\nnmae = \"in\"\n", &[])
        .expect_refused()
        .expect_words(&["line 3, column 1", "nmae", "path", "name"]);
}

#[test]
fn odd_values_are_refused_with_what_would_do() {
    let station = Station::new();
    let cases = [
        ("settle = \"soon\"\n", "write it as 2s, 10m, 1h or 30d"),
        ("[verify]\nmax_rate = \"4 MiB\"\n", "write it as 4 MiB/s or 500 KiB/s"),
        ("[verify]\nmax_rate = \"0 B/s\"\n", "turns it off"),
        ("settle = \"-5s\"\n", "write it as 2s, 10m, 1h or 30d"),
        ("churn = 5\n", "line 1, column 9"),
        ("station = \"pier 4\"\n", "use only ASCII letters"),
        ("station = \"CON\"\n", "reserve this name"),
        ("station = \"..\"\n", "begin with a letter or digit"),
        ("ignore = [\"[\"]\n", "ignore"),
        ("[drives]\nwanted_copies = 0\n", "use 1 to 16"),
        ("[drives]\nwanted_copies = 17\n", "use 1 to 16"),
        ("[[mailbox]]\nname = \"in\"\n", "path"),
        ("station = \n", "line 1"),
    ];
    for (text, words) in cases {
        check(&station, text, &[]).expect_refused().expect_words(&[words]);
    }
}

#[test]
fn mailboxes_drives_and_state_that_get_in_each_others_way_are_refused() {
    let station = Station::new();
    let two = "[[mailbox]]\npath = \"/a/in\"\n[[mailbox]]\npath = \"/b/in\"\n";
    check(&station, two, &[]).expect_refused().expect_words(&["two mailboxes are called in"]);
    let inside = "[[mailbox]]\npath = \"/srv/mail\"\n[drives]\nfolders = [\"/srv/mail/stick\"]\n";
    check(&station, inside, &[]).expect_refused().expect_words(&["drive", "lies in the mailbox"]);
    let inside = "[[mailbox]]\npath = \"/media/red/mail\"\n[drives]\nfolders = [\"/media/red\"]\n";
    check(&station, inside, &[]).expect_refused().expect_words(&["mailbox", "lies in the drive"]);
    let inside = "state = \"/srv/mail/.state\"\n[[mailbox]]\npath = \"/srv/mail\"\n";
    check(&station, inside, &[]).expect_refused().expect_words(&["state folder", "lies in"]);
    let nested = "[[mailbox]]\npath = \"/srv/mail\"\n[[mailbox]]\npath = \"/srv/mail/in\"\n";
    check(&station, nested, &[]).expect_refused().expect_words(&["lies in the mailbox"]);
    let many: Vec<_> = (0..17).map(|n| format!("\"/media/{n}\"")).collect();
    let many = format!("[drives]\nfolders = [{}]\n", many.join(", "));
    check(&station, &many, &[]).expect_refused().expect_words(&["at most 16"]);
}

#[test]
fn a_link_does_not_hide_that_a_drive_lies_in_the_mailbox() {
    let station = Station::new();
    let (inside, link) = (station.inbox().join("stick"), station.path("media/red"));
    std::fs::create_dir(&inside).unwrap();
    std::os::unix::fs::symlink(&inside, &link).unwrap();
    let text =
        format!("[[mailbox]]\npath = {:?}\n[drives]\nfolders = [{link:?}]\n", station.inbox());
    check(&station, &text, &[]).expect_refused().expect_words(&["lies in the mailbox"]);
}

#[test]
fn a_config_that_is_named_must_be_there() {
    let station = Station::new();
    station
        .run(&["config", "check", "--config", "nowhere.toml"])
        .expect_refused()
        .expect_words(&["nowhere.toml", "no such config file"]);
}

#[test]
fn arguments_take_the_place_of_the_config() {
    let station = Station::new();
    let text = "station = \"pier-4\"\n[[mailbox]]\npath = \"/srv/mail\"\n";
    let more = ["--json", "--station", "hut-9", "--mailbox", "out=/srv/out"];
    let json = check(&station, text, &more).expect_safe().json();
    assert_eq!(json["station"], "hut-9");
    assert_eq!(json["mailbox"], serde_json::json!([{"name": "out", "path": "/srv/out"}]));
}
