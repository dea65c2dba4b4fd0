//! Manifests in which lines rot: found by comparing each with the ledger, and repaired. Never waits.

use crate::logs::{MANIFEST, archived, is_safe, logs_verified};
use crate::medium::{expect_same, expect_whole_bag, snapshot};
use crate::support::cases::cases;
use counterfoil::disk::Access;
use counterfoil::job::Unwatched;
use counterfoil::job::catalogue::{Log, LogDamage};
use counterfoil::job::replica::verify::verify_logs;

#[test]
fn a_manifest_that_rots_anywhere_is_found_and_right_again() {
    let length = archived().1.file(MANIFEST).unwrap().len();
    for at in (0..length).step_by(cases(1, 5)) {
        let (card, drive) = archived();
        let before = String::from_utf8(drive.file(MANIFEST).unwrap()).unwrap();
        drive.tamper(MANIFEST, |bytes| bytes[at] ^= 1);
        let found = logs_verified(&card, &drive);
        let [LogDamage { log: Log::Manifest, lines, .. }] = found.as_slice() else {
            panic!("at {at}: {found:?}")
        };
        let is_end_of_line = before.as_bytes()[at] == b'\n';
        assert!(*lines == 1 || is_end_of_line && *lines <= 2, "at {at}: {lines}");
        expect_whole_bag(&drive, &format!("at {at}"));
        assert_eq!(logs_verified(&card, &drive), [], "at {at}");
        assert!(is_safe(&card), "at {at}");
    }
}

/// A whole block of the manifest rots.
#[test]
fn a_block_of_a_manifest_that_rots_is_right_again() {
    for (from, to) in [(0, 50), (30, 200), (100, 320), (0, 320)] {
        for with in [0, b'#', b'\n', b'f'] {
            let (card, drive) = archived();
            drive.tamper(MANIFEST, |bytes| bytes[from..to].fill(with));
            let found = logs_verified(&card, &drive);
            assert_eq!(found.len(), 1, "{from} to {to}, {with}: {found:?}");
            expect_whole_bag(&drive, &format!("{from} to {to}, {with}"));
            assert_eq!(logs_verified(&card, &drive), []);
        }
    }
}

#[test]
fn a_rotten_manifest_of_a_read_only_drive_is_said_and_left() {
    let (card, drive) = archived();
    drive.tamper(MANIFEST, |bytes| bytes[3] ^= 1);
    drive.set_read_only(true);
    let before = snapshot(&drive);
    let admitted = card.admit(&drive, Access::Read).unwrap();
    let found = verify_logs(&card.catalogue, &admitted, &Unwatched).unwrap();
    assert_eq!(found.len(), 1, "{found:?}");
    expect_same(&snapshot(&drive), &before, "nothing is written");
}
