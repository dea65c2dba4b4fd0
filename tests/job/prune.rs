//! Superseded versions given up on a full drive: which ones go, which never do, and a power failure after any
//! operation. The only tests in which anything on a drive is deleted.

use crate::card::{Card, drive_ref, mail, station};
use crate::medium::{copies, copies_of, count, expect_same, expect_whole_bag, restored, whole};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{Access, DirVolumeSource, VolumeSource};
use counterfoil::job::replica::prune::{Pruned, prune};
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives};
use counterfoil::job::sync_drive::{self, SyncOutcome};
use counterfoil::job::sync_job::SyncJob;
use counterfoil::job::{DriveRef, Unwatched};
use std::sync::Arc;
use std::time::Duration;

const DAY: i64 = 86_400;
const BEGUN: i64 = 1_800_000_000;
const AFTER: Duration = Duration::from_secs(90 * 86_400);

/// Three messages, two of which have an older version each, recorded long ago by a trusted clock.
fn with_old_versions() -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.clock.trust(true);
    for (day, suffix) in [(0, "first"), (100, "second")] {
        card.clock.set_wall(BEGUN + day * DAY);
        for name in ["one", "two"] {
            card.deliver(&format!("inbox/{name}"), &mail(&format!("{name} {suffix}")));
        }
        card.deliver("inbox/three", &mail("three"));
        card.mirrored(&drive);
    }
    (card, drive)
}

fn prunes(card: &Card, drive: &MemoryDrive, need: u64) -> Pruned {
    let mut admitted = card.admit(drive, Access::Write).unwrap();
    prune(&card.catalogue, &mut admitted, need, AFTER, &card.clock, &Unwatched).unwrap()
}

fn kept_up(card: &Card, drive: &MemoryDrive, after: Option<Duration>) -> SyncOutcome {
    card.scan(0);
    let mailboxes = [card.mailbox()];
    let upkeep = SyncJob {
        catalogue: &card.catalogue,
        station: &station(),
        mailboxes: &mailboxes,
        present_drives: &PresentDrives::default(),
        prune: after,
        clock: &card.clock,
        progress: &Unwatched,
    };
    upkeep.bring_up_to_date(&drive_ref(drive, "stick"))
}

#[test]
fn a_full_drive_loses_its_oldest_superseded_versions_and_takes_what_waits() {
    let (card, drive) = with_old_versions();
    let before = copies(&drive);
    card.deliver("inbox/four", &mail("four"));
    // Room for all but the last few bytes of one message, with the reserve.
    drive.set_room((4 << 20) + (34 << 10) + mail("four").len() as u64 - 1);
    let full = kept_up(&card, &drive, None);
    assert_eq!(full.outcome.unwrap().failed.len(), 1);
    assert_eq!(copies(&drive), before, "nothing goes unless its operator wants it");

    let round = kept_up(&card, &drive, Some(AFTER));
    let report = round.outcome.unwrap();
    assert_eq!((report.copied, report.failed), (1, vec![]), "{:?}", round.findings);
    // The newest message is copied first, so the lowest number belongs to the second.
    assert_eq!(copies_of(&drive, &mail("two first")), Vec::<String>::new());
    assert_eq!(copies_of(&drive, &mail("one first")).len(), 1, "not more than is needed");
    assert_eq!(count(&drive, "pruned"), 1);
    expect_whole_bag(&drive, "after pruning");
    expect_same(&whole(&[&drive], true), &card.messages(), "after pruning");
}

/// The waiting version supersedes the one that is there; any version before those two may go.
#[test]
fn an_old_version_makes_room_for_the_next_of_its_own_message() {
    let (card, drive) = with_old_versions();
    card.clock.set_wall(BEGUN + 200 * DAY);
    card.delete("inbox/two");
    card.mirrored(&drive);
    card.deliver("inbox/one", &mail("one third"));
    drive.set_room((4 << 20) + (34 << 10) + mail("one third").len() as u64 - 1);
    let report = kept_up(&card, &drive, Some(AFTER)).outcome.unwrap();
    assert_eq!((report.copied, report.failed), (1, vec![]));
    assert_eq!(copies_of(&drive, &mail("one first")), Vec::<String>::new());
    for stays in ["one second", "one third", "two first", "two second"] {
        assert_eq!(copies_of(&drive, &mail(stays)).len(), 1, "{stays}");
    }
    expect_whole_bag(&drive, "after pruning");
    expect_same(&whole(&[&drive], false), &card.messages(), "after pruning");
}

#[test]
fn what_must_stay_stays() {
    let all = || with_old_versions();
    let stays = |card: &Card, drive: &MemoryDrive, why: &str| {
        let before = copies(drive);
        assert_eq!(prunes(card, drive, u64::MAX), Pruned::default(), "{why}");
        assert_eq!(copies(drive), before, "{why}");
    };
    let (card, drive) = all();
    card.clock.trust(false);
    stays(&card, &drive, "the clock is not trusted");

    let (card, drive) = all();
    card.clock.set_wall(BEGUN + 80 * DAY);
    stays(&card, &drive, "too young");

    let (card, drive) = all();
    for name in ["one", "two"] {
        card.delete(&format!("inbox/{name}"));
    }
    card.mirrored(&drive);
    stays(&card, &drive, "the message was removed");

    let (card, drive) = all();
    for name in ["one", "two"] {
        card.vanish(&format!("inbox/{name}"));
    }
    card.mirrored(&drive);
    stays(&card, &drive, "the message has vanished");

    let (card, drive) = all();
    for name in ["one", "two"] {
        let newer = copies_of(&drive, &mail(&format!("{name} second"))).remove(0);
        drive.tamper(&newer, |bytes| bytes[20] ^= 1);
    }
    stays(&card, &drive, "the newer version is damaged");

    let (card, drive) = (Card::new(), MemoryDrive::default());
    card.clock.trust(true);
    card.deliver("inbox/one", &mail("one"));
    card.mirrored(&drive);
    card.clock.set_wall(BEGUN + 100 * DAY);
    card.deliver("inbox/one", b"");
    card.mirrored(&drive);
    stays(&card, &drive, "the last good version of a suspect one");

    let (card, drive) = all();
    let elsewhere = MemoryDrive::default();
    card.copy(&elsewhere, "elsewhere").outcome.unwrap();
    card.deliver("other/one", &mail("one first"));
    card.deliver("other/two", &mail("two first"));
    card.mirrored(&drive);
    stays(&card, &drive, "it is the latest at another path");
}

/// A power failure after every operation of a pruning, whatever was synced, and another one during the recovery. What
/// was given up stays given up, the bag is whole again, and no message is lost.
#[test]
fn a_cut_after_any_operation_of_a_pruning_is_mended() {
    for lose in [false, true] {
        for second in [None, Some(2), Some(9), Some(20)] {
            let mut through = false;
            for operations in 0.. {
                assert!(operations < 400, "never through");
                let (card, drive) = with_old_versions();
                let expected = card.messages();
                let interrupted = || {
                    let mut admitted = card.admit(&drive, Access::Write)?;
                    drive.pull_after(operations);
                    let (catalogue, clock) = (&card.catalogue, &card.clock);
                    prune(catalogue, &mut admitted, u64::MAX, AFTER, clock, &Unwatched)
                };
                let done = interrupted();
                if let Some(again) = second {
                    drive.replug(lose);
                    card.clock.reboot();
                    drive.pull_after(again);
                    drop(card.mirror(&drive));
                }
                drive.replug(lose);
                card.clock.reboot();
                let story = format!("cut after {operations}, lose {lose}, then {second:?}");
                assert!(card.mirror(&drive).outcome.is_ok(), "{story}");
                let pruned = count(&drive, "pruned");
                assert!(pruned == 0 || pruned == 2, "{story}: {pruned}");
                let there = copies_of(&drive, &mail("one first")).len()
                    + copies_of(&drive, &mail("two first")).len();
                assert_eq!(there + pruned, 2, "{story}");
                expect_whole_bag(&drive, &story);
                expect_same(&whole(&[&drive], true), &expected, &story);
                assert_eq!((count(&drive, "missing"), count(&drive, "damaged")), (0, 0), "{story}");
                if done.is_ok() {
                    assert_eq!(pruned, 2, "{story}: what was reported stays");
                    through = true;
                    break;
                }
            }
            assert!(through);
        }
    }
}

/// A new card reads the ledger of a pruned drive, and a version that comes back is copied again.
#[test]
fn a_version_given_up_is_nobodys_and_may_come_back() {
    let (mut card, drive) = with_old_versions();
    assert_eq!(prunes(&card, &drive, u64::MAX).copies, 2);
    card.lose_catalogue();
    drive.replug(false);
    card.clock.reboot();
    let report = card.mirrored(&drive);
    assert_eq!(report.copied, 0, "{report:?}");
    assert_eq!(count(&drive, "missing"), 0);
    card.deliver("inbox/one", &mail("one first"));
    assert_eq!(card.mirrored(&drive).copied, 1);
    expect_whole_bag(&drive, "with a version that came back");
    expect_same(&whole(&[&drive], false), &card.messages(), "with a version that came back");
}

/// A line alone, as a forger may write one, removes nothing that has a location.
#[test]
fn no_line_gives_up_what_has_a_place() {
    use counterfoil::model::ledger::{Chain, ChainReader, Event, LineVerdict};
    use counterfoil::model::{Clock as _, Identity};
    let (card, drive) = with_old_versions();
    let ledger = "counterfoil/pier-4/ledger.jsonl";
    let text = drive.file(ledger).unwrap();
    let mut reader = ChainReader::default();
    let mut event = None;
    for raw in text.split_inclusive(|&b| b == b'\n') {
        let line = reader.line(&raw[..raw.len() - 1], raw.len() as u64);
        let LineVerdict::Line(line, _) = line else { panic!("{line:?}") };
        if let Event::Mirrored { payload, identity, .. } = line.event
            && identity == Identity::of(&mail("three"))
        {
            event = Some(Event::Pruned { payload, identity });
        }
    }
    let mut chain: Chain = reader.chain();
    let forged = chain.write(&card.clock.event_time(), event.unwrap());
    drive.put(ledger, &[text, forged.into_bytes()].concat());
    drive.replug(false);
    card.clock.reboot();
    card.mirrored(&drive);
    assert_eq!(copies_of(&drive, &mail("three")).len(), 1);
    expect_same(&restored(&[&drive], false).files, &card.messages(), "after the forged line");
}

/// In a real folder: the file is deleted, and neither what has taken its place nor a link to it is.
#[test]
fn in_a_folder_only_files_of_ours_go() {
    let (card, _) = with_old_versions();
    let root = crate::card::folder();
    let volume_source: Arc<dyn VolumeSource> = Arc::new(DirVolumeSource::new(root.path()));
    let home = root.path().join("counterfoil/pier-4");
    card.clock.set_wall(BEGUN);
    for (day, suffix) in [(0, "first"), (100, "second")] {
        card.clock.set_wall(BEGUN + day * DAY);
        for name in ["one", "two", "six"] {
            card.deliver(&format!("new/{name}"), &mail(&format!("new {name} {suffix}")));
        }
        card.scan(0);
        card.copy_to(Arc::clone(&volume_source), "folder").outcome.unwrap();
    }
    let place = |name: &str| {
        let all = crate::card::tree(&home.join("data"));
        let expected = mail(&format!("new {name} first"));
        let found = all.into_iter().find(|(_, bytes)| *bytes == expected);
        home.join("data").join(found.unwrap().0)
    };
    let (one, two, six) = (place("one"), place("two"), place("six"));
    // Somebody has kept a second name for one, and put a link in place of another.
    std::fs::hard_link(&two, root.path().join("kept")).unwrap();
    let aside = root.path().join("aside");
    std::fs::rename(&six, &aside).unwrap();
    std::os::unix::fs::symlink(&aside, &six).unwrap();

    let drive = || DriveRef {
        volume_source: Arc::clone(&volume_source),
        label: "folder".into(),
        path: "folder".into(),
        begin: NewDrivePolicy::Never,
    };
    let open = || {
        let present_drives = PresentDrives::default();
        sync_drive::open(
            &card.catalogue,
            &station(),
            &drive(),
            Access::Write,
            &present_drives,
            &card.clock,
        )
    };
    let mut admitted = open().unwrap();
    let (catalogue, clock) = (&card.catalogue, &card.clock);
    let done = prune(catalogue, &mut admitted, u64::MAX, AFTER, clock, &Unwatched).unwrap();
    assert_eq!(done.copies, 3);
    drop(admitted);
    assert!(!one.exists());
    assert_eq!(std::fs::read(root.path().join("kept")).unwrap(), mail("new two first"));
    assert_eq!(std::fs::read(&aside).unwrap(), mail("new six first"));
    // None of it prevents the drive from being used.
    card.clock.reboot();
    open().unwrap();
    let manifest = std::fs::read_to_string(home.join("manifest-sha256.txt")).unwrap();
    assert_eq!(manifest.lines().filter(|line| line.starts_with('#')).count(), 3);
}
