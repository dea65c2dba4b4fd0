//! What a drive carries beside the copies: written where it is not as it should be, at no cost of a message, and
//! whatever a power failure leaves of it.
//! Never looks at how a page is laid out.

use crate::card::{Card, drive_ref, mail, station};
use crate::medium::{HOME, expect_same, expect_whole_bag, snapshot, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, bundled_programs::BundledProgram};
use counterfoil::job::extras::{
    Extras, ExtrasOutcome, IndexEntry, Page, Pages, carried_config, write_extras,
    write_extras_of_drive,
};
use counterfoil::job::replica::PresentDrives;
use counterfoil::job::{JobError, Progress, Unwatched};
use counterfoil::model::bag;
use counterfoil::model::limits::{EXTRAS_CHUNK_BYTES, EXTRAS_TEXT_BYTES, RESERVE_BYTES};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

const PROGRAM: &str = "counterfoil/program/counterfoil-x86_64";
const SUM: &str = "counterfoil/program/counterfoil-x86_64.sha256";

/// A page that says what it was handed, a line a message, and is longer than a sector.
struct Plain;

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

/// What is carried in these stories: a config, pages, a program of some length.
struct Hold {
    cargo: Extras,
    folder: tempfile::TempDir,
}

impl Hold {
    fn new(config: &str, program: &[u8]) -> Self {
        let folder = crate::card::folder();
        let path = folder.path().join("program");
        std::fs::write(&path, program).unwrap();
        let programs = vec![BundledProgram::new("counterfoil-x86_64", path)];
        let cargo = Extras { config: Some(config.into()), pages: Some(Arc::new(Plain)), programs };
        Self { cargo, folder }
    }

    fn grow(&mut self, config: &str, program: &[u8]) {
        std::fs::write(self.folder.path().join("program"), program).unwrap();
        self.cargo.config = Some(config.into());
    }
}

fn tried(card: &Card, drive: &MemoryDrive, cargo: &Extras) -> Result<ExtrasOutcome, JobError> {
    let (drive, present_drives) = (drive_ref(drive, "stick"), PresentDrives::default());
    write_extras_of_drive(
        &card.catalogue,
        &station(),
        &drive,
        &present_drives,
        &card.clock,
        cargo,
        &Unwatched,
    )
}

fn carried(card: &Card, drive: &MemoryDrive, cargo: &Extras) -> ExtrasOutcome {
    tried(card, drive, cargo).unwrap()
}

fn text(drive: &MemoryDrive, name: &str) -> String {
    String::from_utf8(drive.file(&format!("{HOME}{name}")).expect(name)).unwrap()
}

fn config_on(card: &Card, drive: &MemoryDrive) -> Option<String> {
    let admitted = card.admit(drive, Access::Read).unwrap();
    carried_config(&*admitted.volume, &station()).unwrap()
}

/// Two messages; then one is removed and one comes.
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

/// Everything on the drive but what is carried.
fn the_rest(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let carried = |path: &String| {
        let name = path.strip_prefix(HOME).unwrap_or(path);
        path.starts_with("counterfoil/program/")
            || [bag::README, bag::CONFIG, bag::INDEX].contains(&name)
            || name.starts_with("index-")
    };
    snapshot(drive).into_iter().filter(|(path, _)| !carried(path)).collect()
}

/// The program is there with its right hash, or has none.
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
    assert_eq!(digest, is, "{story}: a hash beside a program that is not it");
}

#[test]
fn everything_is_in_the_list_whatever_became_of_it() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("station = \"pier-4\"", b"program");
    first_day(&card, &drive);
    second_day(&card, &drive);
    carried(&card, &drive, &hold.cargo);
    let page = text(&drive, "index-1.html");
    assert!(page.starts_with("pier-4 page 1 of 1\n"), "{page}");
    let at = |text: &str| page.find(text).expect(&page);
    // Without a date of its own it stands at its first sight.
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
    let hold = Hold::new("a = 1", &[7; 5000]);
    first_day(&card, &drive);
    let first = carried(&card, &drive, &hold.cargo);
    // A page, the first page, the config, the program; how to read it was there, and names the program now.
    assert_eq!((first.written, first.left_out), (5, 0));
    let row = card.catalogue.drive_at(b"stick").unwrap().unwrap().row;
    assert_eq!(card.catalogue.extras_bytes(row).unwrap(), Some(first.bytes));
    let before = snapshot(&drive);
    let again = carried(&card, &drive, &hold.cargo);
    assert_eq!((again.written, again.bytes), (0, first.bytes));
    expect_same(&snapshot(&drive), &before, "again");
}

#[test]
fn headers_that_this_card_never_read_come_from_the_copies() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    card.lose_catalogue();
    card.catalogue.begin_run(&card.clock).unwrap();
    carried(&card, &drive, &hold.cargo);
    assert!(text(&drive, "index-1.html").contains("\"b\" in in/inbox []"));
}

#[test]
fn a_shorter_text_and_a_shorter_program_leave_no_rest_of_the_longer_ones() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    first_day(&card, &drive);
    let mut hold = Hold::new(&"long = 1\n".repeat(200), &[9; 9000]);
    carried(&card, &drive, &hold.cargo);
    hold.grow("short = 1", b"short");
    carried(&card, &drive, &hold.cargo);
    assert_eq!(config_on(&card, &drive).as_deref(), Some("short = 1\n"));
    let program = drive.file(PROGRAM).unwrap();
    assert_eq!((program.len(), &program[..5]), (9000, &b"short"[..]));
    assert!(program[5..].iter().all(|&b| b == 0));
    expect_program_whole_or_without_hash(&drive, "shorter");
}

#[test]
fn a_program_or_a_page_that_rots_is_written_anew() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    carried(&card, &drive, &hold.cargo);
    let before = snapshot(&drive);
    drive.tamper(&format!("{HOME}index.html"), |page| page[600] ^= 1);
    drive.tamper(SUM, |sum| sum[3] ^= 1);
    drive.tamper(&format!("{HOME}config.toml"), |config| config.truncate(9));
    assert_eq!(config_on(&card, &drive), None, "a torn config is no config");
    assert_eq!(carried(&card, &drive, &hold.cargo).written, 3);
    expect_same(&snapshot(&drive), &before, "mended");
}

/// Somebody had the stick, and put another program of the same length on it: its hash beside it is ours.
#[test]
fn a_program_that_was_changed_while_the_stick_was_away_is_written_anew() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", &[5; 9000]);
    first_day(&card, &drive);
    carried(&card, &drive, &hold.cargo);
    let before = snapshot(&drive);
    for round in 0..2 {
        drive.tamper(PROGRAM, |program| program[4000] ^= 1);
        drive.replug(false);
        let done = carried(&card, &drive, &hold.cargo);
        assert_eq!(done.written, 1, "{round}");
        expect_same(&carried_of(&snapshot(&drive)), &carried_of(&before), "the program is ours");
    }
    // It is read once a mount: an idle stick is not read every hour.
    drive.tamper(PROGRAM, |program| program[4000] ^= 1);
    assert_eq!(carried(&card, &drive, &hold.cargo).written, 0);
    // What cannot be read is written anew as well.
    drive.set_unreadable_from(PROGRAM, 100);
    drive.replug(false);
    let done = tried(&card, &drive, &hold.cargo);
    assert!(done.is_ok_and(|done| done.written + done.left_out == 1));
}

fn carried_of(all: &BTreeMap<String, Vec<u8>>) -> BTreeMap<String, Vec<u8>> {
    let of = all.iter().filter(|(path, _)| path.starts_with("counterfoil/program/"));
    of.map(|(path, bytes)| (path.clone(), bytes.clone())).collect()
}

/// A file that would have to be filled up, or read, without end.
#[test]
fn a_program_or_a_hash_that_is_far_too_long_is_neither_filled_up_nor_read() {
    use counterfoil::model::limits::{EXTRAS_PROGRAM_MORE, EXTRAS_SUM_BYTES};
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    drive.put(PROGRAM, &vec![b'x'; EXTRAS_PROGRAM_MORE as usize + 8]);
    drive.put(SUM, b"a hash of somebody's own\n");
    assert_eq!(carried(&card, &drive, &hold.cargo).left_out, 1);
    assert_eq!(drive.file(PROGRAM).unwrap().len(), EXTRAS_PROGRAM_MORE as usize + 8);
    assert_eq!(drive.file(SUM).unwrap(), bag::filler(25));
    assert_eq!(carried(&card, &drive, &hold.cargo).written, 0);
    drive.put(PROGRAM, b"program");
    drive.put(SUM, &vec![b'x'; EXTRAS_SUM_BYTES as usize + 1]);
    assert_eq!(carried(&card, &drive, &hold.cargo).left_out, 1);
    assert_eq!(drive.file(SUM).unwrap().len(), EXTRAS_SUM_BYTES as usize + 1);
}

#[test]
fn without_room_it_is_left_out_and_the_messages_are_not() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", &vec![1; 1 << 20]);
    first_day(&card, &drive);
    drive.set_room(RESERVE_BYTES + 200_000);
    let done = carried(&card, &drive, &hold.cargo);
    assert_eq!((done.written, done.left_out), (4, 1));
    assert!(drive.file(PROGRAM).is_none() && drive.file(SUM).is_none());
    drive.set_room(RESERVE_BYTES);
    second_day_without_room(&card, &drive, &hold);
}

fn second_day_without_room(card: &Card, drive: &MemoryDrive, hold: &Hold) {
    let before = text(drive, "index.html");
    card.deliver("inbox/d", &mail("d"));
    card.mirror(drive);
    let done = carried(card, drive, &hold.cargo);
    assert_eq!(done.written, 0, "{done:?}");
    assert_eq!(text(drive, "index.html"), before);
}

/// Stops after so many questions whether to.
struct After(AtomicU64);

impl Progress for After {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        self.0.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |n| n.checked_sub(1)).is_err()
    }
}

#[test]
fn it_ends_at_once_when_there_is_mail_and_goes_on_later() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    for patience in 0..20 {
        let admitted = card.admit(&drive, Access::Write).unwrap();
        let progress = After(AtomicU64::new(patience));
        let done =
            write_extras(&card.catalogue, &station(), &admitted, &hold.cargo, &progress).unwrap();
        expect_program_whole_or_without_hash(&drive, "stopped");
        if !done.stopped {
            assert!(patience > 3);
            return;
        }
    }
    panic!("it never came to its end");
}

/// What a power failure takes with it: all that was not synced, or nothing.
fn cut_everywhere(lose: bool) {
    let quiet = (Card::new(), MemoryDrive::default());
    let mut hold = Hold::new("first = 1", &[1; 6000]);
    first_day(&quiet.0, &quiet.1);
    carried(&quiet.0, &quiet.1, &hold.cargo);
    second_day(&quiet.0, &quiet.1);
    hold.grow("second = \"and longer\"", &[2; 7000]);
    let before = quiet.1.operations();
    carried(&quiet.0, &quiet.1, &hold.cargo);
    let operations = quiet.1.operations() - before;
    assert!(operations > 40, "{operations}");
    let end = carried_only(&quiet.1);
    for cut in 0..operations {
        let story = format!("cut after {cut} of {operations}, unsynced lost: {lose}");
        let (card, drive) = (Card::new(), MemoryDrive::default());
        hold.grow("first = 1", &[1; 6000]);
        first_day(&card, &drive);
        carried(&card, &drive, &hold.cargo);
        second_day(&card, &drive);
        hold.grow("second = \"and longer\"", &[2; 7000]);
        let (rest, messages) = (the_rest(&drive), whole(&[&drive], true));
        drive.pull_after(cut);
        assert!(tried(&card, &drive, &hold.cargo).is_err(), "{story}");
        drive.replug(lose);
        card.clock.reboot();
        expect_same(&the_rest(&drive), &rest, &story);
        expect_whole_bag(&drive, &story);
        expect_program_whole_or_without_hash(&drive, &story);
        assert_eq!(whole(&[&drive], true), messages, "{story}");
        let config = config_on(&card, &drive);
        let known = [None, Some("first = 1\n"), Some("second = \"and longer\"\n")];
        assert!(known.contains(&config.as_deref()), "{story}: {config:?}");
        carried(&card, &drive, &hold.cargo);
        expect_same(&carried_only(&drive), &end, &story);
        assert_eq!(carried(&card, &drive, &hold.cargo).written, 0, "{story}");
    }
}

fn carried_only(drive: &MemoryDrive) -> BTreeMap<String, Vec<u8>> {
    let rest = the_rest(drive);
    snapshot(drive).into_iter().filter(|(path, _)| !rest.contains_key(path)).collect()
}

#[test]
fn a_cut_after_any_operation_that_loses_what_was_not_synced_harms_no_message() {
    cut_everywhere(true);
}

#[test]
fn a_cut_after_any_operation_that_loses_nothing_harms_no_message() {
    cut_everywhere(false);
}

#[test]
fn a_name_that_something_else_has_is_left_alone() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    drive.put(&format!("{HOME}index-2.html"), b"not ours");
    carried(&card, &drive, &hold.cargo);
    // The name of the next page is a page's: it says that it is empty.
    assert!(text(&drive, "index-2.html").starts_with("pier-4 page 2 of 1\n"));
    for name in ["index-4.html", "index-03.html", "index-x.html"] {
        drive.put(&format!("{HOME}{name}"), b"not ours");
        carried(&card, &drive, &hold.cargo);
        assert_eq!(text(&drive, name), "not ours");
    }
}

/// It would have to be filled up to its end.
#[test]
fn a_file_that_is_too_long_for_one_of_ours_is_left_alone() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    let huge = vec![b'x'; EXTRAS_TEXT_BYTES as usize + 1];
    drive.put(&format!("{HOME}index-1.html"), &huge);
    assert_eq!(carried(&card, &drive, &hold.cargo).left_out, 1);
    assert_eq!(text(&drive, "index-1.html").as_bytes(), huge);
}

/// A text of more than is written at once, and one that shrinks again: nothing of either is lost or left.
#[test]
fn a_long_text_is_written_piece_by_piece() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let long = format!("long = \"{}\"", "0123456789".repeat(EXTRAS_CHUNK_BYTES / 4));
    let mut hold = Hold::new("a = 1", b"program");
    first_day(&card, &drive);
    carried(&card, &drive, &hold.cargo);
    hold.grow(&long, b"program");
    let on_drive = |name: &str| text(&drive, name).split_once('\n').unwrap().1.to_owned();
    carried(&card, &drive, &hold.cargo);
    assert_eq!(on_drive("config.toml").trim_end(), long);
    hold.grow("a = 2", b"program");
    carried(&card, &drive, &hold.cargo);
    assert_eq!(on_drive("config.toml").trim_end(), "a = 2");
    drive.remove(&format!("{HOME}config.toml"));
    hold.grow(&long, b"program");
    carried(&card, &drive, &hold.cargo);
    assert_eq!(on_drive("config.toml").trim_end(), long);
    assert_eq!(carried(&card, &drive, &hold.cargo).written, 0);
}

/// A stick that says that it has room and has none: what was begun is made anew when there is some.
#[test]
fn room_that_is_not_there_is_no_failed_sync() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let mut hold = Hold::new("first = 1", b"program");
    first_day(&card, &drive);
    carried(&card, &drive, &hold.cargo);
    hold.grow(&"longer = 1\n".repeat(100), &[3; 9000]);
    drive.set_full(true);
    assert_eq!(carried(&card, &drive, &hold.cargo).left_out, 1);
    drive.set_full(false);
    carried(&card, &drive, &hold.cargo);
    assert!(config_on(&card, &drive).unwrap().starts_with("longer"));
    second_day(&card, &drive);
    expect_whole_bag(&drive, "after a full stick");
}
