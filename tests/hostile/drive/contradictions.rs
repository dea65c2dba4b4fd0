//! A stick that contradicts this card, or another stick: what every command reports, how it ends, and that mail goes
//! on.

use crate::command_output::CommandOutput;
use crate::scene::Scene;
use crate::station::{expect_same, mail, sh};
use crate::stick::Stick;
use counterfoil::model::Digest;
use serde_json::Value;
use std::fs;

const HASH: &str = ",\"hash\":\"";

/// Replaces every line of a ledger from one on, correctly chained.
fn rewrite_from(stick: &Stick, number: usize) {
    let text = fs::read_to_string(stick.ledger()).unwrap();
    let mut head = "0".repeat(64);
    let mut all = String::new();
    for (at, line) in (1..).zip(text.lines()) {
        let body = &line[..line.rfind(HASH).unwrap()];
        let body = match at < number {
            true => body.to_owned(),
            false => body.replacen("\"boot\":\"", "\"boot\":\"x", 1),
        };
        head = Digest::of(format!("{head}{body}").as_bytes()).to_string();
        all.push_str(&format!("{body}{HASH}{head}\"}}\n"));
    }
    fs::write(stick.ledger(), all).unwrap();
}

fn listed(output: &CommandOutput) -> Vec<Value> {
    output.json()["contradictions"].as_array().unwrap().clone()
}

fn drive(output: &CommandOutput, label: &str) -> Value {
    let drives = output.json()["drives"].as_array().unwrap().clone();
    drives.into_iter().find(|drive| drive["label"] == label).unwrap()
}

/// Compares the words although lines are wrapped.
fn expect_said(output: &CommandOutput, words: &[&str]) {
    let all = format!("{} {}", output.text(), output.warnings());
    let all = all.split_whitespace().collect::<Vec<_>>().join(" ");
    words.iter().for_each(|word| assert!(all.contains(word), "{word}: {all}"));
}

const ADVICE: &[&str] =
    &["Keep these sticks", "counterfoil drives refuse ", "counterfoil drives add /"];

#[test]
fn a_rewritten_stick_is_named_everywhere_until_its_operator_decides() {
    let scene = Scene::mirrored(3);
    scene.deliver(1);
    scene.station.mirror().expect_safe();
    rewrite_from(&scene.bad, 4);
    scene.deliver(1);
    let words = ["red is not as this card remembers it: line", "of its ledger is another one now"];
    // An audit finds it too, and changes nothing; then a pass does, and copies to the stick all the same.
    for command in [&["audit"][..], &["status"], &["mirror"], &["audit"], &["status"], &["mirror"]]
    {
        let output = scene.station.command(command).expect_unsafe();
        expect_said(&output, &words);
        expect_said(&output, ADVICE);
        // Nothing in the output claims that its copies do count.
        let counts = output.text() + &output.warnings();
        assert!(!counts.contains("counts for what"), "{counts}");
        output.expect_harmless();
    }
    assert_eq!(scene.bad.lines_of("mirrored").len(), 5);
    let listing = scene.station.command(&["drives"]);
    expect_said(&listing, &words);
    expect_said(&listing, &["Its copies count for nothing", "counterfoil drives add /"]);
    for command in [&["audit", "--json"][..], &["status", "--json"], &["mirror", "--json"]] {
        let output = scene.station.command(command).expect_unsafe();
        let found = listed(&output);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0]["drive"]["id"], scene.bad.id());
        assert_eq!((&found[0]["with"], &found[0]["about"]), (&Value::Null, &Value::from("line")));
        assert_eq!(found[0]["counts"], false);
        assert_eq!(drive(&output, "red")["counts"], false);
        assert_eq!(drive(&output, "blue")["counts"], true);
    }
    let page = scene.station.path("page.html");
    scene.station.command(&["audit", "--html", page.to_str().unwrap()]).expect_unsafe();
    let page = fs::read_to_string(page).unwrap();
    assert!(page.contains(words[0]) && page.contains("counterfoil drives add /"));
    scene.good.expect_bag_valid();
    scene.bad.expect_bag_valid();
    scene.station.command(&["drives", "add", scene.bad.path().to_str().unwrap()]).expect_safe();
    scene.station.mirror().expect_safe();
    let output = scene.station.command(&["audit", "--json"]).expect_safe();
    assert!(listed(&output).is_empty() && drive(&output, "red")["counts"] == true);
}

#[test]
fn of_two_that_contradict_each_other_both_are_named_and_both_give_all_their_mail_back() {
    for first in ["audit", "mirror"] {
        let scene = Scene::mirrored(3);
        scene.deliver(2);
        scene.station.mirror().expect_safe();
        rewrite_from(&scene.bad, 5);
        scene.forget();
        let words = ["contradict each other on what a line of a ledger is"];
        let output = scene.station.command(&[first]).expect_unsafe();
        expect_said(&output, &words);
        expect_said(&output, ADVICE);
        // Both still get mail.
        scene.deliver(1);
        scene.station.mirror().expect_unsafe().expect_counts(&[]);
        assert_eq!(scene.bad.lines_of("mirrored").len(), 6);
        assert_eq!(scene.good.lines_of("mirrored").len(), 6);
        let output = scene.station.restore().expect_unsafe();
        expect_said(&output, &words);
        expect_same(&scene.station.inbox(), &scene.station.restored());
        // It stays until somebody decides for one of them.
        let output = scene.station.command(&["status", "--json"]).expect_unsafe();
        assert_eq!(listed(&output).len(), 2, "{first}");
        let good = scene.good.path().to_str().unwrap().to_owned();
        scene.station.command(&["drives", "add", &good]).expect_safe();
        scene.station.mirror().expect_safe();
        let output = scene.station.command(&["audit", "--json"]).expect_safe();
        assert!(listed(&output).is_empty(), "{first}");
    }
}

/// Neither its statements nor its name do any harm.
#[test]
fn a_stick_that_lies_about_a_good_one_steers_no_terminal_and_stops_no_mail() {
    let scene = Scene::mirrored(3);
    let mut station = scene.station;
    let liar = station.drive("liar\u{1b}[2J");
    let lie = Digest::of(b"a lie");
    fs::create_dir_all(liar.bag().join("data")).unwrap();
    sh("cp", &[scene.good.ledger(), liar.ledger()]);
    fs::write(liar.home().join("drive.json"), r#"{"format":1,"id":"00000000000000ee","made":""}"#)
        .unwrap();
    let mut forger = crate::forger::Forger::after(&liar.ledger());
    for of in [scene.good.id(), scene.bad.id(), "00000000000000ff".to_owned()] {
        for line in [1, 2, 3] {
            forger = forger.line(&format!(
                "\"kind\":\"witness\",\"drive\":\"{of}\",\"line\":{line},\"line_hash\":\"{lie}\""
            ));
        }
    }
    forger.write();
    for number in 0..3 {
        station.deliver(format!("more-{number}.eml"), mail(&format!("more {number}")));
        let output = station.command(&["mirror", "--json"]).expect_harmless();
        for good in ["red", "blue"] {
            assert_eq!(drive(&output, good)["counts"], true, "{good}");
            assert_eq!(drive(&output, good)["copied"], 1, "{good}");
        }
    }
    station.use_only(&[&scene.bad, &scene.good]);
    station.restore();
    expect_same(&station.inbox(), &station.restored());
}
