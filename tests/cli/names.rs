//! Names of messages: any bytes that a card's file system takes come back exactly, and none of them
//! reaches a terminal or breaks a line of the ledger.

use crate::station::{Station, expect_same, mail};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;

fn longest() -> Vec<u8> {
    let mut name = vec![b'n'; 251];
    name.extend_from_slice(b".eml");
    name
}

/// Names that some other system, or a careless program, would not bring back.
fn odd_names() -> Vec<Vec<u8>> {
    let names: [&[u8]; 28] = [
        b"not-utf-8-\xff\xfe.eml",
        b"latin-\xe9.eml",
        b"new\nline.eml",
        b"\n",
        b"carriage\rreturn.eml",
        b"tab\there.eml",
        b"CON",
        b"con.eml",
        b"LPT1.txt",
        b"trailing.",
        b"trailing ",
        b" leading",
        b"same.eml",
        b"SAME.eml",
        b"Same.eml",
        b"colon:2,S",
        b"question?.eml",
        b"star*.eml",
        b"back\\slash.eml",
        b"quote\"s.eml",
        b"100%.eml",
        b"%41.eml",
        b"%",
        b"-rf",
        b"--into",
        b"\x1b[2J\x1b]0;title\x07.eml",
        b"\x7f\x08.eml",
        "turned\u{202e}lme.eml".as_bytes(),
    ];
    let mut names: Vec<_> = names.iter().map(|name| name.to_vec()).collect();
    // The same letters to the eye: composed and not.
    names.push("caf\u{e9}.eml".into());
    names.push("cafe\u{301}.eml".into());
    names.push(longest());
    names
}

fn deliver_odd(station: &Station) -> u64 {
    let names = odd_names();
    for (number, name) in names.iter().enumerate() {
        station.deliver(OsStr::from_bytes(name), mail(&format!("traffic {number}")));
        let mut nested = b"sub:\xff\n".to_vec();
        nested.push(b'/');
        nested.extend_from_slice(name);
        station.deliver(OsStr::from_bytes(&nested), mail(&format!("traffic sub {number}")));
    }
    names.len() as u64 * 2
}

/// Faults 30 and 31: names that collide or are illegal on a stick's file system. On the drive are only
/// names of our own making; the mailbox gets the original ones back.
#[test]
fn every_name_comes_back_exactly() {
    let (station, red) = Station::with_drive();
    let count = deliver_odd(&station);
    station.mirror().expect_safe().expect_counts(&[("copied", count), ("failed", 0)]);
    for payload in red.payloads() {
        let plain = payload.strip_prefix("data/0001/").unwrap();
        let fits = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'.';
        assert!(plain.bytes().all(fits) && plain.len() <= 12, "{payload}");
    }
    red.expect_bag_valid();
    assert_eq!(red.lines_of("mirrored").len() as u64, count, "one line of the ledger each");
    station.audit().expect_safe();
    station.restore().expect_safe().expect_counts(&[("restored", count)]);
    expect_same(&station.inbox(), &station.restored());
    station.mirror().expect_safe().expect_counts(&[("copied", 0), ("already", count)]);
}

/// Fault 60: names and headers that would steer a terminal.
#[test]
fn nothing_said_to_a_terminal_can_steer_it() {
    let (station, red) = Station::with_drive();
    deliver_odd(&station);
    let evil = "From: \u{1b}[31mQ0 <q0@example.org>\r\nSubject: =?utf-8?Q?=1B]0;owned=07=C2=9B2J?=\r\n\
                To: \u{202e}q1@example.org\r\n\r\n\u{1b}c";
    station.deliver("\u{1b}[1Aevil.eml", evil);
    std::os::unix::fs::symlink("x", station.inbox().join("link\u{1b}[2J\n")).unwrap();
    station.command(&["audit"]).expect_unsafe().expect_harmless();
    station.command(&["status"]).expect_unsafe().expect_harmless();
    station.command(&["mirror"]).expect_unsafe().expect_harmless();
    for payload in red.payloads() {
        red.rot(&red.bag().join(payload));
    }
    station.command(&["verify"]).expect_unsafe().expect_harmless();
    let into = station.restored();
    let output = station.command(&["restore", "--into", into.to_str().unwrap()]);
    output.expect_unsafe().expect_harmless();
    station.command(&["drives"]).expect_safe().expect_harmless();
    // In JSON they are escaped as JSON escapes them; the header's text is there, made harmless.
    station.audit().expect_unsafe().expect_harmless().json();
    let manifest = std::fs::read(red.manifest()).unwrap();
    let ledger = std::fs::read(red.ledger()).unwrap();
    let plain = |bytes: &[u8]| bytes.iter().all(|b| *b >= 0x20 && *b != 0x7f || *b == b'\n');
    assert!(plain(&manifest) && plain(&ledger), "not even on the drive itself");
}

/// A drive's mount point is named by a desktop after the stick's label: whoever labelled it.
#[test]
fn a_drives_own_name_cannot_steer_a_terminal() {
    let mut station = Station::new();
    station.deliver("0001.eml", mail("water level"));
    station.drive("\u{1b}[2Jred\n");
    station.command(&["mirror"]).expect_safe().expect_harmless();
    station.command(&["verify"]).expect_safe().expect_harmless();
    station.command(&["status"]).expect_safe().expect_harmless();
    station.command(&["drives"]).expect_safe().expect_harmless();
    station.command(&["drives", "--json"]).expect_safe().expect_harmless().json();
    std::fs::remove_dir_all(station.path("media/\u{1b}[2Jred\n")).unwrap();
    station.command(&["mirror"]).expect_failed().expect_harmless();
    station.command(&["config", "check"]).expect_refused().expect_harmless();
}

#[test]
fn a_path_that_is_not_utf_8_is_given_exactly_beside_its_text() {
    let station = Station::new();
    station.deliver(OsStr::from_bytes(b"a\xff.eml"), mail("water level"));
    station.deliver("plain.eml", mail("bridge closed"));
    let json = station.audit().expect_unsafe().json();
    let odd = json["unmirrored"].as_array().unwrap().iter().find(|m| m.get("path_hex").is_some());
    let odd = odd.unwrap();
    assert_eq!(odd["path"], "a\\xff.eml");
    assert_eq!(odd["path_hex"], "61ff2e656d6c");
    assert_eq!(json["unmirrored"].as_array().unwrap().len(), 2);
}

#[test]
fn a_name_of_full_length_that_is_taken_is_still_put_beside() {
    let (station, _red) = Station::with_drive();
    let name = longest();
    station.deliver(OsStr::from_bytes(&name), mail("water level"));
    station.mirror().expect_safe();
    std::fs::write(station.inbox().join(OsStr::from_bytes(&name)), "another").unwrap();
    station.restore_with(&[]).expect_safe().expect_counts(&[("restored", 1), ("kept_both", 1)]);
    assert_eq!(std::fs::read_dir(station.inbox()).unwrap().count(), 2);
}

#[test]
fn a_path_as_deep_as_the_system_allows_is_copied_and_comes_back() {
    let (station, red) = Station::with_drive();
    let deep = format!("{}m.eml", "folder/".repeat(120));
    station.deliver(&deep, mail("water level"));
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
    assert_eq!(red.lines_of("mirrored")[0]["path"], deep.as_str());
    station.restore().expect_safe();
    expect_same(&station.inbox(), &station.restored());
}

/// What JSON and text say of a name that is not UTF-8 tells it from every other, and every command that takes a path
/// takes it as it was shown, or as it is.
#[test]
fn a_name_that_is_not_utf_8_can_be_given_as_it_is_shown() {
    let names: [(&[u8], &str); 6] = [
        (b"\xff\xfe.eml", "\\xff\\xfe.eml"),
        (b"\xfe\xff.eml", "\\xfe\\xff.eml"),
        (b"\\xff\\xfe.eml", "\\\\xff\\\\xfe.eml"),
        (b"back\\slash.eml", "back\\\\slash.eml"),
        (b"two\nlines.eml", "two\nlines.eml"),
        (b"plain.eml", "plain.eml"),
    ];
    let named = |text: &str| format!("inbox/{text}");
    let (station, red) = Station::with_drive();
    station.deliver("kept.eml", mail("kept"));
    let deliver = |text: &str| {
        for (raw, _) in &names {
            let at = station.inbox().join(OsStr::from_bytes(raw));
            let id = raw.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
            let text = format!("Message-ID: <{id}@example.org>\r\n{}", mail(text));
            std::fs::write(at, text).unwrap();
        }
    };
    deliver("first");
    station.mirror().expect_safe();
    deliver("second and longer");
    station.mirror().expect_safe();
    for (raw, shown) in names {
        let output = station.restore_with(&[
            "--into",
            station.path("other").to_str().unwrap(),
            "--versions",
            &named(shown),
        ]);
        let output = output.expect_safe();
        assert_eq!(output.json()["versions_told"], true, "{shown}");
        let old = std::fs::read_dir(station.path("other")).unwrap().count();
        assert_eq!(old, 8, "{shown}: all, and the one older version");
        std::fs::remove_dir_all(station.path("other")).unwrap();
        std::fs::write(station.inbox().join(OsStr::from_bytes(raw)), "").unwrap();
    }
    station.mirror().expect_verdict("damaged-or-missing");
    let audit = station.audit().json();
    let suspect = audit["suspect"].as_array().unwrap();
    let output: Vec<_> = suspect.iter().map(|message| message["path"].as_str().unwrap()).collect();
    let mut wanted = names.map(|(_, shown)| shown);
    wanted.sort_unstable();
    assert_eq!(
        {
            let mut output = output;
            output.sort_unstable();
            output
        },
        wanted
    );
    for (_, shown) in names {
        let repaired = station.command(&["restore", "--json", "--repair", &named(shown)]);
        assert_eq!(repaired.expect_safe().json()["path"], shown);
    }
    for (raw, _) in names {
        let beside = walkdir::WalkDir::new(station.inbox()).into_iter().map(Result::unwrap);
        beside
            .filter(|entry| entry.file_name().as_bytes().windows(12).any(|w| w == b".counterfoil"))
            .for_each(|entry| std::fs::remove_file(entry.path()).unwrap());
        std::fs::remove_file(station.inbox().join(OsStr::from_bytes(raw))).unwrap();
    }
    station.mirror().expect_counts(&[("messages.vanished", 6)]);
    for (left, (_, shown)) in (0..6).rev().zip(names) {
        station.command(&["acknowledge", &named(shown)]).expect_safe();
        station.mirror().expect_counts(&[("messages.vanished", left)]);
    }
    station.mirror().expect_verdict("safe");
    red.expect_bag_valid();
}

/// As it is, too.
#[test]
fn a_name_that_is_not_utf_8_can_be_given_as_it_is() {
    let (station, _red) = Station::with_drive();
    station.deliver("kept.eml", mail("kept"));
    let raw = station.inbox().join(OsStr::from_bytes(b"\xff.eml"));
    std::fs::write(&raw, mail("as it is")).unwrap();
    station.mirror().expect_verdict("safe");
    std::fs::remove_file(&raw).unwrap();
    station.mirror().expect_verdict("damaged-or-missing");
    let mut words = station.arguments(&["acknowledge"]);
    words.push(OsStr::from_bytes(b"inbox/\xff.eml").to_owned());
    station.run(&words).expect_safe();
    station.mirror().expect_verdict("safe");
}
