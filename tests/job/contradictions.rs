//! Sticks that contradict what this card remembers, or another stick: what is found, which stick counts, and that mail
//! still goes on. Next to each forgery is the honest history that resembles it.

use crate::card::{Card, drive_ref, mail};
use crate::medium::{count, expect_same, restored, snapshot, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::Access;
use counterfoil::job::catalogue::{Contradicting, Contradiction};
use counterfoil::job::replica;
use counterfoil::job::restore::open_sources;
use counterfoil::job::sync_drive::inspect_drives;
use counterfoil::model::{Clock as _, Digest, DriveLoss};

pub(crate) const LEDGER: &str = "counterfoil/pier-4/ledger.jsonl";
const HASH: &str = ",\"hash\":\"";

/// The lines of a ledger without their hashes.
pub(crate) fn lines(drive: &MemoryDrive) -> Vec<String> {
    let text = String::from_utf8(drive.file(LEDGER).unwrap()).unwrap();
    text.lines().map(|line| line[..line.rfind(HASH).unwrap()].to_owned()).collect()
}

/// Writes the lines correctly chained, whatever they say.
pub(crate) fn write(drive: &MemoryDrive, lines: &[String]) {
    let mut head = "0".repeat(64);
    let mut text = String::new();
    for line in lines {
        head = Digest::of(format!("{head}{line}").as_bytes()).to_string();
        text.push_str(&format!("{line}{HASH}{head}\"}}\n"));
    }
    drive.put(LEDGER, text.as_bytes());
}

/// Numbers lines from one number on.
pub(crate) fn renumber(lines: &mut [String], from: u64) {
    for (number, line) in (from..).zip(lines) {
        let at = line.find(",\"boot\"").unwrap();
        line.replace_range(..at, &format!("{{\"v\":1,\"seq\":{number}"));
    }
}

/// Changes every line from one on, by as little as the boot that it names.
pub(crate) fn rewrite_from(drive: &MemoryDrive, number: usize) {
    let mut all = lines(drive);
    for line in &mut all[number - 1..] {
        *line = line.replacen("\"boot\":\"", "\"boot\":\"x", 1);
    }
    write(drive, &all);
}

/// The number of a line given without its hash.
pub(crate) fn number_of(line: &str) -> u64 {
    let line: serde_json::Value = serde_json::from_str(&format!("{line}}}")).unwrap();
    line["seq"].as_u64().unwrap()
}

/// The number of the last line.
pub(crate) fn last_number(drive: &MemoryDrive) -> u64 {
    lines(drive).last().map_or(0, |line| number_of(line))
}

/// Appends one line with these fields.
pub(crate) fn append(drive: &MemoryDrive, fields: &str) {
    let mut all = lines(drive);
    all.push(format!(
        "{{\"v\":1,\"seq\":{},\"boot\":\"b\",\"time\":\"2026-01-01T00:00:00Z\",\"clock\":\"unsure\",{fields}",
        last_number(drive) + 1
    ));
    write(drive, &all);
}

fn witness(of: &str, line: u64) -> String {
    let hash = Digest::of(b"a lie");
    format!("\"kind\":\"witness\",\"drive\":\"{of}\",\"line\":{line},\"line_hash\":\"{hash}\"")
}

pub(crate) fn stick(serial: &str) -> MemoryDrive {
    let drive = MemoryDrive::default();
    drive.set_serial(serial);
    drive
}

pub(crate) fn id(drive: &MemoryDrive) -> String {
    let volume = drive_ref(drive, "any").volume_source.open(Access::Read).unwrap();
    replica::drive_id(&*volume).unwrap().unwrap().to_string()
}

/// A card with mail, on two sticks that have recorded each other.
pub(crate) fn two() -> (Card, MemoryDrive, MemoryDrive) {
    let card = Card::new();
    let (red, blue) = (stick("s-red"), stick("s-blue"));
    for number in 0..4 {
        deliver(&card, number);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    }
    (card, red, blue)
}

pub(crate) fn deliver(card: &Card, number: usize) {
    card.deliver(&format!("inbox/{number}"), &mail(&format!("message {number}")));
}

pub(crate) fn mirror(card: &Card, drives: &[(&MemoryDrive, &str)]) {
    card.scan(0);
    for (drive, label) in drives {
        card.copy(drive, label).outcome.unwrap();
    }
}

pub(crate) fn inspect(card: &Card, drives: &[(&MemoryDrive, &str)]) {
    let drives: Vec<_> = drives.iter().map(|(drive, label)| drive_ref(drive, label)).collect();
    for inspected in
        inspect_drives(&card.catalogue, &crate::card::station(), &drives, &card.clock).unwrap()
    {
        inspected.drive.unwrap();
    }
}

pub(crate) fn found(card: &Card) -> Vec<Contradiction> {
    card.catalogue.contradictions().unwrap()
}

/// Which stick contradicts which, about what, and whether its copies still count.
fn summaries(found: &[Contradiction]) -> Vec<(&str, Option<&str>, Contradicting, bool)> {
    found
        .iter()
        .map(|c| {
            let other = c.other.as_ref().map(|other| other.label.as_str());
            (c.drive.label.as_str(), other, c.what, !c.disqualified)
        })
        .collect()
}

pub(crate) fn counts(card: &Card, label: &str) -> bool {
    let drives = card.catalogue.drives().unwrap();
    drives.iter().find(|drive| drive.label == label).unwrap().counts
}

fn add(card: &Card, drive: &MemoryDrive, label: &str) {
    let volume = drive_ref(drive, label).volume_source.open(Access::Write).unwrap();
    let added =
        replica::add(&card.catalogue, &*volume, label, label.as_bytes(), &card.clock).unwrap();
    card.catalogue.restore_trust(added.row, card.clock.event_time().time).unwrap();
}

/// All of the card's mail comes back from both sticks, and nothing is missing.
pub(crate) fn expect_all_back(card: &Card, drives: &[&MemoryDrive]) {
    expect_same(&whole(drives, false), &card.messages(), "from both");
}

#[test]
fn a_stick_rewritten_from_any_line_on_counts_for_nothing_and_gets_its_mail_all_the_same() {
    for line in [1, 3, 8] {
        let (card, red, blue) = two();
        let mut true_red = snapshot(&red);
        rewrite_from(&red, line);
        deliver(&card, 10);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        assert_eq!(summaries(&found(&card)), [("RED", None, Contradicting::Line, false)], "{line}");
        assert!(!counts(&card, "RED") && counts(&card, "BLUE"));
        // None of the stick's copies are withheld.
        expect_same(&whole(&[&red], false), &card.messages(), "the rewritten one");
        expect_all_back(&card, &[&red, &blue]);
        // Its statements are not recorded on others as if they were true.
        let witnesses = count(&blue, "witness");
        deliver(&card, 11);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        assert_eq!(count(&blue, "witness"), witnesses);
        // The true ledger comes back, and counts; then the false one again.
        let rewritten = snapshot(&red);
        for is_true in [true, false, true] {
            let state = if is_true { &true_red } else { &rewritten };
            state.iter().for_each(|(path, bytes)| red.put(path, bytes));
            card.clock.reboot();
            mirror(&card, &[(&red, "RED")]);
            let counts = (counts(&card, "RED"), found(&card).is_empty());
            assert_eq!(counts, (is_true, is_true), "{line}");
            if is_true {
                true_red = snapshot(&red);
            }
        }
    }
}

/// Also cut off, so that by its length it could be an older state.
#[test]
fn a_stick_that_is_rewritten_and_cut_off_is_found_by_what_this_card_told_others() {
    let (card, red, blue) = two();
    let number = place_of(&red, recorded_line_of(&blue, &red));
    deliver(&card, 10);
    mirror(&card, &[(&red, "RED")]);
    let mut all = lines(&red);
    rewrite_from(&red, number);
    all = lines(&red)[..all.len() - 1].to_vec();
    write(&red, &all);
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    assert_eq!(summaries(&found(&card)), [("RED", None, Contradicting::Line, false)]);
    expect_all_back(&card, &[&red, &blue]);
}

#[test]
fn its_operator_ends_what_a_stick_is_accused_of() {
    let (card, red, blue) = two();
    rewrite_from(&red, 3);
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    assert!(!counts(&card, "RED"));
    add(&card, &red, "RED");
    deliver(&card, 10);
    for _ in 0..2 {
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        card.clock.reboot();
        assert_eq!(found(&card), []);
        assert!(counts(&card, "RED") && counts(&card, "BLUE"));
    }
    // Once more, and the stick is given up.
    rewrite_from(&red, 3);
    mirror(&card, &[(&red, "RED")]);
    assert!(!counts(&card, "RED"));
    let row = card.catalogue.drive(id(&red).parse().unwrap()).unwrap().unwrap().row;
    card.catalogue.forget_drive(row, DriveLoss::Lost, None, card.clock.event_time().time).unwrap();
    assert_eq!(found(&card), []);
    add(&card, &red, "RED");
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    assert_eq!(found(&card), []);
}

/// As after a mere audit, which stores nothing.
#[test]
fn its_operator_ends_it_before_this_card_has_kept_what_it_is_accused_of() {
    let (card, red, blue) = two();
    rewrite_from(&red, 3);
    card.clock.reboot();
    add(&card, &red, "RED");
    for number in 10..13 {
        deliver(&card, number);
        mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
        card.clock.reboot();
        inspect(&card, &[(&blue, "BLUE"), (&red, "RED")]);
        assert_eq!(found(&card), [], "pass {number}");
        assert!(counts(&card, "RED") && counts(&card, "BLUE"));
    }
}

#[test]
fn a_rewritten_stick_is_found_by_another_ones_witness_alone_where_the_card_knows_nothing() {
    for before in [0, 3, usize::MAX] {
        let (card, red, blue) = two();
        let last = place_of(&red, recorded_line_of(&blue, &red));
        let line = last.saturating_sub(before).max(1);
        rewrite_from(&red, line);
        let both = [(&red, "RED"), (&blue, "BLUE")];
        for order in [both, [both[1], both[0]]] {
            let spare = Card::new();
            inspect(&spare, &order);
            let found = found(&spare);
            let mut summaries = summaries(&found);
            summaries.sort_unstable_by_key(|found| found.0);
            let about = Contradicting::Line;
            assert_eq!(
                summaries,
                [("BLUE", Some("RED"), about, false), ("RED", Some("BLUE"), about, false)],
                "from {line}"
            );
            assert!(!counts(&spare, "RED") && !counts(&spare, "BLUE"), "nobody can tell");
        }
        // All mail of both comes back, and the contradiction is reported.
        expect_all_back(&card, &[&red, &blue]);
        let drives = both.map(|(drive, label)| drive_ref(drive, label));
        let sources = open_sources(&drives, &crate::card::station(), &card.clock).unwrap();
        let all = sources.contradictions().unwrap();
        assert_eq!(all.len(), 2, "from {line}");
        assert!(all.iter().any(|found| found.drive.id.to_string() == id(&red)));
    }
    // A stick that only continues after what is recorded about it contradicts nobody.
    let (_, red, blue) = two();
    append(&red, "\"kind\":\"opened\",\"program\":\"x\"");
    let spare = Card::new();
    inspect(&spare, &[(&red, "RED"), (&blue, "BLUE")]);
    assert_eq!(found(&spare), []);
}

/// The index of the ledger line with this number, from 1 on.
fn place_of(drive: &MemoryDrive, number: u64) -> usize {
    lines(drive).iter().position(|line| number_of(line) == number).unwrap() + 1
}

/// The last line of one ledger that another has recorded.
pub(crate) fn recorded_line_of(by: &MemoryDrive, of: &MemoryDrive) -> u64 {
    let id = id(of);
    let lines = lines(by);
    let last =
        lines.iter().rev().find(|line| line.contains(&format!("\"drive\":\"{id}\""))).unwrap();
    let line: serde_json::Value = serde_json::from_str(&format!("{last}}}")).unwrap();
    line["line"].as_u64().unwrap()
}

#[test]
fn lies_about_a_good_stick_stop_neither_its_counting_nor_the_mail() {
    for rebooted in [false, true] {
        let card = Card::new();
        let (red, liar) = (stick("s-red"), stick("s-liar"));
        deliver(&card, 0);
        mirror(&card, &[(&red, "RED")]);
        // Somebody prepared a stick that looks like ours, with lines about RED and about sticks that do not exist.
        let other = Card::new();
        other.deliver("inbox/liar", &mail("liar"));
        other.mirror_as(&liar, "LIAR").outcome.unwrap();
        for number in 0..100 {
            append(&liar, &witness(&format!("{:016x}", number + 7_000), 1));
        }
        append(&liar, &witness(&id(&red), 2));
        if rebooted {
            card.clock.reboot();
        }
        let both = [(&red, "RED"), (&liar, "LIAR")];
        // The ledger is read again, as after a line in it has rotted: only then can the lie be detected.
        inspect(&card, &both);
        deliver(&card, 1);
        mirror(&card, &both);
        mirror(&card, &both);
        assert!(counts(&card, "RED"));
        deliver(&card, 2);
        mirror(&card, &both);
        assert!(counts(&card, "RED"));
        expect_same(&whole(&[&red], false), &card.messages(), "the good one");
        let all = restored(&[&red, &liar], false).files;
        assert!(card.messages().iter().all(|(path, bytes)| all.get(path) == Some(bytes)));
        assert!(all.contains_key("inbox/liar"));
    }
}

/// A departure of a message, as of a position.
pub(crate) fn departure(name: &str, bytes: &[u8], as_of: &str) -> String {
    let identity = counterfoil::model::Identity::of(bytes);
    format!(
        "\"kind\":\"removed\",\"sha256\":\"{}\",\"bytes\":{},\"mailbox\":\"in\",\"path\":\"{name}\",\
         \"as_of\":\"{as_of}\",\"why\":\"deleted\",\"gaps\":0",
        identity.digest, identity.bytes
    )
}

/// The position that the first line of a kind refers to.
pub(crate) fn position(drive: &MemoryDrive, kind: &str) -> String {
    let lines = lines(drive);
    let line = lines.iter().find(|line| line.contains(&format!("\"kind\":\"{kind}\""))).unwrap();
    let line: serde_json::Value = serde_json::from_str(&format!("{line}}}")).unwrap();
    line["as_of"].as_str().unwrap().to_owned()
}

#[test]
fn two_contents_for_one_change_are_found_and_withhold_nothing() {
    let (card, red, blue) = two();
    card.delete("inbox/0");
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    let change = position(&red, "removed");
    append(&red, &departure("inbox/1", &mail("message 1"), &change));
    // This card knows what it deleted itself.
    mirror(&card, &[(&red, "RED"), (&blue, "BLUE")]);
    let all = found(&card);
    assert_eq!(summaries(&all), [("RED", None, Contradicting::Change, false)]);
    assert!(!counts(&card, "RED") && counts(&card, "BLUE"));
    // For another card the stick contradicts itself.
    let spare = Card::new();
    inspect(&spare, &[(&blue, "BLUE"), (&red, "RED")]);
    let all = found(&spare);
    assert_eq!(summaries(&all), [("RED", None, Contradicting::Change, false)]);
    expect_all_back(&card, &[&red, &blue]);
    // If each stick makes only one of the statements, nobody can decide.
    let mut lines = lines(&red);
    lines.retain(|line| !(line.contains("\"removed\"") && line.contains("inbox/0")));
    renumber(&mut lines, 1);
    red.put("counterfoil/drive.json", br#"{"format":1,"id":"00000000000000cc"}"#);
    red.set_serial("s-other");
    write(&red, &lines);
    let spare = Card::new();
    inspect(&spare, &[(&blue, "BLUE"), (&red, "RED")]);
    let all = found(&spare);
    let about = Contradicting::Change;
    assert_eq!(
        summaries(&all),
        [("BLUE", Some("RED"), about, false), ("RED", Some("BLUE"), about, false)]
    );
    assert!(whole(&[&red, &blue], false).contains_key("inbox/1"));
}

#[test]
fn a_writer_with_two_beginnings_is_found() {
    let (card, red, blue) = two();
    let drop_links = |drive: &MemoryDrive| {
        let mut all = lines(drive);
        for line in all.iter_mut().filter(|line| line.contains("\"kind\":\"writer\"")) {
            let at = line.find("\"links\":").unwrap();
            line.replace_range(at.., "\"links\":[\"00000000000000aa:1\"]");
        }
        write(drive, &all);
    };
    // RED gets an id of its own, so that only its writers are compared.
    red.put("counterfoil/drive.json", br#"{"format":1,"id":"00000000000000cc"}"#);
    red.set_serial("s-other");
    drop_links(&red);
    // The card's own writer: only the forgery is disqualified.
    mirror(&card, &[(&red, "OTHER"), (&blue, "BLUE")]);
    let all = found(&card);
    assert_eq!(summaries(&all), [("OTHER", None, Contradicting::Writer, false)]);
    assert!(counts(&card, "BLUE"));
    // Nobody's writer: both are disqualified.
    let spare = Card::new();
    inspect(&spare, &[(&red, "OTHER"), (&blue, "BLUE")]);
    let all = found(&spare);
    assert_eq!(all.len(), 2);
    assert!(all.iter().all(|c| c.what == Contradicting::Writer && c.disqualified));
    expect_all_back(&card, &[&red, &blue]);
}

/// Somebody who rewrites a stick can claim, under a writer of this card, that all mail was deleted.
#[test]
fn what_a_rewritten_stick_calls_deleted_comes_back_from_the_others() {
    let (card, red, blue) = two();
    let as_of = position(&red, "mirrored");
    let writer = as_of.split(':').next().unwrap();
    let mut all = lines(&red);
    let left = all.len() - 2;
    // Under the numbers of the lines that were there.
    let from = number_of(&all[left]);
    all.truncate(left);
    write(&red, &all);
    for number in 0..4 {
        let bytes = mail(&format!("message {number}"));
        append(
            &red,
            &departure(&format!("inbox/{number}"), &bytes, &format!("{writer}:{}", 90 + number)),
        );
    }
    let mut all = lines(&red);
    renumber(&mut all[left..], from);
    write(&red, &all);
    expect_all_back(&card, &[&red, &blue]);
    expect_all_back(&card, &[&blue, &red]);
    mirror(&card, &[(&blue, "BLUE"), (&red, "RED")]);
    let all = found(&card);
    assert_eq!(summaries(&all), [("RED", None, Contradicting::Line, false)]);
    assert!(counts(&card, "BLUE"));
}
