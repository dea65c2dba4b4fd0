//! A freshly written card, nothing set up: what is on the drives is said before, what to do next behind; and a
//! restore that was rehearsed is remembered.

use crate::command_output::{CommandOutput, fields};
use crate::station::{Station, expect_same, mail};
use crate::stick::Stick;
use crate::terminal::at_a_terminal;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::Path;

fn mirrored() -> (Station, Stick) {
    let (station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    (station, red)
}

/// `restore` with no config of its own and no option but the stick, and where the mailbox is to go.
fn fresh(station: &Station, red: &Stick, more: &[&str]) -> CommandOutput {
    let inbox = format!("inbox={}", station.inbox().display());
    let words = ["restore", "--drive", red.path().to_str().unwrap(), "--mailbox", &inbox];
    let words: Vec<&str> = words.into_iter().chain(more.iter().copied()).collect();
    station.run(&words)
}

/// The same at a terminal, with no option but the stick.
fn fresh_at_a_terminal(station: &Station, red: &Stick, typed: &str) -> String {
    let command = format!("PROGRAM restore --drive {}", red.path().display());
    let (code, said) = at_a_terminal(station, &command, typed);
    assert_eq!(code, Some(0), "{said}");
    said
}

#[test]
fn on_a_new_card_one_command_and_one_yes_put_the_mailbox_back() {
    let (station, red) = mirrored();
    let kept = station.path("kept");
    crate::station::sh("cp", &[OsStr::new("-a"), station.inbox().as_os_str(), kept.as_os_str()]);
    station.lose_the_card();
    let said = fresh_at_a_terminal(&station, &red, "yes\n");
    let asked = format!("Mailbox inbox was in {}, say the sticks.", station.inbox().display());
    for word in ["station pier-4 on", "mailbox inbox: 2 messages", &asked] {
        assert!(said.contains(word), "{word}: {said}");
    }
    assert_eq!(said.matches("Type yes").count(), 1, "{said}");
    expect_same(&station.inbox(), &kept);
}

#[test]
fn it_says_what_is_there_where_it_goes_and_what_to_do_next() {
    let (station, red) = mirrored();
    let kept = station.path("kept");
    crate::station::sh("cp", &[OsStr::new("-a"), station.inbox().as_os_str(), kept.as_os_str()]);
    station.lose_the_card();
    let output = fresh(&station, &red, &[]).expect_safe();
    let inbox = station.inbox();
    output.expect_words(&[
        "Station pier-4 on",
        "mailbox inbox: 2 messages",
        "the newest: ",
        ", from Net control <q0net@example.org>, of 2003-07-01 08:52",
        &format!("goes to {}", inbox.display()),
        "Reading it takes about",
        "Everything these drives list is there.",
        "What to do next:",
        "--with-config",
    ]);
    expect_same(&inbox, &kept);
    // Scripts get one object, and nothing before or behind it.
    fresh(&station, &red, &["--json"]).expect_safe().expect_counts(&[("identical", 2)]);
}

/// Where a mailbox is, the drive is told also if it stayed in when the mailbox was named.
#[test]
fn a_mailbox_that_was_named_later_goes_back_to_where_it_was() {
    let (mut station, red) = mirrored();
    station.add_mailbox("club");
    station.deliver_to("club", "0001.eml", mail("meeting"));
    station.mirror().expect_safe();
    let kept = station.path("kept");
    let club = station.mailbox("club");
    crate::station::sh("cp", &[OsStr::new("-a"), club.as_os_str(), kept.as_os_str()]);
    station.mirror().expect_safe();
    let output = red.lines_of("mailbox");
    assert_eq!(output.len(), 2, "each is told once: {output:?}");
    station.lose_the_card();
    let said = fresh_at_a_terminal(&station, &red, "yes\nyes\n");
    assert!(said.contains(&format!("Mailbox club was in {}", club.display())), "{said}");
    expect_same(&club, &kept);
}

#[test]
fn the_config_comes_back_where_none_is_and_over_none_that_is() {
    let (mut station, red) = mirrored();
    let at = station.path(".config/counterfoil/counterfoil.toml");
    station.run_as_nobody();
    let output = fresh(&station, &red, &["--with-config", "--config-seen"]).expect_safe();
    output.expect_words(&["the config is back in"]);
    let text = fs::read_to_string(&at).unwrap();
    assert!(text.contains("station = \"pier-4\"") && text.contains("[[mailbox]]"), "{text}");
    // It is a config, and the one in force from now on.
    station.run(&["config", "check"]).expect_safe().expect_words(&["pier-4", "inbox"]);
    fs::write(&at, "station = \"pier-4\"\n# by hand\n").unwrap();
    let output =
        fresh(&station, &red, &["--with-config", "--config-seen", "--into", "x"]).expect_safe();
    output.expect_words(&["it is left as it is"]);
    assert!(fs::read_to_string(&at).unwrap().contains("# by hand"));
}

/// As root it goes where the system's config is; here into a folder that only this process sees.
#[test]
fn for_root_the_config_comes_back_as_the_systems() {
    let (mut station, red) = mirrored();
    let script = "mount -t tmpfs none /etc && \"$@\" && cat /etc/counterfoil/counterfoil.toml";
    let words = ["unshare", "-m", "sh", "-c", script, "sh"].map(OsStr::new);
    station.run_prefixed(&words);
    let output = fresh(&station, &red, &["--with-config", "--config-seen"]).expect_safe();
    output.expect_words(&[
        "the config is back in /etc/counterfoil/counterfoil.toml",
        "station = \"pier-4\"",
    ]);
}

#[test]
fn a_torn_config_is_not_put_back() {
    let (mut station, red) = mirrored();
    let at = red.bag().join("config.toml");
    let text = fs::read_to_string(&at).unwrap();
    fs::write(&at, text.replace("wanted_copies = 1", "wanted_copies = 7")).unwrap();
    station.run_as_nobody();
    let output = fresh(&station, &red, &["--with-config", "--config-seen"]).expect_safe();
    output.expect_words(&["no drive here carries a whole config"]);
    assert!(!station.path(".config").exists());
}

fn two_stations() -> (Station, Station, Stick) {
    let (station, red) = mirrored();
    let mut other = Station::named("hut-9");
    other.use_drive(red.path());
    other.deliver("0001.eml", mail("helicopter pad"));
    other.mirror().expect_safe();
    (station, other, red)
}

#[test]
fn a_person_is_asked_which_of_two_stations_is_meant() {
    let (station, other, red) = two_stations();
    let command = format!("PROGRAM restore --drive {} --into back", red.path().display());
    let (code, said) = at_a_terminal(&station, &command, "1\n");
    assert_eq!(code, Some(0), "{said}");
    for word in
        ["1: station hut-9", "2: station pier-4", "helicopter pad", "Which station, 1 to 2?"]
    {
        assert!(said.contains(word), "{word}: {said}");
    }
    expect_same(&station.path("back"), &other.inbox());
    // What cannot be meant is not guessed.
    let command = format!("{command}-again");
    let (code, said) = at_a_terminal(&station, &command, "7\n");
    assert_eq!(code, Some(2), "{said}");
    assert!(!station.path("back-again").exists());
}

#[test]
fn without_a_terminal_the_options_are_named() {
    let (station, _other, red) = two_stations();
    fresh(&station, &red, &["--into", "x"]).expect_refused().expect_words(&[
        "hut-9, pier-4",
        "--station NAME",
        "mailbox inbox: 1 message,",
        "mailbox inbox: 2 messages,",
    ]);
}

/// The folders that rehearsals and restores made in the temporary folder.
fn passing(folder: &Path) -> usize {
    fs::read_dir(folder).unwrap().count()
}

fn rehearse(station: &Station, more: &[&str]) -> CommandOutput {
    let temporary = station.path("passing");
    fs::create_dir_all(&temporary).unwrap();
    let words: Vec<&str> =
        ["restore", "--rehearse"].into_iter().chain(more.iter().copied()).collect();
    let args: Vec<OsString> = station.arguments(&words);
    let output = station.run_with(&args, &[("TMPDIR", Some(temporary.as_os_str()))]);
    assert_eq!(passing(&temporary), 0, "the folder is gone");
    output
}

#[test]
fn a_rehearsal_changes_nothing_and_is_remembered() {
    let (station, red) = mirrored();
    let rehearsed = |station: &Station| station.audit().json()["rehearsed"].clone();
    assert_eq!(rehearsed(&station), serde_json::Value::Null);
    station.command(&["audit"]).expect_words(&["never rehearsed here"]);
    let (before, mail_before) = (red.everything(), crate::station::tree(&station.inbox()));
    let output = rehearse(&station, &["--json"]).expect_safe();
    let names = "bytes damaged damaged_on_card drives_not_read excluded folders good mailboxes_not_there missing \
                 not_files not_restored not_written only_restored other other_facts other_flags rehearsed restored \
                 same schema unread wrong_when_read_again";
    assert_eq!(fields(&output.json()).join(" "), names);
    output.expect_counts(&[("restored", 2), ("same", 2), ("other", 0), ("not_restored", 0)]);
    assert_eq!(red.everything(), before);
    assert_eq!(crate::station::tree(&station.inbox()), mail_before);
    let when = rehearsed(&station);
    assert!(when.as_str().unwrap().ends_with('Z'), "{when}");
    station
        .command(&["audit"])
        .expect_words(&["last rehearsed, and brought everything back, on 20"]);
    let page = station.path("audit.html");
    station.command(&["audit", "--html", page.to_str().unwrap()]).expect_safe();
    assert!(fs::read_to_string(&page).unwrap().contains("A restore was last rehearsed"));
    rehearse(&station, &[]).expect_safe().expect_words(&[
        "2 messages",
        "Practice run in a temporary folder (removed again): 2 messages (",
        "), all correct.",
        "all 2 messages are the same",
        "YES: a restore brings back every mailbox as it is now. Rehearsed 20",
    ]);
}

#[test]
fn a_rehearsal_of_one_message_speaks_of_one() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    rehearse(&station, &[]).expect_safe().expect_words(&[
        "1 message (",
        "), correct.",
        "its 1 message is the same",
    ]);
}

#[test]
fn a_rehearsal_that_does_not_bring_everything_back_is_not_remembered() {
    let (station, red) = mirrored();
    station.deliver("0003.eml", mail("not on the drive yet"));
    let output = rehearse(&station, &["--json"]).expect_unsafe();
    output.expect_counts(&[("same", 2), ("not_restored", 1)]);
    rehearse(&station, &[]).expect_unsafe().expect_words(&["inbox/0003.eml", "counterfoil mirror"]);
    station.mirror().expect_safe();
    // One byte of the mailbox is another, and nothing of its length or time shows it.
    let at = station.inbox().join("0001.eml");
    let time = fs::metadata(&at).unwrap().modified().unwrap();
    fs::write(&at, mail("water leveL")).unwrap();
    fs::File::options().write(true).open(&at).unwrap().set_modified(time).unwrap();
    rehearse(&station, &["--json"]).expect_unsafe().expect_counts(&[("same", 2), ("other", 1)]);
    fs::write(&at, mail("water level")).unwrap();
    red.rot(&red.payload_of("out/0002.eml"));
    rehearse(&station, &["--json"]).expect_unsafe().expect_counts(&[("damaged", 1)]);
    assert_eq!(station.audit().json()["rehearsed"], serde_json::Value::Null);
}

#[test]
fn what_else_the_drives_hold_is_said_too() {
    let (_station, other, red) = two_stations();
    let output = fresh(&other, &red, &["--station", "hut-9"]).expect_safe();
    output.expect_words(&["Station hut-9 on", "Also on these drives, by --station NAME: pier-4."]);
}

/// The folder for temporary files is reached by a link, as on some systems.
#[test]
fn a_rehearsal_and_the_demo_go_by_a_link_to_the_folder_for_temporary_files() {
    let (station, _red) = mirrored();
    fs::create_dir(station.path("there")).unwrap();
    std::os::unix::fs::symlink("there", station.path("link")).unwrap();
    let args: Vec<OsString> = station.arguments(&["restore", "--rehearse"]);
    let temporary = station.path("link");
    station.run_with(&args, &[("TMPDIR", Some(temporary.as_os_str()))]).expect_safe();
    assert_eq!(passing(&temporary), 0);
    station.run_with(&["demo"], &[("TMPDIR", Some(temporary.as_os_str()))]).expect_safe();
}
