//! The extras on a drive, in addition to the copies: they are written where they differ from what they should be, never
//! at the cost of a message, whatever a power failure leaves of them. Never checks how a page is laid out.

use crate::card::{Card, StopAfter, mail, station, try_write_extras};
use crate::medium::{HOME, expect_same, expect_whole_bag, snapshot, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, bundled_programs::BundledProgram};
use counterfoil::job::extras::{
    Extras, ExtrasOutcome, IndexEntry, Page, Pages, carried_config, write_extras,
};
use counterfoil::model::bag;
use counterfoil::model::limits::{EXTRAS_CHUNK_BYTES, EXTRAS_TEXT_BYTES, RESERVE_BYTES};
use std::collections::BTreeMap;
use std::sync::Arc;

const PROGRAM: &str = "counterfoil/program/counterfoil-x86_64";
const SUM: &str = "counterfoil/program/counterfoil-x86_64.sha256";

/// A page that repeats its input, one line for each message, and is longer than a sector.
pub(crate) struct Plain;

impl Pages for Plain {
    fn page(&self, page: &Page<'_>) -> String {
        let (mut text, messages) = match page {
            Page::First { station, entries, latest } => {
                let entry =
                    |entry: &IndexEntry| format!("page {}: {}\n", entry.page, entry.messages);
                (format!("{station}\n") + &entries.iter().map(entry).collect::<String>(), latest)
            }
            Page::Numbered { station, page, pages, messages } => {
                (format!("{station} page {page} of {pages}\n"), messages)
            }
        };
        for message in messages {
            let (subject, folder) = (&message.headers.subject, &message.folder);
            text += &format!("{} {subject:?} in {folder} {:?}\n", message.payload, message.notes);
        }
        text + &"-".repeat(700) + "\n"
    }
}

/// The extras in these stories: a config, pages, a program of some length.
struct Fixture {
    extras: Extras,
    folder: tempfile::TempDir,
}

impl Fixture {
    fn new(config: &str, program: &[u8]) -> Self {
        let folder = crate::card::folder();
        let path = folder.path().join("program");
        std::fs::write(&path, program).unwrap();
        let programs = vec![BundledProgram::new("counterfoil-x86_64", path)];
        let extras = Extras { config: Some(config.into()), pages: Some(Arc::new(Plain)), programs };
        Self { extras, folder }
    }

    fn grow(&mut self, config: &str, program: &[u8]) {
        std::fs::write(self.folder.path().join("program"), program).unwrap();
        self.extras.config = Some(config.into());
    }
}

fn extras_written(card: &Card, drive: &MemoryDrive, extras: &Extras) -> ExtrasOutcome {
    try_write_extras(card, drive, extras).unwrap()
}

fn text(drive: &MemoryDrive, name: &str) -> String {
    String::from_utf8(drive.file(&format!("{HOME}{name}")).expect(name)).unwrap()
}

fn config_on(card: &Card, drive: &MemoryDrive) -> Option<String> {
    let admitted = card.admit(drive, Access::Read).unwrap();
    carried_config(&*admitted.volume, &station()).unwrap()
}

/// Two messages arrive; then one is removed and another arrives.
fn first_day(card: &Card, drive: &MemoryDrive) {
    card.deliver("inbox/a", &mail("a"));
    card.deliver("inbox/b", &dated("b", "Tue, 1 Jul 2003 10:52:37 +0200"));
    card.mirrored(drive);
}

fn second_day(card: &Card, drive: &MemoryDrive) {
    card.delete("inbox/a");
    card.deliver("out/c", &dated("c", "Wed, 2 Jul 2003 10:52:37 +0200"));
    card.mirrored(drive);
}

fn dated(subject: &str, date: &str) -> Vec<u8> {
    [format!("Date: {date}\r\n").into_bytes(), mail(subject)].concat()
}

/// Everything on the drive except the extras.
fn the_rest(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let is_extra = |path: &String| {
        let name = path.strip_prefix(HOME).unwrap_or(path);
        path.starts_with("counterfoil/program/")
            || [bag::README, bag::CONFIG, bag::INDEX].contains(&name)
            || name.starts_with("index-")
    };
    snapshot(drive).into_iter().filter(|(path, _)| !is_extra(path)).collect()
}

/// The program is there with its right hash, or has no hash.
fn expect_program_whole_or_without_hash(drive: &MemoryDrive, story: &str) {
    let Some(sum) = drive.file(SUM) else { return };
    let sum = String::from_utf8(sum).unwrap();
    let Some((digest, name)) = sum.trim_end().split_once("  ").filter(|(d, _)| d.len() == 64)
    else {
        return;
    };
    assert_eq!(name, "counterfoil-x86_64", "{story}");
    let program = drive.file(PROGRAM).unwrap_or_default();
    let is = counterfoil::model::Digest::of(&program).to_string();
    assert_eq!(digest, is, "{story}: a hash of another program");
}

#[test]
fn everything_is_in_the_list_whatever_became_of_it() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("station = \"pier-4\"", b"program");
    first_day(&card, &drive);
    second_day(&card, &drive);
    extras_written(&card, &drive, &fixture.extras);
    let page = text(&drive, "index-1.html");
    assert!(page.starts_with("pier-4 page 1 of 1\n"), "{page}");
    let at = |text: &str| page.find(text).expect(&page);
    // A message without a date of its own is listed by the time it was first seen.
    let (a, b) = (at("\"a\" in in/inbox [Removed]"), at("\"b\" in in/inbox []"));
    let c = at("\"c\" in in/out []");
    assert!(a < c && c < b, "the latest first: {page}");
    let first = text(&drive, "index.html");
    assert!(first.starts_with("pier-4\npage 1: 3\n"), "{first}");
    assert!(first.contains("\"c\""), "{first}");
    assert_eq!(config_on(&card, &drive).as_deref(), Some("station = \"pier-4\"\n"));
    expect_whole_bag(&drive, "carried");
    let sum = String::from_utf8(drive.file(SUM).unwrap()).unwrap();
    assert_eq!(
        sum,
        format!("{}  counterfoil-x86_64\n", counterfoil::model::Digest::of(b"program"))
    );
}

#[test]
fn nothing_is_written_where_nothing_changed() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", &[7; 5000]);
    first_day(&card, &drive);
    let first = extras_written(&card, &drive, &fixture.extras);
    // A page, the first page, the config and the program. The instructions were there and are rewritten to name the
    // program.
    assert_eq!((first.written, first.left_out), (5, 0));
    let row = card.catalogue.drive_at(b"stick").unwrap().unwrap().row;
    assert_eq!(card.catalogue.extras_bytes(row).unwrap(), Some(first.bytes));
    let before = snapshot(&drive);
    let again = extras_written(&card, &drive, &fixture.extras);
    assert_eq!((again.written, again.bytes), (0, first.bytes));
    expect_same(&snapshot(&drive), &before, "again");
}

#[test]
fn headers_that_this_card_never_read_come_from_the_copies() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    card.lose_catalogue();
    card.catalogue.begin_run(&card.clock).unwrap();
    extras_written(&card, &drive, &fixture.extras);
    assert!(text(&drive, "index-1.html").contains("\"b\" in in/inbox []"));
}

#[test]
fn a_shorter_text_and_a_shorter_program_leave_no_rest_of_the_longer_ones() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    first_day(&card, &drive);
    let mut fixture = Fixture::new(&"long = 1\n".repeat(200), &[9; 9000]);
    extras_written(&card, &drive, &fixture.extras);
    fixture.grow("short = 1", b"short");
    extras_written(&card, &drive, &fixture.extras);
    assert_eq!(config_on(&card, &drive).as_deref(), Some("short = 1\n"));
    let program = drive.file(PROGRAM).unwrap();
    assert_eq!((program.len(), &program[..5]), (9000, &b"short"[..]));
    assert!(program[5..].iter().all(|&b| b == 0));
    expect_program_whole_or_without_hash(&drive, "shorter");
}

#[test]
fn a_program_or_a_page_that_rots_is_written_anew() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    extras_written(&card, &drive, &fixture.extras);
    let before = snapshot(&drive);
    drive.tamper(&format!("{HOME}index.html"), |page| page[600] ^= 1);
    drive.tamper(SUM, |sum| sum[3] ^= 1);
    drive.tamper(&format!("{HOME}config.toml"), |config| config.truncate(9));
    assert_eq!(config_on(&card, &drive), None, "a torn config is no config");
    assert_eq!(extras_written(&card, &drive, &fixture.extras).written, 3);
    expect_same(&snapshot(&drive), &before, "mended");
}

/// Somebody with access to the stick put another program of the same length on it; the hash next to it is still ours.
#[test]
fn a_program_that_was_changed_while_the_stick_was_away_is_written_anew() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", &[5; 9000]);
    first_day(&card, &drive);
    extras_written(&card, &drive, &fixture.extras);
    let before = snapshot(&drive);
    for round in 0..2 {
        drive.tamper(PROGRAM, |program| program[4000] ^= 1);
        drive.replug(false);
        let done = extras_written(&card, &drive, &fixture.extras);
        assert_eq!(done.written, 1, "{round}");
        expect_same(&carried_of(&snapshot(&drive)), &carried_of(&before), "the program is ours");
    }
    // It is read once for each mount: an idle stick is not read every hour.
    drive.tamper(PROGRAM, |program| program[4000] ^= 1);
    assert_eq!(extras_written(&card, &drive, &fixture.extras).written, 0);
    // An unreadable program is written again as well.
    drive.set_unreadable_from(PROGRAM, 100);
    drive.replug(false);
    let done = try_write_extras(&card, &drive, &fixture.extras);
    assert!(done.is_ok_and(|done| done.written + done.left_out == 1));
}

fn carried_of(all: &BTreeMap<String, Vec<u8>>) -> BTreeMap<String, Vec<u8>> {
    let of = all.iter().filter(|(path, _)| path.starts_with("counterfoil/program/"));
    of.map(|(path, bytes)| (path.clone(), bytes.clone())).collect()
}

/// A file so long that filling it up or reading it would never end.
#[test]
fn a_program_or_a_hash_that_is_far_too_long_is_neither_filled_up_nor_read() {
    use counterfoil::model::limits::{EXTRAS_PROGRAM_MORE, EXTRAS_SUM_BYTES};
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    drive.put(PROGRAM, &vec![b'x'; EXTRAS_PROGRAM_MORE as usize + 8]);
    drive.put(SUM, b"a hash of somebody's own\n");
    assert_eq!(extras_written(&card, &drive, &fixture.extras).left_out, 1);
    assert_eq!(drive.file(PROGRAM).unwrap().len(), EXTRAS_PROGRAM_MORE as usize + 8);
    assert_eq!(drive.file(SUM).unwrap(), bag::filler(25));
    assert_eq!(extras_written(&card, &drive, &fixture.extras).written, 0);
    drive.put(PROGRAM, b"program");
    drive.put(SUM, &vec![b'x'; EXTRAS_SUM_BYTES as usize + 1]);
    assert_eq!(extras_written(&card, &drive, &fixture.extras).left_out, 1);
    assert_eq!(drive.file(SUM).unwrap().len(), EXTRAS_SUM_BYTES as usize + 1);
}

#[test]
fn without_room_it_is_left_out_and_the_messages_are_not() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", &vec![1; 1 << 20]);
    first_day(&card, &drive);
    drive.set_room(RESERVE_BYTES + 200_000);
    let done = extras_written(&card, &drive, &fixture.extras);
    assert_eq!((done.written, done.left_out), (4, 1));
    assert!(drive.file(PROGRAM).is_none() && drive.file(SUM).is_none());
    drive.set_room(RESERVE_BYTES);
    second_day_without_room(&card, &drive, &fixture);
}

fn second_day_without_room(card: &Card, drive: &MemoryDrive, fixture: &Fixture) {
    let before = text(drive, "index.html");
    card.deliver("inbox/d", &mail("d"));
    card.mirror(drive);
    let done = extras_written(card, drive, &fixture.extras);
    assert_eq!(done.written, 0, "{done:?}");
    assert_eq!(text(drive, "index.html"), before);
}

#[test]
fn it_ends_at_once_when_there_is_mail_and_goes_on_later() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    for patience in 0..20 {
        let admitted = card.admit(&drive, Access::Write).unwrap();
        let progress = StopAfter::polls(patience);
        let done = write_extras(&card.catalogue, &station(), &admitted, &fixture.extras, &progress)
            .unwrap();
        expect_program_whole_or_without_hash(&drive, "stopped");
        if !done.stopped {
            assert!(patience > 3);
            return;
        }
    }
    panic!("it never came to its end");
}

/// What a power failure takes: everything not synced, or nothing.
fn fail_power_everywhere(lose: bool) {
    let quiet = (Card::new(), MemoryDrive::default());
    let mut fixture = Fixture::new("first = 1", &[1; 6000]);
    first_day(&quiet.0, &quiet.1);
    extras_written(&quiet.0, &quiet.1, &fixture.extras);
    second_day(&quiet.0, &quiet.1);
    fixture.grow("second = \"and longer\"", &[2; 7000]);
    let before = quiet.1.operations();
    extras_written(&quiet.0, &quiet.1, &fixture.extras);
    let operations = quiet.1.operations() - before;
    assert!(operations > 40, "{operations}");
    let end = extras_only(&quiet.1);
    for operation in 0..operations {
        let story = format!("cut after {operation} of {operations}, unsynced lost: {lose}");
        let (card, drive) = (Card::new(), MemoryDrive::default());
        fixture.grow("first = 1", &[1; 6000]);
        first_day(&card, &drive);
        extras_written(&card, &drive, &fixture.extras);
        second_day(&card, &drive);
        fixture.grow("second = \"and longer\"", &[2; 7000]);
        let (rest, messages) = (the_rest(&drive), whole(&[&drive], true));
        drive.pull_after(operation);
        assert!(try_write_extras(&card, &drive, &fixture.extras).is_err(), "{story}");
        drive.replug(lose);
        card.clock.reboot();
        expect_same(&the_rest(&drive), &rest, &story);
        expect_whole_bag(&drive, &story);
        expect_program_whole_or_without_hash(&drive, &story);
        assert_eq!(whole(&[&drive], true), messages, "{story}");
        let config = config_on(&card, &drive);
        let known = [None, Some("first = 1\n"), Some("second = \"and longer\"\n")];
        assert!(known.contains(&config.as_deref()), "{story}: {config:?}");
        extras_written(&card, &drive, &fixture.extras);
        expect_same(&extras_only(&drive), &end, &story);
        assert_eq!(extras_written(&card, &drive, &fixture.extras).written, 0, "{story}");
    }
}

fn extras_only(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let rest = the_rest(drive);
    snapshot(drive).into_iter().filter(|(path, _)| !rest.contains_key(path)).collect()
}

#[test]
fn a_cut_after_any_operation_that_loses_what_was_not_synced_harms_no_message() {
    fail_power_everywhere(true);
}

#[test]
fn a_cut_after_any_operation_that_loses_nothing_harms_no_message() {
    fail_power_everywhere(false);
}

#[test]
fn a_name_that_something_else_has_is_left_alone() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    drive.put(&format!("{HOME}index-2.html"), b"not ours");
    extras_written(&card, &drive, &fixture.extras);
    // The name of the next page is reserved for a page, which says that it is empty.
    assert!(text(&drive, "index-2.html").starts_with("pier-4 page 2 of 1\n"));
    for name in ["index-4.html", "index-03.html", "index-x.html"] {
        drive.put(&format!("{HOME}{name}"), b"not ours");
        extras_written(&card, &drive, &fixture.extras);
        assert_eq!(text(&drive, name), "not ours");
    }
}

/// The file would have to be filled up to its end.
#[test]
fn a_file_that_is_too_long_for_one_of_ours_is_left_alone() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    let huge = vec![b'x'; EXTRAS_TEXT_BYTES as usize + 1];
    drive.put(&format!("{HOME}index-1.html"), &huge);
    assert_eq!(extras_written(&card, &drive, &fixture.extras).left_out, 1);
    assert_eq!(text(&drive, "index-1.html").as_bytes(), huge);
}

/// A text longer than one write, which then shrinks again: nothing is lost and nothing is left over.
#[test]
fn a_long_text_is_written_piece_by_piece() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let long = format!("long = \"{}\"", "0123456789".repeat(EXTRAS_CHUNK_BYTES / 4));
    let mut fixture = Fixture::new("a = 1", b"program");
    first_day(&card, &drive);
    extras_written(&card, &drive, &fixture.extras);
    fixture.grow(&long, b"program");
    let on_drive = |name: &str| text(&drive, name).split_once('\n').unwrap().1.to_owned();
    extras_written(&card, &drive, &fixture.extras);
    assert_eq!(on_drive("config.toml").trim_end(), long);
    fixture.grow("a = 2", b"program");
    extras_written(&card, &drive, &fixture.extras);
    assert_eq!(on_drive("config.toml").trim_end(), "a = 2");
    drive.remove(&format!("{HOME}config.toml"));
    fixture.grow(&long, b"program");
    extras_written(&card, &drive, &fixture.extras);
    assert_eq!(on_drive("config.toml").trim_end(), long);
    assert_eq!(extras_written(&card, &drive, &fixture.extras).written, 0);
}

/// A stick that reports room and has none: the file begun is written again once there is room.
#[test]
fn room_that_is_not_there_is_no_failed_sync() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let mut fixture = Fixture::new("first = 1", b"program");
    first_day(&card, &drive);
    extras_written(&card, &drive, &fixture.extras);
    fixture.grow(&"longer = 1\n".repeat(100), &[3; 9000]);
    drive.set_full(true);
    assert_eq!(extras_written(&card, &drive, &fixture.extras).left_out, 1);
    drive.set_full(false);
    extras_written(&card, &drive, &fixture.extras);
    assert!(config_on(&card, &drive).unwrap().starts_with("longer"));
    second_day(&card, &drive);
    expect_whole_bag(&drive, "after a full stick");
}
