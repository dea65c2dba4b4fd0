//! The clock has no battery: it stands at 1970, it jumps, it goes back. Order never comes from it.
//! Never compares two wall times either.

use crate::card::{Card, mail};
use crate::medium::{copies, expect_same, expect_whole_bag, ledger_kinds, snapshot, whole};
use counterfoil::disk::MemoryDrive;

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
        assert_eq!((report.copied, report.noted), (2, 0), "pass {n}");
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
    assert_eq!(ledger_kinds(&drive), ["opened", "mailbox", "mirrored", "opened", "mirrored"]);
    assert_eq!(whole(&[&drive], false)["inbox/m"], mail("second boot"));
}
