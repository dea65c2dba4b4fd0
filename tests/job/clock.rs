//! The clock has no battery: it starts at 1970, jumps, and goes back. The order of events never comes from it, and two
//! wall times are never compared.

use crate::card::{Card, mail, station};
use crate::medium::{copies, expect_same, expect_whole_bag, ledger_kinds, snapshot, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::job::report::traffic::{Period, traffic};
use counterfoil::model::dtg::Span;
use globset::GlobSet;

/// Faults 44, 45.
#[test]
fn a_clock_that_starts_in_1970_and_jumps_both_ways_changes_nothing() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for (n, wall) in [0, 1_900_000_000, 1_000, -5, 1_800_000_000, 1].into_iter().enumerate() {
        card.clock.set_wall(wall);
        card.clock.advance(60_000);
        card.deliver("inbox/standing", &mail(&format!("version {n}")));
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        let report = card.mirrored(&drive);
        let replaced = u64::from(n > 0);
        assert_eq!((report.copied, report.noted), (2, replaced), "pass {n}");
        let before = snapshot(&drive);
        assert_eq!(card.mirrored(&drive).batches, 0, "pass {n}");
        expect_same(&snapshot(&drive), &before, &format!("pass {n}, again"));
    }
    assert_eq!(copies(&drive).len(), 12);
    expect_whole_bag(&drive, "after six jumps");
    let got = whole(&[&drive], false);
    assert_eq!(got["inbox/standing"], mail("version 5"), "the last one, whatever its time says");
    expect_same(&got, &card.messages(), "after six jumps");
}

/// Fault 47: two boots that claim the same time.
#[test]
fn two_boots_at_the_same_wall_time_stay_apart() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.clock.set_wall(0);
    card.deliver("inbox/m", &mail("first boot"));
    card.mirrored(&drive);
    drive.replug(false);
    card.clock.reboot();
    card.clock.set_wall(0);
    card.catalogue.begin_run(&card.clock).unwrap();
    card.deliver("inbox/m", &mail("second boot"));
    card.mirrored(&drive);
    let kinds = ["opened", "mailbox", "mirrored", "opened", "mirrored", "removed"];
    assert_eq!(ledger_kinds(&drive), kinds);
    assert_eq!(whole(&[&drive], false)["inbox/m"], mail("second boot"));
}

/// The communications log is in the station's order; the requested period is the only place where claimed times count.
#[test]
fn the_log_stands_in_the_stations_order_whatever_the_clock_claims() {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    let walls = [1_900_000_000, 0, 1_800_000_000, -5];
    for (n, wall) in walls.into_iter().enumerate() {
        card.clock.set_wall(wall);
        card.clock.advance(60_000);
        card.deliver(&format!("inbox/{n}"), &mail(&format!("message {n}")));
        card.mirrored(&drive);
    }
    // Marked as read, as in a Maildir: moved within the mailbox, the first message last.
    for n in [3, 0] {
        card.clock.advance(60_000);
        card.rename(&format!("inbox/{n}"), &format!("read/{n}"));
        card.mirrored(&drive);
    }
    let none = GlobSet::empty();
    let log = |span| {
        let asked = Period { station: &station(), received: &none, sent: &none, span };
        let log = traffic(&card.catalogue, &asked, &[]).unwrap();
        let seen = log.entries.iter().map(|entry| entry.seen.unwrap().0).collect::<Vec<_>>();
        (seen, log.outside, log.outside_unsure)
    };
    assert_eq!(log(Span { from: i64::MIN, until: i64::MAX }), (walls.to_vec(), 0, 0));
    let period = Span { from: 0, until: 1_850_000_000 };
    assert_eq!(log(period), (vec![0, 1_800_000_000], 2, 2));
}

/// A new card learns the old card's order from the drives; its own first scan goes by name.
#[test]
fn the_log_of_an_earlier_card_keeps_its_order() {
    let (mut card, drive) = (Card::new(), MemoryDrive::default());
    let walls = [1_900_000_000, 0, 1_800_000_000];
    for (n, wall) in walls.into_iter().enumerate() {
        card.clock.set_wall(wall);
        card.clock.advance(60_000);
        card.deliver(&format!("inbox/{}", 9 - n), &mail(&format!("message {n}")));
        card.mirrored(&drive);
    }
    card.lose_catalogue();
    card.clock.set_wall(1_950_000_000);
    card.mirrored(&drive);
    card.deliver("inbox/0", &mail("message 3"));
    card.mirrored(&drive);
    let none = GlobSet::empty();
    let span = Span { from: i64::MIN, until: i64::MAX };
    let asked = Period { station: &station(), received: &none, sent: &none, span };
    let log = traffic(&card.catalogue, &asked, &[]).unwrap();
    let subjects: Vec<_> = log.entries.iter().map(|p| p.headers.clone().unwrap().subject).collect();
    assert_eq!(subjects, ["message 0", "message 1", "message 2", "message 3"]);
    let seen: Vec<_> = log.entries.iter().map(|entry| entry.seen.unwrap().0).collect();
    assert_eq!(seen, [1_900_000_000, 0, 1_800_000_000, 1_950_000_000]);
    assert!(!log.some_by_time);
}
