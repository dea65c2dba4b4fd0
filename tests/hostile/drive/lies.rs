//! Ledger lines that are correctly chained, and false: anybody who can read the program can write them. They may harm
//! the drive that contains them, and nothing else.

use crate::forger::Forger;
use crate::scene::{Scene, expect_without_secret};
use crate::station::mail;
use counterfoil::model::Digest;
use std::fs;

const DIGEST: &str = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08";
const TIMES: &str = "\"modified\":\"2003-07-01T08:52:37Z\",\"mode\":\"0644\",\"first_seen\":\"2003-07-01T08:52:37Z\"";

/// The writer of the lies.
const WRITER: &str = "00000000000000aa";

fn mirrored(payload: &str, digest: &str, bytes: &str, path: &str, writer: &str, n: &str) -> String {
    format!(
        "\"kind\":\"mirrored\",\"payload\":\"{payload}\",\"sha256\":\"{digest}\",\"bytes\":{bytes},\
         \"mailbox\":\"inbox\",\"path\":\"{path}\",{TIMES},\"as_of\":\"{writer}:{n}\""
    )
}

/// With the lie in place, nothing but this drive is harmed: for a card that knows the drive, and for a new one.
fn expect_no_harm(scene: &Scene) {
    for _ in ["a card that knows it", "a new card"] {
        scene.deliver(1);
        let output = scene.expect_good_drive_served(scene.station.mirror()).expect_harmless();
        drop(output);
        scene.station.audit().expect_safe().expect_harmless();
        scene.station.command(&["drives"]).expect_safe().expect_harmless();
        let verified = scene.station.verify().expect_harmless();
        scene.expect_outside_untouched(&verified);
        scene.expect_all_restored().expect_harmless();
        expect_without_secret(&scene.station.restored());
        scene.forget();
    }
}

/// Fault 57: numbers beyond every count, and values that are not numbers, in every numeric field.
#[test]
fn numbers_beyond_every_count_harm_no_other_drive() {
    let payload = "data/0001/00000077.EML";
    for odd in [
        "9223372036854775807",
        "9223372036854775808",
        "18446744073709551615",
        "99999999999999999999999",
        "-1",
        "1.5",
        "1e99",
        "\"7\"",
        "null",
        "[[[[]]]]",
    ] {
        let scene = Scene::mirrored(3);
        let mut forger = Forger::after(&scene.bad.ledger());
        let forged = [(odd, WRITER, "1"), ("4", odd, "1"), ("4", WRITER, odd)];
        // No writer has two beginnings, which would be detected.
        for (begins, (bytes, writer, n)) in (0xe0_u64..).zip(forged) {
            // Text within text.
            let (writer, n) = (writer.replace('"', ""), n.replace('"', ""));
            forger = forger.line(&mirrored(payload, DIGEST, bytes, "forged.eml", &writer, &n));
            forger = forger.line(&format!(
                "\"kind\":\"missing\",\"sha256\":\"{DIGEST}\",\"bytes\":{bytes},\"mailbox\":\"inbox\",\
                 \"path\":\"m000.eml\",{TIMES},\"as_of\":\"{writer}:{n}\""
            ));
            forger = forger.line(&format!(
                "\"kind\":\"removed\",\"sha256\":\"{DIGEST}\",\"bytes\":4,\"mailbox\":\"inbox\",\
                 \"path\":\"m000.eml\",\"as_of\":\"{writer}:{n}\",\"why\":\"deleted\",\"gaps\":{bytes}"
            ));
            forger = forger.line(&format!(
                "\"kind\":\"mark\",\"as_of\":\"{writer}:{n}\",\"mailboxes\":[\"inbox\"]"
            ));
            forger = forger.line(&format!(
                "\"kind\":\"writer\",\"writer\":\"{begins:016x}\",\"links\":[\"{writer}:{n}\"]"
            ));
        }
        forger = forger.line(&format!("\"kind\":\"opened\",\"program\":{odd}"));
        forger = forger.line(&format!(
            "\"kind\":\"verified\",\"checked\":{odd},\"damaged\":{odd},\"absent\":0"
        ));
        forger = forger.line(&format!(
            "\"kind\":\"recovered\",\"from\":{odd},\"to\":{odd},\"whole_lines\":{odd}"
        ));
        forger.write();
        expect_no_harm(&scene);
    }
}

/// Fault 57: the number of the line itself.
#[test]
fn line_numbers_without_end_use_up_that_drive_only() {
    for odd in [
        "9007199254740992",
        "9223372036854775807",
        "9223372036854775808",
        "18446744073709551615",
        "18446744073709551616",
        "-1",
        "2.0",
    ] {
        let scene = Scene::mirrored(3);
        let verified = "\"kind\":\"verified\",\"checked\":0,\"damaged\":0,\"absent\":0";
        Forger::after(&scene.bad.ledger()).numbered(odd, verified).write();
        expect_no_harm(&scene);
        // Everything recorded on it since is in lines that can be read again.
        scene.station.mirror();
        scene.bad.expect_acknowledged_intact();
    }
}

/// Payload numbers run out: the drive is reported as used up, and the other takes over.
#[test]
fn a_drive_whose_numbers_are_used_up_is_said_to_be() {
    let scene = Scene::mirrored(3);
    let line = mirrored("data/0001/99999999.EML", DIGEST, "4", "forged.eml", WRITER, "1");
    Forger::after(&scene.bad.ledger()).line(&line).write();
    scene.deliver(1);
    let output = scene.expect_good_drive_served(scene.station.mirror()).expect_safe();
    let output =
        output.expect_words(&["red: the numbers of this drive are used up: begin another drive"]);
    assert_eq!(output.drive("red")["state"], "full");
    scene.station.audit().expect_safe();
    expect_no_harm(&scene);
}

/// Fault 56: escaping paths, in every field that is a path.
#[test]
fn no_path_in_a_ledger_or_manifest_leads_out() {
    let outs = [
        "../../outside/secret",
        "/outside/secret",
        "..",
        ".",
        "",
        "a/../../b",
        "a//b",
        "a/",
        "/",
        "%2e%2e/outside/secret",
        "a%00b",
        "a%2Fb/../../c",
        "%",
        "%zz",
    ];
    let kept = [
        "C:%5Cwindows%5Csecret",
        "C:\\\\secret",
        "%5C%5Cserver%5Cshare",
        "\\\\\\\\server\\\\share",
        "a:b",
        "-rf",
        "~",
        "$HOME",
        "`id`",
    ];
    let scene = Scene::mirrored(3);
    let content = mail("traffic 0");
    let (digest, bytes) = (Digest::of(content.as_bytes()).to_string(), content.len().to_string());
    let copy = "data/0001/00000001.EML";
    let mut forger = Forger::after(&scene.bad.ledger());
    for (tick, path) in outs.iter().chain(&kept).enumerate() {
        forger = forger.line(&mirrored(copy, &digest, &bytes, path, WRITER, &tick.to_string()));
        let place =
            format!("\"sha256\":\"{digest}\",\"bytes\":{bytes},\"path\":\"p{tick}\",{TIMES}");
        forger = forger.line(&format!(
            "\"kind\":\"placed\",\"mailbox\":\"{path}\",{place},\"as_of\":\"{WRITER}:1\""
        ));
        forger = forger
            .line(&format!("\"kind\":\"mailbox\",\"mailbox\":\"{path}\",\"root\":\"{path}\""));
        let payload = mirrored(path, &digest, &bytes, "stolen.eml", WRITER, "1");
        forger = forger.line(&payload);
    }
    forger.write();
    let mut manifest = fs::read_to_string(scene.bad.manifest()).unwrap();
    for path in outs.iter().chain(&kept) {
        manifest += &format!("{digest}  {path}\n");
    }
    fs::write(scene.bad.manifest(), manifest).unwrap();
    expect_no_harm(&scene);
    let around: Vec<_> =
        fs::read_dir(scene.station.path("")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(around.len(), 5, "nothing was made next to the target: {around:?}");
}

/// Fault 56: the mailbox's old location, as the drive claims, without `--into`.
#[test]
fn a_root_that_leads_elsewhere_is_not_believed() {
    for root in [
        "/etc/cron.d",
        "../up",
        "/home/../etc",
        "C:%5Cmail",
        "%5C%5Cserver%5Cmail",
        "/root/.ssh",
        "/",
    ] {
        let scene = Scene::mirrored(1);
        Forger::after(&scene.bad.ledger())
            .line(&format!("\"kind\":\"mailbox\",\"mailbox\":\"inbox\",\"root\":\"{root}\""))
            .write();
        let output = scene.station.run(&["restore", "--drive", scene.bad.path().to_str().unwrap()]);
        output.expect_refused().expect_words(&["--into DIR"]).expect_harmless();
    }
}

/// Our own staging folder is not a location for a message: whatever a line puts there is nowhere.
#[test]
fn a_path_within_the_staging_folder_holds_up_no_restore() {
    let scene = Scene::mirrored(3);
    let content = mail("traffic 0");
    let (digest, bytes) = (Digest::of(content.as_bytes()).to_string(), content.len().to_string());
    let mut forger = Forger::after(&scene.bad.ledger());
    for number in 1..9 {
        let path = format!(".counterfoil-restore/{number:08}");
        let line = mirrored("data/0001/00000001.EML", &digest, &bytes, &path, WRITER, "9");
        forger = forger.line(&line);
    }
    forger.write();
    scene.expect_all_restored().expect_safe();
    assert!(!scene.station.restored().join(".counterfoil-restore").exists());
}

/// Fault 63: a line that gives a digest a false length. That line is wrong, not the message.
#[test]
fn a_false_length_of_a_message_to_come_does_not_keep_it_from_being_copied() {
    let scene = Scene::mirrored(1);
    let to_come = mail("traffic 1");
    let digest = Digest::of(to_come.as_bytes()).to_string();
    let line = mirrored("data/0001/00000077.EML", &digest, "5", "m001.eml", WRITER, "9");
    Forger::after(&scene.bad.ledger()).line(&line).write();
    scene.station.audit();
    scene.station.mirror();
    expect_no_harm(&scene);
}

/// A message so long that the card has no room for it, while the drive stores nothing of it.
#[test]
fn a_message_longer_than_the_card_holds_up_no_restore() {
    let scene = Scene::mirrored(3);
    let copy = scene.bad.bag().join("data/0001/00000077.EML");
    let long = fs::File::create(&copy).unwrap();
    long.set_len(20 << 30).unwrap();
    let small = crate::station::Mounted::small(&scene.station.path("small"), "size=8m");
    let line =
        mirrored("data/0001/00000077.EML", DIGEST, "21474836480", "aaa-first.eml", WRITER, "9");
    Forger::after(&scene.bad.ledger()).line(&line).write();
    let into = small.path().join("back");
    let output = scene.station.restore_with(&["--into", into.to_str().unwrap()]).expect_unsafe();
    output.expect_counts(&[("restored", 3)]).expect_words(&["aaa-first.eml", "No space left"]);
    crate::station::expect_same(&scene.station.inbox(), &into);
}
