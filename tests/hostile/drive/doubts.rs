//! A stick that claims that another stick's mail is gone, is damage, or went to a place that nobody restores.

use crate::command_output::CommandOutput;
use crate::forger::Forger;
use crate::scene::Scene;
use crate::station::tree;
use counterfoil::model::Digest;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;

/// The number of a change that no card reaches.
const FAR: u64 = 1_000_000;
const THEIRS: &[u8] = b"Message-ID: <9@example.org>\r\n\r\nmail of theirs\r\n";

/// What the bad stick claims about each message.
#[derive(Debug, Clone, Copy)]
enum Lie {
    /// Deleted, by a writer that the good one knows.
    DeletedByAKnownWriter,
    /// The same, by one that has read everything.
    DeletedByAnother,
    /// Another message took its place.
    Replaced,
    /// Moved to another mailbox, which nobody restores.
    MovedToAnotherMailbox,
    /// Moved to another path, where it looks like damage, next to good mail.
    MovedToWhereItIsDamage,
    /// Moved to the staging folder of a restore.
    MovedToStaging,
    /// It looks like damage at its path, and good mail replaces it.
    Damage,
}

const LIES: [Lie; 7] = [
    Lie::DeletedByAKnownWriter,
    Lie::DeletedByAnother,
    Lie::Replaced,
    Lie::MovedToAnotherMailbox,
    Lie::MovedToWhereItIsDamage,
    Lie::MovedToStaging,
    Lie::Damage,
];

fn identity(line: &Value) -> String {
    format!("\"sha256\":{},\"bytes\":{}", line["sha256"], line["bytes"])
}

fn location(mailbox: &Value, path: &Value) -> String {
    format!("\"mailbox\":{mailbox},\"path\":{path}")
}

const TIMES: &str = "\"modified\":\"2003-07-01T08:52:37Z\",\"mode\":\"0600\",\"first_seen\":\"2003-07-01T08:52:37Z\"";

/// Writes to the bad stick that all its mail is gone in this way.
fn lie(scene: &Scene, how: Lie) {
    let mail = scene.bad.lines_of("mirrored");
    let known = mail[0]["as_of"].as_str().unwrap()[..16].to_owned();
    let payloads = mail.len();
    let writer = match how {
        Lie::DeletedByAKnownWriter => known.clone(),
        _ => "f0f0f0f0f0f0f0f0".to_owned(),
    };
    let mut forger = Forger::after(&scene.bad.ledger());
    if writer != known {
        forger = forger.line(&format!(
            "\"kind\":\"writer\",\"writer\":\"{writer}\",\"links\":[\"{known}:{FAR}\"]"
        ));
    }
    for ((n, number), line) in (FAR..).zip(payloads as u64 + 1..).zip(&mail) {
        let as_of = format!("\"as_of\":\"{writer}:{n}\"");
        let (mailbox, path) = (&line["mailbox"], &line["path"]);
        let (here, what) = (location(mailbox, path), identity(line));
        let payload = format!("data/0001/{number:08}.EML");
        let digest = Digest::of(THEIRS);
        let theirs = format!("\"sha256\":\"{digest}\",\"bytes\":{}", THEIRS.len());
        let put = |forger: Forger, at: &str| {
            fs::write(scene.bad.bag().join(&payload), THEIRS).unwrap();
            forger.line(&format!(
                "\"kind\":\"mirrored\",\"payload\":\"{payload}\",{theirs},{at},{TIMES},{as_of}"
            ))
        };
        let gone = |why: &str, to: &str| {
            format!("\"kind\":\"removed\",{what},{here}{to},{as_of},\"why\":\"{why}\",\"gaps\":0")
        };
        let to = |mailbox: &str, path: &str| {
            format!(",\"to_mailbox\":\"{mailbox}\",\"to_path\":\"{path}\"")
        };
        let placed = |at: &str, suspect: &str| {
            format!("\"kind\":\"placed\",{what},{at},{TIMES}{suspect},{as_of}")
        };
        let damage = ",\"suspect\":\"nul-filled\"";
        forger = match how {
            Lie::DeletedByAKnownWriter | Lie::DeletedByAnother => forger.line(&gone("deleted", "")),
            Lie::Replaced => {
                let heir = format!(",\"to_sha256\":\"{digest}\",\"to_bytes\":{}", THEIRS.len());
                let to = to(mailbox.as_str().unwrap(), path.as_str().unwrap()) + &heir;
                put(forger, &here).line(&gone("replaced", &to))
            }
            Lie::MovedToAnotherMailbox => {
                let path = path.as_str().unwrap();
                let there = format!("\"mailbox\":\"elsewhere\",\"path\":\"{path}\"");
                forger.line(&placed(&there, "")).line(&gone("moved", &to("elsewhere", path)))
            }
            Lie::MovedToWhereItIsDamage => {
                let mailbox = mailbox.as_str().unwrap();
                let there = format!("\"mailbox\":\"{mailbox}\",\"path\":\"done/{n}\"");
                put(forger, &there)
                    .line(&placed(&there, damage))
                    .line(&gone("moved", &to(mailbox, &format!("done/{n}"))))
            }
            Lie::MovedToStaging => {
                let (mailbox, there) =
                    (mailbox.as_str().unwrap(), format!(".counterfoil-restore/{n}"));
                let at = format!("\"mailbox\":\"{mailbox}\",\"path\":\"{there}\"");
                forger.line(&placed(&at, "")).line(&gone("moved", &to(mailbox, &there)))
            }
            Lie::Damage => put(forger, &here).line(&placed(&here, damage)),
        };
    }
    forger.write();
}

/// Every message of the mailbox is somewhere in the restored folder.
fn expect_all_back(scene: &Scene, output: &CommandOutput, how: Lie) {
    let back: BTreeSet<Vec<u8>> =
        tree(&scene.station.restored()).into_values().map(|what| what.0).collect();
    for (name, what) in tree(&scene.station.inbox()) {
        let name = String::from_utf8_lossy(&name).into_owned();
        assert!(back.contains(&what.0), "{how:?}: {name} is not back\n{}", output.warnings());
    }
}

#[test]
fn what_one_stick_says_is_gone_comes_back_from_the_other() {
    for how in LIES {
        // First the card, then another one without any state.
        for knows in [true, false] {
            let scene = Scene::mirrored(3);
            lie(&scene, how);
            if !knows {
                scene.forget();
            }
            let output = scene.station.restore();
            expect_all_back(&scene, &output, how);
            let in_doubt = output.json()["in_doubt"].as_array().unwrap().clone();
            let said = in_doubt.iter().map(|said| said["messages"].as_u64().unwrap()).sum::<u64>();
            let expected = if matches!(how, Lie::Damage | Lie::MovedToStaging) { 0 } else { 3 };
            assert_eq!(said, expected, "{how:?}: {in_doubt:?}");
            // The card that has the mail makes all of it safe on both again, by one pass.
            scene.station.mirror().expect_counts(&[("messages.unmirrored", 0)]);
            fs::remove_dir_all(scene.station.restored()).unwrap();
            let output = scene.station.restore();
            expect_all_back(&scene, &output, how);
            scene.expect_outside_untouched(&output);
        }
    }
}

/// The good stick has lost its ledger: nothing on it says that its copies are somebody's mail. The other stick's
/// statements about them hide none, not even where its own copies of them are hollow.
#[test]
fn copies_of_a_stick_without_a_ledger_come_back_whatever_another_says_of_them() {
    for how in LIES {
        let scene = Scene::mirrored(3);
        lie(&scene, how);
        for payload in scene.bad.payloads().iter().take(3) {
            fs::write(scene.bad.bag().join(payload), b"").unwrap();
        }
        fs::remove_file(scene.good.ledger()).unwrap();
        scene.forget();
        expect_all_back(&scene, &scene.station.restore(), how);
    }
}

/// The same after a card that knew no mail has recorded its copies as left by a power failure: whoever asks for these
/// gets them.
#[test]
fn copies_taken_for_debris_come_back_whatever_another_says_of_them() {
    for how in LIES {
        let mut scene = Scene::mirrored(3);
        lie(&scene, how);
        for payload in scene.bad.payloads().iter().take(3) {
            fs::write(scene.bad.bag().join(payload), b"").unwrap();
        }
        fs::remove_file(scene.good.ledger()).unwrap();
        fs::remove_file(scene.good.manifest()).unwrap();
        scene.forget();
        let (inbox, aside) = (scene.station.inbox(), scene.station.path("aside"));
        fs::rename(&inbox, &aside).unwrap();
        fs::create_dir(&inbox).unwrap();
        scene.station.use_only(&[&scene.good]);
        scene.station.mirror();
        assert_eq!(scene.good.lines_of("debris").len(), 3, "{how:?}");
        fs::remove_dir(&inbox).unwrap();
        fs::rename(&aside, &inbox).unwrap();
        scene.station.use_only(&[&scene.good, &scene.bad]);
        let target = scene.station.restored();
        let output =
            scene.station.restore_with(&["--with-doubtful", "--into", target.to_str().unwrap()]);
        expect_all_back(&scene, &output, how);
    }
}

/// Every name that a restore would choose is already given to something else, by the bad stick.
#[test]
fn names_that_a_stick_has_taken_keep_no_mail_of_another_out() {
    let scene = Scene::mirrored(3);
    let mail = scene.bad.lines_of("mirrored");
    let writer = mail[0]["as_of"].as_str().unwrap()[..16].to_owned();
    let mut forger = Forger::after(&scene.bad.ledger());
    let names = mail.iter().flat_map(|line| {
        let path = line["path"].as_str().unwrap();
        let mark = &line["sha256"].as_str().unwrap()[..8];
        [path.to_owned(), format!("{path}.counterfoil-{mark}")]
    });
    for (number, path) in (mail.len() + 1..).zip(names) {
        let bytes = [THEIRS, path.as_bytes()].concat();
        let payload = format!("data/0001/{number:08}.EML");
        fs::write(scene.bad.bag().join(&payload), &bytes).unwrap();
        forger = forger.line(&format!(
            "\"kind\":\"mirrored\",\"payload\":\"{payload}\",\"sha256\":\"{}\",\"bytes\":{},\
             \"mailbox\":\"inbox\",\"path\":\"{path}\",{TIMES},\"as_of\":\"{writer}:{}\"",
            Digest::of(&bytes),
            bytes.len(),
            FAR + number as u64,
        ));
    }
    forger.write();
    scene.forget();
    let output = scene.station.restore();
    expect_all_back(&scene, &output, Lie::Replaced);
}

/// For a mailbox that lost its mail, everything on the good stick is reported as lacking, whatever the other one
/// claims.
#[test]
fn what_one_stick_says_is_gone_is_lacking_all_the_same() {
    for how in [Lie::DeletedByAKnownWriter, Lie::DeletedByAnother, Lie::MovedToAnotherMailbox] {
        let scene = Scene::mirrored(3);
        lie(&scene, how);
        scene.forget();
        for name in tree(&scene.station.inbox()).into_keys() {
            fs::remove_file(scene.station.inbox().join(String::from_utf8(name).unwrap())).unwrap();
        }
        for command in [&["mirror", "--json"][..], &["audit", "--json"], &["audit", "--json"]] {
            let output = scene.station.command(command).expect_unsafe();
            let lacking = output.json()["lacking"].as_array().unwrap().clone();
            let blue = lacking.iter().find(|drive| drive["drive"] == "blue");
            assert_eq!(
                blue.map(|blue| &blue["messages"]),
                Some(&Value::from(3)),
                "{how:?} {}",
                output.json()
            );
        }
    }
}
