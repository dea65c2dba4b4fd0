//! What sticks have and the card lacks: the alarm is raised for what a restore would bring, by the same rule, and for
//! nothing else; and the commands that are printed with it end it.

use crate::command_output::CommandOutput;
use crate::station::{Station, mail};
use crate::stick::Stick;
use crate::verdicts::expect_agreed;
use std::fs;

/// Red and blue have two messages; blue is away when one of them is given up, so that only red is told.
fn told_on_red_alone() -> (Station, Stick, Stick) {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("kept.eml", mail("water level"));
    station.deliver("gone.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    station.use_only(&[&red]);
    station.delete_seen("gone.eml");
    station.mirror().expect_safe();
    (station, red, blue)
}

/// The commands that a report prints to be typed next, without the program's name and this run's options.
fn advised(output: &CommandOutput) -> Vec<String> {
    let text = output.text().replace("\n    ", " ");
    let lines = text.lines().filter_map(|line| line.trim().strip_prefix("counterfoil "));
    lines.map(|line| line.split(" --").next().unwrap_or_default().to_owned()).collect()
}

fn lacking(output: &CommandOutput) -> u64 {
    let all = output.json()["lacking"].as_array().unwrap().clone();
    all.iter().map(|drive| drive["messages"].as_u64().unwrap()).sum()
}

/// What a restore puts apart by another stick's word is not lacking once that was done.
#[test]
fn on_a_new_card_what_one_stick_was_told_of_is_put_apart_and_not_asked_back_from_the_other() {
    for red_first in [true, false] {
        let (mut station, red, blue) = told_on_red_alone();
        station.lose_the_card();
        let order = if red_first { [&red, &blue] } else { [&blue, &red] };
        station.use_only(&order);
        let inbox = station.inbox();
        fs::create_dir_all(&inbox).unwrap();
        let output = station.restore_with(&["--into", inbox.to_str().unwrap()]).expect_safe();
        let said = &output.json()["in_doubt"];
        assert_eq!((&said[0]["why"], &said[0]["messages"]), (&"deleted".into(), &1.into()));
        assert!(!inbox.join("gone.eml").exists());
        assert!(inbox.join("recovered/gone.eml").exists());
        for output in expect_agreed(&station, "safe") {
            assert_eq!(lacking(&output), 0);
        }
    }
}

/// Anybody may have written to a stick: what it says of another one's mail is no answer to what the card lacks.
#[test]
fn the_word_of_one_stick_takes_nothing_from_what_is_lacking_of_another() {
    let (mut station, red, blue) = told_on_red_alone();
    station.lose_the_card();
    fs::create_dir_all(station.inbox()).unwrap();
    station.use_only(&[&blue]);
    let output = station.mirror().expect_verdict("damaged-or-missing");
    assert_eq!(lacking(&output), 2);
    station.deliver("kept.eml", mail("water level"));
    assert_eq!(lacking(&station.mirror().expect_verdict("damaged-or-missing")), 1);
    station.use_only(&[&red]);
    station.mirror().expect_verdict("damaged-or-missing");
    station.use_only(&[&blue]);
    for output in expect_agreed(&station, "damaged-or-missing") {
        assert_eq!(lacking(&output), 1);
    }
    // A person decides.
    station.command(&["acknowledge", "--only-on", "blue"]).expect_safe();
    for output in expect_agreed(&station, "safe") {
        assert_eq!(lacking(&output), 0);
    }
}

/// What the config ignores is looked after by nobody: it is neither asked back nor given up.
#[test]
fn what_the_config_ignores_is_never_lacking_and_never_given_up() {
    let (station, _red) = Station::with_drive();
    station.deliver("drafts/0001.eml", mail("half written"));
    station.deliver("0002.eml", mail("water level"));
    station.mirror().expect_safe();
    station.write_config("ignore = [\"drafts\"]\n");
    fs::remove_dir_all(station.state()).unwrap();
    for output in expect_agreed(&station, "safe") {
        assert_eq!(lacking(&output), 0);
    }
    station.command(&["acknowledge", "--only-on", "red"]).expect_safe();
    station.mirror().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
    // Looked after again, it is there.
    station.write_config("");
    expect_agreed(&station, "safe");
}

/// A card damaged a message and told the stick of it; the card in use has the good one, or a later one.
#[test]
fn what_another_card_damaged_is_not_asked_back_where_the_message_is_good() {
    for later in [false, true] {
        let (station, _red) = Station::with_drive();
        station.deliver("0001.eml", mail("water level"));
        station.deliver("0002.eml", mail("bridge closed"));
        station.mirror().expect_safe();
        let (card, kept, damaged) =
            (station.path("card"), station.path("kept"), station.path("damaged"));
        crate::station::sh("cp", &["-a".as_ref(), card.as_os_str(), kept.as_os_str()]);
        station.replace("0001.eml", "");
        station.mirror().expect_verdict("damaged-or-missing");
        fs::rename(&card, damaged).unwrap();
        fs::rename(kept, card).unwrap();
        if later {
            station.replace("0001.eml", mail("water level") + "and rising\r\n");
        }
        for output in expect_agreed(&station, "safe") {
            assert_eq!(lacking(&output), 0, "{later}");
        }
    }
}

/// A twin of this card put more mail on blue. What the audit says is there, `acknowledge` finds there.
#[test]
fn the_command_that_is_printed_ends_the_alarm_it_is_printed_with() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    let (card, twin) = (station.path("card"), station.path("twin"));
    crate::station::sh("cp", &["-a".as_ref(), card.as_os_str(), twin.as_os_str()]);
    station.use_only(&[&blue]);
    station.deliver("0002.eml", mail("shelter open"));
    station.mirror().expect_safe();
    fs::rename(&card, station.path("first")).unwrap();
    fs::rename(&twin, &card).unwrap();
    station.use_only(&[&red, &blue]);
    // Blue was not read by this card since, in a command that keeps anything.
    let output = station.command(&["audit"]).expect_unsafe();
    assert!(advised(&output).contains(&"acknowledge".to_owned()), "{}", output.text());
    assert_eq!(lacking(&station.audit()), 1);
    let output = station.command(&["acknowledge", "--only-on", "blue"]).expect_safe();
    output.expect_words(&["1 message that only blue has", "noted on this card only"]);
    for output in expect_agreed(&station, "safe") {
        assert_eq!(lacking(&output), 0);
    }
    let output = station.command(&["acknowledge", "--only-on", "blue"]).expect_safe();
    output.expect_words(&["Nothing to acknowledge"]);
}

/// A stick may be called by more than a word: the command that is printed with it can be typed all the same.
#[test]
fn a_stick_called_by_two_words_is_one_word_of_the_command() {
    let (mut station, _) = Station::with_drive();
    let stick = station.drive("QTH 2's");
    station.use_only(&[&stick]);
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.lose_the_card();
    fs::create_dir_all(station.inbox()).unwrap();
    station.mirror().expect_verdict("damaged-or-missing");
    let output = station.command(&["audit"]).expect_unsafe().text();
    assert!(output.contains(r"counterfoil acknowledge --only-on 'QTH 2'\''s' --"), "{output}");
    station.command(&["acknowledge", "--only-on", "QTH 2's"]).expect_safe();
    expect_agreed(&station, "safe");
}

/// What is on a stick that is not here is not known: that is no reason to say that there is nothing.
#[test]
fn a_stick_that_is_not_here_is_not_said_to_have_nothing() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("0001.eml", mail("water level"));
    station.mirror().expect_safe();
    station.use_only(&[&red]);
    let output = station.command(&["acknowledge", "--only-on", "blue"]).expect_failed();
    output.expect_words(&["blue is not plugged in"]);
    // What it was seen to have may be acknowledged all the same.
    station.lose_the_card();
    fs::create_dir_all(station.inbox()).unwrap();
    station.use_only(&[&blue]);
    station.mirror().expect_verdict("damaged-or-missing");
    station.use_only(&[&red]);
    station.deliver("0001.eml", mail("water level, again"));
    station.command(&["acknowledge", "--only-on", "blue"]).expect_safe();
    station.command(&["acknowledge", "--only-on", "red"]).expect_safe();
    expect_agreed(&station, "safe");
}

/// Another operator's card calls its station by the same name. What one of them does not want is the other's mail: the
/// stick is told nothing, and gives it back to whom it belongs.
#[test]
fn what_is_not_wanted_here_is_kept_for_the_card_that_has_it() {
    let (station, red) = Station::with_drive();
    station.deliver("theirs.eml", mail("their traffic"));
    station.mirror().expect_safe();
    fs::rename(station.path("card"), station.path("their-card")).unwrap();
    fs::create_dir_all(station.inbox()).unwrap();
    station.deliver("ours.eml", mail("our traffic"));
    station.mirror().expect_verdict("damaged-or-missing");
    station.command(&["acknowledge", "--only-on", "red"]).expect_safe();
    expect_agreed(&station, "safe");
    assert_eq!(red.lines_of("removed").len(), 0, "nothing was seen to go");
    // Onto this card a restore leaves it out and says so, and brings it when it is asked for.
    let onto = |more: &[&str]| station.command(&[&["restore", "--json"], more].concat());
    let output = onto(&[]).expect_safe().expect_counts(&[("restored", 0), ("identical", 1)]);
    let left_out = &output.json()["left_out"][0];
    assert_eq!((&left_out["by"], &left_out["messages"]), (&"this card".into(), &1.into()));
    assert!(!station.inbox().join("theirs.eml").exists());
    station.command(&["restore", "--rehearse", "--json"]).expect_safe();
    onto(&["--with-removed"]).expect_safe().expect_counts(&[("restored", 1)]);
    // It is wanted from then on.
    expect_agreed(&station, "safe");
    station.delete("theirs.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    // Their card died: all of it comes back.
    fs::remove_dir_all(station.path("card")).unwrap();
    station.restore().expect_safe().expect_counts(&[("restored", 2)]);
}

/// Blue alone has what is missing, and is away.
#[test]
fn what_only_a_stick_that_is_away_has_is_asked_of_that_stick() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver("0001.eml", mail("water level"));
    station.use_only(&[&red]);
    station.mirror().expect_safe();
    station.deliver("0002.eml", mail("bridge closed"));
    station.use_only(&[&blue]);
    station.mirror().expect_safe();
    station.delete("0002.eml");
    station.use_only(&[&red]);
    station.mirror().expect_verdict("damaged-or-missing");
    for command in ["audit", "status", "mirror"] {
        let text = station.command(&[command]).expect_unsafe().text().replace('\n', " ");
        let said = text.find("1 missing message is on blue (last seen ");
        let typed = format!("--drive {}", blue.path().display());
        assert!(said.is_some_and(|at| text[at..].contains("plug it in and type:")), "{text}");
        assert!(text.contains(&typed), "the command is whole: {text}");
        assert!(!text.contains("is on a stick. Type:"), "{text}");
    }
    let output = station.command(&["restore", "--json"]).expect_unsafe();
    output.expect_counts(&[("restored", 0), ("not_on_these", 1)]);
    let output = station.command(&["restore"]).expect_unsafe();
    let output =
        output.expect_words(&["1 message that this card lacks is not on these sticks: blue"]);
    assert!(!output.text().contains("What to do next"), "{}", output.text());
    // Into another folder it is asked for what these sticks have.
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    station.use_only(&[&red, &blue]);
    let text = station.command(&["audit"]).expect_unsafe().text().replace('\n', " ");
    assert!(text.contains("1 missing message is on a stick. Type:"), "{text}");
    station.command(&["restore", "--json"]).expect_safe().expect_counts(&[("restored", 1)]);
    // It is here again, though no look has seen that yet.
    station.use_only(&[&red]);
    station.command(&["restore", "--json"]).expect_safe();
    station.use_only(&[&red, &blue]);
    expect_agreed(&station, "safe");
}

/// A file is made first, and filled after a look: nothing went with the empty one.
#[test]
fn an_empty_file_that_is_filled_is_one_message() {
    let with_id =
        mail("water level").replace("Subject:", "Message-ID: <1@example.org>\r\nSubject:");
    for text in [mail("water level"), with_id] {
        for loses_state in [false, true] {
            let (station, _red) = Station::with_drive();
            station.deliver("0001.eml", "");
            station.deliver("0002.eml", mail("bridge closed"));
            station.mirror().expect_safe();
            if loses_state {
                fs::remove_dir_all(station.state()).unwrap();
            }
            station.replace("0001.eml", &text);
            for output in expect_agreed(&station, "safe") {
                output.expect_counts(&[("messages.vanished", 0), ("messages.total", 2)]);
            }
            let output = station.restore().expect_safe();
            output.expect_counts(&[("restored", 2), ("kept_both", 0)]);
            assert_eq!(fs::read_to_string(station.restored().join("0001.eml")).unwrap(), text);
            station.command(&["restore", "--rehearse"]).expect_safe();
        }
    }
}

/// An empty message that is all there is comes back; one that is gone is missing like any other.
#[test]
fn an_empty_message_is_a_message() {
    let (station, _red) = Station::with_drive();
    station.deliver("0001.eml", "");
    station.mirror().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", 1)]);
    station.delete("0001.eml");
    station
        .mirror()
        .expect_verdict("damaged-or-missing")
        .expect_counts(&[("messages.vanished", 1)]);
}

/// What was deleted, and what was acknowledged, is counted as long as sticks hold it.
#[test]
fn what_was_deleted_and_what_is_held_back_is_counted_and_said() {
    let (mut station, red) = Station::with_drive();
    let blue = station.drive("blue");
    station.deliver_many(5);
    station.mirror().expect_safe();
    station.delete_seen("m000.eml");
    station.delete_seen("m001.eml");
    // One of them is elsewhere too: it is not gone.
    station.deliver("again.eml", mail("traffic 1"));
    station.use_only(&[&red]);
    station.mirror().expect_safe().expect_counts(&[("messages.deleted", 1)]);
    station.delete("m002.eml");
    station.mirror().expect_verdict("damaged-or-missing");
    station.command(&["acknowledge", "--missing"]).expect_safe();
    station.use_only(&[&red, &blue]);
    let counts = [("messages.deleted", 1), ("messages.held_back", 1)];
    for output in expect_agreed(&station, "safe") {
        output.expect_counts(&counts);
    }
    for command in ["audit", "status", "mirror"] {
        let text = station.command(&[command]).expect_safe().text().replace('\n', " ");
        assert!(text.contains("1 message was deleted here since "), "{text}");
        assert!(text.contains("; still on the sticks: blue, red."), "{text}");
        assert!(text.contains("1 message was acknowledged as not wanted"), "{text}");
    }
    // A new card reads it on the sticks.
    fs::remove_dir_all(station.state()).unwrap();
    for output in expect_agreed(&station, "safe") {
        output.expect_counts(&counts);
    }
    station.use_only(&[&red]);
    let output = station.restore();
    output.expect_safe().expect_counts(&[("restored", 3)]);
}
