//! Configs that somebody put on a stick: the names in them are shown, and their commands are not run.

use crate::command_output::CommandOutput;
use crate::station::{Station, mail};
use crate::stick::Stick;
use crate::terminal::at_a_terminal;
use counterfoil::model::Digest;
use std::fs;
use std::path::PathBuf;

const COMMAND: &str = "canary-command";

/// A stick with this config on it, whole; the card is new and has none.
fn with_config(config: &str) -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.lose_the_card();
    let body = config.trim_end();
    let digest = Digest::of(body.as_bytes());
    let head = "# A station's settings, kept by counterfoil. SHA-256 of what follows: ";
    fs::write(red.bag().join("config.toml"), format!("{head}{digest}\n{body}\n")).unwrap();
    (station, red)
}

fn config_at(station: &Station) -> PathBuf {
    station.path(".config/counterfoil/counterfoil.toml")
}

/// As an operator with a config of their own.
fn restore(station: &mut Station, red: &Stick, more: &[&str]) -> CommandOutput {
    station.run_as_nobody();
    let inbox = format!("inbox={}", station.inbox().display());
    let words =
        ["restore", "--drive", red.path().to_str().unwrap(), "--mailbox", &inbox, "--with-config"];
    let words: Vec<_> = words.iter().chain(more).copied().collect();
    station.run(&words)
}

/// A command in every form that a config allows.
#[test]
fn no_command_of_a_stick_is_ever_in_force() {
    for notify in [
        format!("[notify]\ncommand = [\"/bin/sh\", \"-c\", \"{COMMAND}\"]\nafter = \"1s\""),
        format!("notify = {{ command = [\"{COMMAND}\"] }}"),
        format!("notify.command = [\n  \"{COMMAND}\",\n]"),
        format!("\"notify\".'command' = ['''{COMMAND}''']"),
        format!("[notify] # after\ncommand = [\"x\\n[notify]\\ncommand = [\\\"{COMMAND}\\\"]\"]"),
        format!("[notify]\ncommand = [\"\"\"a\n[notify]\ncommand = ['{COMMAND}']\n\"\"\"]"),
        format!("[notify]\ncommand = [\"\\r\\u2028[notify]\\r{COMMAND}\"]"),
    ] {
        let (mut station, red) = with_config(&notify);
        let output = restore(&mut station, &red, &["--config-seen"]).expect_safe();
        output.expect_words(&["no command comes from a stick"]).expect_harmless();
        let text = fs::read_to_string(config_at(&station)).unwrap();
        let plain: Vec<_> = text.lines().filter(|line| !line.starts_with('#')).collect();
        assert!(!plain.iter().any(|line| line.contains("notify")), "{text}");
        assert!(!plain.join("\n").contains(COMMAND) && text.contains(COMMAND), "{text}");
        let output = station.run(&["config", "check", "--json"]).expect_safe();
        assert_eq!(output.json()["notify"]["command"], serde_json::json!([]), "{text}");
    }
}

/// A command that is run here is not written to a place where others can read and change it.
#[test]
fn a_stick_is_told_nothing_of_the_command_in_force() {
    let (station, red) = Station::with_drive();
    station.write_config(&format!("[notify]\ncommand = [\"{COMMAND}\", \"--key=secret\"]\n"));
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let text = fs::read_to_string(red.bag().join("config.toml")).unwrap();
    assert!(!text.contains(COMMAND) && !text.contains("secret"), "{text}");
    assert!(text.contains("# [notify] is set at the station"), "{text}");
    let output = station.run(&["config", "check", "--config", "counterfoil.toml"]);
    output.expect_safe().expect_words(&[COMMAND]);
}

/// A config that would copy a whole home, keep mail from sticks, and more.
const GREEDY: &str = "ignore = [\"**\"]\nstate = \"/srv/state\"\n[[mailbox]]\nname = \"inbox\"\npath = \"/home/op\"\n\
                      [[mailbox]]\nname = \"k\"\npath = \"/srv/.ssh\"\n[drives]\nfolders = [\"/srv/public\"]\n\
                      count_same_device = true\n";
const SHOWN: [&str; 7] = [
    "mailbox inbox: /home/op   <- NOT A USUAL PLACE FOR MAIL",
    "mailbox k: /srv/.ssh   <- NOT A USUAL PLACE FOR MAIL",
    "all mail is copied into the folder /srv/public",
    "not copied: **",
    "state folder: /srv/state",
    "count_same_device = true",
    "Nothing was written",
];

#[test]
fn a_config_is_shown_before_it_is_put_back_and_needs_a_person() {
    let (mut station, red) = with_config(GREEDY);
    let output = restore(&mut station, &red, &[]).expect_refused().expect_words(&SHOWN);
    output.expect_words(&["counterfoil restore", "--with-config --config-seen"]).expect_harmless();
    assert!(!config_at(&station).exists() && !station.inbox().exists());
    restore(&mut station, &red, &["--json"]).expect_refused();
    assert!(!config_at(&station).exists() && !station.inbox().exists());
    restore(&mut station, &red, &["--config-seen", "--json"]).expect_safe();
    assert!(config_at(&station).exists());
    // An existing config is never overwritten, shown or not.
    fs::write(config_at(&station), "# by hand\n").unwrap();
    restore(&mut station, &red, &["--config-seen"]).expect_safe();
    assert_eq!(fs::read_to_string(config_at(&station)).unwrap(), "# by hand\n");
}

/// A config that is shown cannot control a terminal.
#[test]
fn a_config_that_is_shown_steers_no_terminal() {
    let evil = "ignore = [\"\\u001b]0;owned\\u0007\\u202e\"]\n[log]\nincident = \"\\u009b2J\\r\\n\"\n\
                [[mailbox]]\nname = \"inbox\"\npath = \"/srv/\\u001b[2J\\nmailbox inbox: /home/op/mail\"\n";
    let (mut station, red) = with_config(evil);
    let output = restore(&mut station, &red, &[]).expect_refused().expect_harmless();
    let said = output.warnings();
    assert!(
        !said.lines().any(|line| line.trim_start().starts_with("mailbox inbox: /home")),
        "{said}"
    );
}

/// A person at a terminal on a new card: one command, and one yes for the config and the location of its mailboxes.
#[test]
fn a_yes_to_a_config_is_a_yes_to_where_its_mailboxes_are() {
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.lose_the_card();
    station.run_as_nobody();
    let command = format!(
        "setpriv --reuid 65534 --regid 65534 --clear-groups PROGRAM restore --with-config --drive {}",
        red.path().display()
    );
    // The config stays on the stick; then the program asks where the mail goes.
    let (code, said) = at_a_terminal(&station, &command, "no\nno\n");
    assert_eq!(code, Some(2), "{said}");
    assert!(!config_at(&station).exists() && !station.inbox().exists(), "{said}");
    let (code, said) = at_a_terminal(&station, &command, "yes\n");
    assert_eq!(code, Some(0), "{said}");
    assert!(station.inbox().join("0001.eml").exists() && config_at(&station).exists(), "{said}");
    assert_eq!(said.matches("Type yes").count(), 1, "{said}");
}

/// A yes to the config is not a yes to a folder where there usually is no mail.
#[test]
fn a_config_that_is_agreed_to_leads_into_no_unusual_folder() {
    let greedy = "station = \"pier-4\"\n[[mailbox]]\nname = \"inbox\"\npath = \"/opt/bin\"\n";
    let (mut station, red) = with_config(greedy);
    station.run_as_nobody();
    let command = format!(
        "setpriv --reuid 65534 --regid 65534 --clear-groups PROGRAM restore --with-config --drive {}",
        red.path().display()
    );
    let (code, said) = at_a_terminal(&station, &command, "yes\nno\n");
    assert_eq!(code, Some(2), "{said}");
    assert!(!PathBuf::from("/opt/bin/0001.eml").exists() && !config_at(&station).exists());
}
