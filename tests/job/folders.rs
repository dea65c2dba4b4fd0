//! New mailbox folders in a restore: they are filled in a staging folder and get their names with all their contents.
//! Whatever prevents the rename, each message is restored whole.

use crate::card::{Card, folder, mail, tree};
use crate::medium::{copies_of, expect_same, restored_into, try_restored_into};
use crate::support::memory::MemoryDrive;
use counterfoil::disk::{ErrorKind, STAGING, TargetLocks, leads_to};
use counterfoil::job::{JobError, Progress, Unwatched};
use counterfoil::model::limits::RESTORE_NEW_FOLDERS;
use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::Path;

fn mirrored(paths: impl IntoIterator<Item = String>) -> (Card, MemoryDrive) {
    let (card, drive) = (Card::new(), MemoryDrive::default());
    for path in paths {
        card.deliver(&path, &mail(&path));
    }
    card.mirrored(&drive);
    (card, drive)
}

fn expect_nothing_staged(into: &Path) {
    assert!(!into.join(STAGING).exists());
}

/// Changes the target folder as soon as the first message is there, before any message has its name.
struct Meanwhile<F>(std::sync::Once, F);

impl<F: Fn() + Send + Sync> Progress for Meanwhile<F> {
    fn advance(&self, _: u64, _: u64) {
        self.0.call_once(&self.1);
    }
}

fn meanwhile<F: Fn() + Send + Sync>(what: F) -> Meanwhile<F> {
    Meanwhile(std::sync::Once::new(), what)
}

/// Nested folders, and more of them than are staged at once.
#[test]
fn many_new_folders_come_back_each_with_its_own() {
    let folders = RESTORE_NEW_FOLDERS as u32 + 20;
    let paths = (0..folders).flat_map(|n| [format!("f{n:03}/one"), format!("f{n:03}/deep/er/two")]);
    let (card, drive) = mirrored(paths.chain(["flat".to_owned()]));
    let into = folder();
    fs::set_permissions(into.path(), fs::Permissions::from_mode(0o750)).unwrap();
    let report = restored_into(into.path(), &[&drive], false, &Unwatched);
    assert!(report.is_whole(), "{report:?}");
    expect_same(&tree(into.path()), &card.messages(), "restored");
    for made in ["f000", "f000/deep", "f000/deep/er", "f083/deep/er"] {
        let mode = fs::metadata(into.path().join(made)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700, "{made} is its owner's alone, whatever is above it");
    }
    expect_nothing_staged(into.path());
}

/// The mail program creates the folder and delivers into it while its messages are being restored.
#[test]
fn a_folder_that_is_made_meanwhile_keeps_its_own_and_gets_the_rest() {
    let (card, drive) = mirrored(["in/one", "in/two", "in/three"].map(str::to_owned));
    let into = folder();
    let inbox = into.path().join("in");
    let deliver = meanwhile(|| {
        fs::create_dir(&inbox).unwrap();
        fs::write(inbox.join("two"), "delivered meanwhile").unwrap();
        fs::write(inbox.join("four"), "delivered too").unwrap();
    });
    let report = restored_into(into.path(), &[&drive], false, &deliver);
    assert!(report.is_whole(), "{report:?}");
    assert_eq!((report.restored, report.kept_both), (3, 1));
    let mut files = tree(into.path());
    assert_eq!(files.remove("in/two").unwrap(), b"delivered meanwhile");
    assert_eq!(files.remove("in/four").unwrap(), b"delivered too");
    let conflict_names: Vec<_> =
        files.keys().filter(|path| path.starts_with("in/two.")).cloned().collect();
    assert_eq!(conflict_names.len(), 1, "{files:?}");
    let two = files.remove(&conflict_names[0]).unwrap();
    files.insert("in/two".to_owned(), two);
    expect_same(&files, &card.messages(), "restored");
    expect_nothing_staged(into.path());
}

/// A link that takes the folder's name meanwhile is not followed.
#[test]
fn a_link_made_meanwhile_in_a_folders_place_leads_nothing_out() {
    let (_card, drive) = mirrored(["in/one", "in/two"].map(str::to_owned));
    let (into, outside) = (folder(), folder());
    let link = meanwhile(|| symlink(outside.path(), into.path().join("in")).unwrap());
    let report = restored_into(into.path(), &[&drive], false, &link);
    assert_eq!(report.not_written.len(), 2, "{report:?}");
    assert_eq!(fs::read_dir(outside.path()).unwrap().count(), 0);
    expect_nothing_staged(into.path());
}

/// A copy that proves wrong was already written in part: none of it may be in the folder when that gets its name.
#[test]
fn a_damaged_copy_leaves_no_file_in_its_new_folder() {
    let (card, drive) = mirrored(["in/one", "in/two", "in/three"].map(str::to_owned));
    let damaged = copies_of(&drive, &mail("in/two"));
    assert_eq!(damaged.len(), 1);
    drive.tamper(&damaged[0], |bytes| bytes[0] ^= 1);
    let into = folder();
    let report = restored_into(into.path(), &[&drive], false, &Unwatched);
    assert_eq!((report.restored, report.damaged.len()), (2, 1), "{report:?}");
    let mut expected = card.messages();
    expected.remove("in/two");
    expect_same(&tree(into.path()), &expected, "restored");
    expect_nothing_staged(into.path());
}

/// A second restore begins while files of the first are staged: it is refused, and cleans up nothing.
#[test]
fn a_second_restore_in_the_middle_of_the_first_is_refused() {
    let (card, drive) = mirrored(["in/one", "in/two", "flat"].map(str::to_owned));
    let (into, other) = (folder(), folder());
    let second = meanwhile(|| {
        assert!(into.path().join(STAGING).exists(), "the first has staged something");
        let before = tree(into.path());
        let refused = try_restored_into(into.path(), &[&drive], false, &Unwatched);
        assert!(matches!(refused, Err(JobError::TargetBusy { .. })), "{refused:?}");
        assert_eq!(tree(into.path()), before);
        // Into another folder it is allowed.
        restored_into(other.path(), &[&drive], false, &Unwatched);
    });
    let report = restored_into(into.path(), &[&drive], false, &second);
    assert!(second.0.is_completed());
    assert!(report.is_whole(), "{report:?}");
    for back in [&into, &other] {
        expect_same(&tree(back.path()), &card.messages(), "restored");
        expect_nothing_staged(back.path());
    }
    restored_into(into.path(), &[&drive], false, &Unwatched);
}

/// Two mailboxes restored into one folder are not two restores.
#[test]
fn two_mailboxes_into_one_folder_do_not_wait_for_each_other() {
    let into = folder();
    let locks = TargetLocks::default();
    let by_a_link = folder();
    symlink(into.path(), by_a_link.path().join("link")).unwrap();
    locks.lock_folder(into.path()).unwrap();
    let link = by_a_link.path().join("link");
    locks.lock_folder(&link).unwrap_err();
    locks.lock_folder(&leads_to(&link)).unwrap();
    let others = TargetLocks::default();
    assert_eq!(others.lock_folder(into.path()).unwrap_err().trouble, ErrorKind::Busy);
    drop(locks);
    others.lock_folder(into.path()).unwrap();
    assert_eq!(fs::read_dir(into.path()).unwrap().count(), 0);
}

/// The remains of an earlier restore are removed, and nothing else: a link there is not followed, and a folder that
/// contains folders is not ours.
#[test]
fn only_what_an_earlier_restore_left_staged_is_cleared() {
    let (card, drive) = mirrored(["in/one".to_owned()]);
    let (into, outside) = (folder(), folder());
    let staging = into.path().join(STAGING);
    for (file, text) in [("00000002/one", "half of a mess"), ("00000004/deep/note", "not ours")] {
        fs::create_dir_all(staging.join(file).parent().unwrap()).unwrap();
        fs::write(staging.join(file), text).unwrap();
    }
    fs::write(staging.join("00000001"), "half of another").unwrap();
    fs::write(outside.path().join("kept"), "outside").unwrap();
    symlink(outside.path(), staging.join("00000003")).unwrap();
    let report = restored_into(into.path(), &[&drive], false, &Unwatched);
    assert!(report.is_whole(), "{report:?}");
    assert_eq!(fs::read_to_string(outside.path().join("kept")).unwrap(), "outside");
    let left: Vec<_> = fs::read_dir(&staging).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left, ["00000004"]);
    assert_eq!(fs::read_to_string(staging.join("00000004/deep/note")).unwrap(), "not ours");
    fs::remove_dir_all(&staging).unwrap();
    expect_same(&tree(into.path()), &card.messages(), "restored");
}
