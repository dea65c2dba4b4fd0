//! Message files collected by others: odd, broken, old and foreign ones, mirrored and restored. Never examines their
//! contents: every byte and every time has to come back.

use crate::inspector;
use crate::post::Post;
use crate::tools::diff;
use std::collections::BTreeMap;
use std::fs::{self, File, FileTimes};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, SystemTime};

/// Folder `resources` of the crate `mail-parser`, version 0.11.9.
fn resources() -> PathBuf {
    let out = Command::new(std::env::var_os("CARGO").unwrap())
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(out.status.success(), "cargo metadata: {}", String::from_utf8_lossy(&out.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let mut packages = metadata["packages"].as_array().unwrap().iter();
    let package =
        packages.find(|p| p["name"] == "mail-parser" && p["version"] == "0.11.9").unwrap();
    let manifest = Path::new(package["manifest_path"].as_str().unwrap());
    manifest.with_file_name("resources")
}

/// Every regular file below a folder, by its path relative to it.
fn files(root: &Path) -> Vec<PathBuf> {
    let walk = walkdir::WalkDir::new(root).sort_by_file_name().into_iter().map(Result::unwrap);
    let files = walk.filter(|entry| entry.file_type().is_file());
    files.map(|entry| entry.path().strip_prefix(root).unwrap().to_owned()).collect()
}

fn times(root: &Path) -> BTreeMap<PathBuf, SystemTime> {
    let time = |at: &PathBuf| fs::metadata(root.join(at)).unwrap().modified().unwrap();
    files(root).into_iter().map(|at| (at.clone(), time(&at))).collect()
}

/// Writes the corpus twice: as the mailbox, and as the reference that nothing changes. Each file gets a time of its
/// own, with a fraction, the first ones before 1970.
fn deliver_corpus(post: &Post) -> usize {
    let mut count = 0;
    let resources = resources();
    for part in ["eml", "maildir"] {
        for at in files(&resources.join(part)) {
            let bytes = fs::read(resources.join(part).join(&at)).unwrap();
            let since = Duration::new(
                86_400 * 200 * count as u64,
                1_000_003 * count as u32 % 1_000_000_000,
            );
            let time = SystemTime::UNIX_EPOCH - Duration::from_secs(27_723_426) + since;
            for tree in [post.mailbox(), post.path("reference")] {
                let to = tree.join(part).join(&at);
                fs::create_dir_all(to.parent().unwrap()).unwrap();
                fs::write(&to, &bytes).unwrap();
                File::options()
                    .write(true)
                    .open(&to)
                    .unwrap()
                    .set_times(FileTimes::new().set_modified(time))
                    .unwrap();
            }
            count += 1;
        }
    }
    // A Maildir always has a `tmp`; as an empty folder it was lost when the corpus was packed.
    for maildir in ["", ".My Folder", ".My Folder.Nested Folder"] {
        for tree in [post.mailbox(), post.path("reference")] {
            fs::create_dir(tree.join("maildir").join(maildir).join("tmp")).unwrap();
        }
    }
    count
}

fn expect_alike(post: &Post, restored: &Path) {
    let reference = post.path("reference");
    assert_eq!(diff(&reference, restored), "", "diff -r finds no difference");
    assert_eq!(times(&reference), times(restored), "times return to the nanosecond");
}

#[test]
fn a_corpus_of_odd_mail_comes_back_from_two_drives_and_from_each_alone() {
    let mut post = Post::new();
    let count = deliver_corpus(&post);
    let kinds = files(&post.path("reference"));
    let eml = kinds.iter().filter(|at| at.extension().is_some_and(|e| e == "eml")).count();
    let maildir = kinds.iter().filter(|at| at.starts_with("maildir")).count();
    assert_eq!((eml, maildir), (107, 6), "the corpus is the one that was counted");

    let done = post.mirror(&["left", "right"]);
    assert_eq!(done["failed"], 0, "{done}");
    inspector::expect_strict_bag(&post.bag("left"));
    inspector::expect_strict_bag(&post.bag("right"));
    let audit = post.expect(0, "audit", &["left", "right"], &[]);
    assert_eq!(audit["messages"]["mirrored"], count, "{audit}");

    for drives in [&["left", "right"][..], &["left"], &["right"]] {
        post.card_dies();
        let restored = post.expect(0, "restore", drives, &[]);
        assert_eq!(restored["restored"], count, "from {drives:?}: {restored}");
        expect_alike(&post, &post.mailbox());
        let again = post.expect(0, "restore", drives, &[]);
        assert_eq!(
            (&again["restored"], &again["identical"]),
            (&0.into(), &count.into()),
            "{again}"
        );
        expect_alike(&post, &post.mailbox());
    }
}

/// The drive goes to the relief operator, who has a laptop and no mailbox of this station.
#[test]
fn the_relief_operator_gets_the_same_mail_in_a_folder_of_their_own() {
    let mut post = Post::new();
    let count = deliver_corpus(&post);
    post.mirror(&["stick"]);
    post.card_dies();
    let folder = post.path("relief");
    let into = ["--into".as_ref(), folder.as_os_str()];
    let would = post.expect(0, "restore", &["stick"], &[into[0], into[1], "--dry-run".as_ref()]);
    assert_eq!(would["restored"], count, "{would}");
    assert!(!folder.exists(), "a dry run writes nothing");
    let restored = post.expect(0, "restore", &["stick"], &into);
    assert_eq!(restored["restored"], count, "{restored}");
    expect_alike(&post, &folder);
    assert_eq!(files(&post.mailbox()), [] as [PathBuf; 0], "the mailbox was left alone");
}
