//! A rehearsal's yes and no, each held against a restore that is really made and a look at both trees that knows
//! nothing of the program: it says yes where they are the same, and only there.

use crate::command_output::CommandOutput;
use crate::station::{Mounted, Station, mail, sh};
use crate::stick::Stick;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

/// What must be alike of a file: bytes, permission bits, second of the last change.
pub(super) type Facts = (Vec<u8>, u32, i64);

/// A tree as this test sees it.
#[derive(Default, Debug, PartialEq)]
pub(super) struct Tree {
    pub(super) files: BTreeMap<PathBuf, Facts>,
    folders: BTreeSet<PathBuf>,
    /// Links and the like.
    others: BTreeSet<PathBuf>,
}

pub(super) fn walk(root: &Path, leave_out: &dyn Fn(&Path) -> bool) -> Tree {
    let mut tree = Tree::default();
    if !root.exists() {
        return tree;
    }
    for entry in walkdir::WalkDir::new(root).min_depth(1) {
        let entry = entry.unwrap();
        let path = entry.path().strip_prefix(root).unwrap().to_owned();
        if leave_out(&path) {
            continue;
        }
        let facts = entry.path().symlink_metadata().unwrap();
        if facts.is_dir() {
            tree.folders.insert(path);
        } else if facts.is_file() {
            let bytes = fs::read(entry.path()).unwrap();
            tree.files.insert(path, (bytes, facts.mode() & 0o777, facts.mtime()));
        } else {
            tree.others.insert(path);
        }
    }
    tree
}

/// Whether a restore, made into an empty folder, gives these mailboxes as they are.
fn restore_gives(
    station: &Station,
    stick: &Stick,
    mailboxes: &[(&str, PathBuf)],
    leave_out: &dyn Fn(&Path) -> bool,
) -> bool {
    let whole = station.restore();
    let code = whole.code();
    let lines = stick.lines();
    let output: BTreeSet<&str> = lines.iter().filter_map(|line| line["mailbox"].as_str()).collect();
    let into = |name: &str| match output.contains(name) {
        true if output.len() > 1 => Some(station.restored().join(name)),
        true => Some(station.restored()),
        false => None,
    };
    let same = |(name, path): &(&str, PathBuf)| {
        let given = into(name).map(|into| walk(&into, leave_out)).unwrap_or_default();
        if !path.is_dir() {
            return false;
        }
        let there = walk(path, leave_out);
        there.files == given.files
            && there.others.is_empty()
            && given.folders.is_subset(&there.folders)
    };
    code == Some(0) && mailboxes.iter().all(same)
}

pub(super) fn rehearse_in(station: &Station, temporary: &Path, more: &[&str]) -> CommandOutput {
    fs::create_dir_all(temporary).unwrap();
    let words: Vec<&str> = ["restore", "--rehearse"].iter().chain(more).copied().collect();
    let args: Vec<OsString> = station.arguments(&words);
    let output = station.run_with(&args, &[("TMPDIR", Some(temporary.as_os_str()))]);
    assert_eq!(left_in(temporary), 0, "nothing is left");
    output
}

fn left_in(folder: &Path) -> usize {
    fs::read_dir(folder).unwrap().count()
}

/// A station and what is looked at in one situation.
pub(super) struct Case {
    pub(super) station: Station,
    pub(super) red: Stick,
    pub(super) mailboxes: Vec<(&'static str, PathBuf)>,
    pub(super) ignored: &'static [&'static str],
}

impl Case {
    pub(super) fn new() -> Self {
        let (station, red) = Station::in_memory();
        for (path, subject) in [("0001.eml", "water level"), ("out/0002.eml", "bridge closed")] {
            station.deliver(path, mail(subject));
        }
        let mailboxes = vec![("inbox", station.inbox())];
        Self { station, red, mailboxes, ignored: &[] }
    }

    pub(super) fn mirrored() -> Self {
        let case = Self::new();
        case.station.mirror().expect_safe();
        case
    }

    /// The answer in JSON, in words and as exit code; that the audit remembers it; and the truth. All must be one.
    pub(super) fn expect(&self, what: &str, good: bool, words: &[&str]) {
        let leave_out = |path: &Path| self.ignored.iter().any(|name| path.ends_with(name));
        let truth = restore_gives(&self.station, &self.red, &self.mailboxes, &leave_out);
        assert_eq!(truth, good, "{what}: what a restore gives is not what this story says");
        let temporary = self.station.path("passing");
        let before = self.audited();
        let output = rehearse_in(&self.station, &temporary, &["--json"]);
        let json = output.json();
        let shown = format!("{what}: {json}");
        assert_eq!(json["good"], good, "{shown}");
        assert_eq!(output.code(), Some(i32::from(!good)), "{shown}");
        assert_eq!(json["rehearsed"].is_null(), !good, "{shown}");
        if good {
            assert_eq!(self.audited(), json["rehearsed"], "{shown}");
        } else {
            assert_eq!(self.audited(), before, "{shown}");
        }
        let output = rehearse_in(&self.station, &temporary, &[]);
        assert_eq!(output.code(), Some(i32::from(!good)), "{what}");
        let text = output.text();
        assert_eq!(text.contains("YES: "), good, "{what}: {text}");
        assert_eq!(text.contains("NO: "), !good, "{what}: {text}");
        output.expect_words(words);
    }

    fn audited(&self) -> serde_json::Value {
        self.station.audit().json()["rehearsed"].clone()
    }
}

#[test]
fn what_was_mirrored_is_given_and_what_was_not_is_not() {
    let case = Case::mirrored();
    case.expect(
        "all mirrored",
        true,
        &["2 messages", "all correct", "all 2 messages are the same"],
    );
    case.station.deliver("0003.eml", mail("not on the stick yet"));
    case.expect(
        "new",
        false,
        &[
            "inbox/0003.eml is in the mailbox, but a restore does not bring it back",
            "counterfoil mirror",
        ],
    );
    case.station.mirror().expect_safe();
    case.expect("new and mirrored", true, &[]);
    case.station.replace("0003.eml", mail("edited, and longer than it was"));
    case.expect(
        "edited",
        false,
        &["inbox/0003.eml is not the same in the mailbox", "counterfoil mirror"],
    );
    case.station.mirror();
    case.expect(
        "edited and mirrored: the one before is missing",
        false,
        &["but a restore brings it back"],
    );
    case.station.command(&["acknowledge", "--missing"]).expect_safe();
    case.station.mirror().expect_safe();
    case.expect("and acknowledged", true, &[]);
    fs::create_dir_all(case.station.inbox().join("archive/2003")).unwrap();
    case.station.deliver("empty.eml", "");
    case.station.mirror();
    case.expect("folders without a message, and an empty message", true, &["all 4 messages"]);
}

#[test]
fn what_the_mailbox_lacks_is_a_no_with_what_to_do() {
    let case = Case::mirrored();
    case.station.delete("0001.eml");
    let words = [
        "inbox/0001.eml is not in the mailbox, but a restore brings it back",
        "1 message that the mailbox lacks would come back",
        "  counterfoil restore --config",
        "  counterfoil acknowledge --missing --config",
    ];
    case.expect("deleted unseen", false, &words);
    case.station.mirror();
    case.expect("deleted unseen, and told", false, &words);
    case.station.command(&["acknowledge", "--missing"]).expect_safe();
    case.station.mirror().expect_safe();
    case.expect("acknowledged", true, &["its 1 message is the same"]);
    let case = Case::mirrored();
    case.station.delete("0001.eml");
    case.station.command(&["restore"]).expect_safe();
    case.expect("put back", true, &[]);
}

#[test]
fn a_deletion_that_was_seen_is_no_difference() {
    let case = Case::mirrored();
    case.station.delete_seen("0001.eml");
    case.station.mirror().expect_safe();
    case.expect("one removed", true, &["its 1 message is the same"]);
    case.station.delete_seen("out/0002.eml");
    case.station.mirror().expect_safe();
    case.expect("only removed", true, &["0 messages", "empty, and a restore brings nothing back"]);
}

#[test]
fn every_mailbox_that_is_named_counts() {
    let mut case = Case::mirrored();
    case.station.add_mailbox("club");
    case.mailboxes.push(("club", case.station.mailbox("club")));
    case.expect(
        "a second one, empty and never mirrored",
        true,
        &["Mailbox club", "empty, and a restore brings nothing back"],
    );
    case.station.deliver_to("club", "0001.eml", mail("meeting"));
    case.expect(
        "a second one, never mirrored",
        false,
        &["club/0001.eml is in the mailbox, but a restore does not bring it back"],
    );
    case.station.mirror().expect_safe();
    case.expect("both mirrored", true, &["Mailbox inbox", "Mailbox club"]);
    let away = case.station.path("elsewhere");
    fs::rename(case.station.mailbox("club"), &away).unwrap();
    let words =
        ["the folder of mailbox club does not exist", "NO: 1 mailbox could not be compared"];
    case.expect("one of two away", false, &words);
    fs::write(case.station.mailbox("club"), "no folder").unwrap();
    case.expect("one of two no folder", false, &["mailbox club is not a folder"]);
    fs::remove_file(case.station.mailbox("club")).unwrap();
    fs::rename(&away, case.station.mailbox("club")).unwrap();
    case.expect("and back", true, &[]);
    case.station.add_mailbox("third");
    fs::remove_dir(case.station.mailbox("third")).unwrap();
    case.mailboxes.push(("third", case.station.mailbox("third")));
    case.expect(
        "one away of which no stick tells",
        false,
        &["the folder of mailbox third does not exist"],
    );
}

/// As root every folder can be read: here somebody else asks.
#[test]
fn a_mailbox_that_cannot_be_read_is_a_no_and_no_failure() {
    let (mut station, _red) = Station::in_memory();
    station.deliver("0001.eml", mail("water level"));
    station.add_mailbox("club");
    station.deliver_to("club", "0001.eml", mail("meeting"));
    station.mirror().expect_safe();
    let temporary = station.path("passing");
    fs::create_dir(&temporary).unwrap();
    station.run_as_nobody();
    rehearse_in(&station, &temporary, &["--json"]).expect_safe();
    let no_right =
        |path: &Path| fs::set_permissions(path, fs::Permissions::from_mode(0o000)).unwrap();
    no_right(&station.mailbox("club").join("0001.eml"));
    let output = rehearse_in(&station, &temporary, &["--json"]).expect_unsafe();
    output.expect_counts(&[("unread", 1), ("same", 1)]);
    rehearse_in(&station, &temporary, &[]).expect_unsafe().expect_words(&[
        "club/0001.eml cannot be read in the mailbox",
        "NO: 1 message that cannot be read",
    ]);
    no_right(&station.mailbox("club"));
    let output = rehearse_in(&station, &temporary, &["--json"]).expect_unsafe();
    assert_eq!(output.json()["mailboxes_not_there"], serde_json::json!(["club"]));
    rehearse_in(&station, &temporary, &[]).expect_unsafe().expect_words(&[
        "the folder of mailbox club cannot be read (",
        "NO: 1 mailbox could not be compared",
    ]);
}

#[test]
fn a_mailbox_under_a_new_name_is_one_tree_with_the_old_one() {
    // In a usual place for mail, so that the drive's word on it is believed.
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.deliver("out/0002.eml", mail("bridge closed"));
    station.mirror().expect_safe();
    station.name_mailboxes_as(&[("post", "inbox")]);
    let mailboxes = vec![("post", station.inbox())];
    let case = Case { station, red, mailboxes, ignored: &[] };
    case.station.mirror();
    // A restore to where the mailboxes are gives both names into the one folder.
    let temporary = case.station.path("passing");
    rehearse_in(&case.station, &temporary, &["--json"]).expect_safe().expect_counts(&[
        ("same", 2),
        ("restored", 2),
        ("only_restored", 0),
    ]);
    let kept = case.station.path("kept");
    fs::rename(case.station.inbox(), &kept).unwrap();
    case.station.command(&["restore", "--json"]).expect_safe();
    let nothing = |_: &Path| false;
    assert_eq!(walk(&kept, &nothing), walk(&case.station.inbox(), &nothing));
}

#[test]
fn what_a_stick_cannot_give_is_a_no() {
    let case = Case::mirrored();
    case.red.rot(&case.red.payload_of("out/0002.eml"));
    case.expect("a damaged copy", false, &["inbox/out/0002.eml: no whole copy is on these sticks"]);
    let mut case = Case::mirrored();
    let blue = case.station.drive("blue");
    case.station.mirror().expect_safe();
    case.expect("two sticks", true, &[]);
    fs::rename(blue.path(), case.station.path("gone")).unwrap();
    let words = [
        "NO: not read to the end:",
        "media/blue",
        "A stick could not be read: pull it out, plug it in again",
    ];
    case.expect("one of two sticks cannot be read", false, &words);
    fs::rename(case.station.path("gone"), blue.path()).unwrap();
    blue.rot(&blue.payload_of("0001.eml"));
    case.expect("a damaged copy, and a good one on the other stick", true, &[]);
}

#[test]
fn a_temporary_folder_that_is_full_is_a_no_and_left_empty() {
    let (station, _red) = Station::in_memory();
    for number in 0..40 {
        station.deliver(format!("m{number:02}.eml"), mail("traffic") + &"x".repeat(50_000));
    }
    station.mirror().expect_safe();
    let small = Mounted::small(&station.path("small"), "size=1m");
    let output = rehearse_in(&station, small.path(), &["--json"]).expect_unsafe();
    let json = output.json();
    assert_eq!(json["good"], false);
    let number = |name: &str| json[name].as_u64().unwrap();
    assert!(number("not_written") > 0 && number("restored") > 0, "{json}");
    assert_eq!(number("not_written") + number("restored"), 40, "{json}");
    assert_eq!(number("not_restored"), number("not_written"), "{json}");
    rehearse_in(&station, small.path(), &[]).expect_unsafe().expect_words(&[
        "the folder for temporary files is full",
        "TMPDIR",
        "NO: ",
    ]);
    assert!(station.audit().json()["rehearsed"].is_null());
}

/// What a rehearsal says is the same in text, JSON and page of the audit, also after a later one that was a no.
#[test]
fn the_audit_says_the_date_of_the_last_yes_everywhere() {
    let case = Case::mirrored();
    let rehearsed = rehearse_in(&case.station, &case.station.path("passing"), &["--json"]).json();
    let rehearsed = rehearsed["rehearsed"].as_str().unwrap().to_owned();
    let minute = rehearsed[..16].replace('T', " ");
    let page = case.station.path("audit.html");
    for what in ["good", "bad afterwards"] {
        if what != "good" {
            case.station.deliver("0003.eml", mail("not on the stick yet"));
            rehearse_in(&case.station, &case.station.path("passing"), &[]).expect_unsafe();
        }
        assert_eq!(case.audited(), rehearsed.as_str(), "{what}");
        let said =
            format!("A restore was last rehearsed, and brought everything back, on {minute}");
        case.station.command(&["audit", "--html", page.to_str().unwrap()]);
        let text = case
            .station
            .command(&["audit"])
            .text()
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        assert!(text.contains(&said), "{what}: {said}: {text}");
        assert!(fs::read_to_string(&page).unwrap().contains(&said), "{what}");
    }
}

/// In a mailbox the temporary folder would be taken for mail.
#[test]
fn a_temporary_folder_in_a_mailbox_is_refused() {
    let case = Case::mirrored();
    let temporary = case.station.inbox().join("out");
    let args = case.station.arguments(&["restore", "--rehearse"]);
    case.station
        .run_with(&args, &[("TMPDIR", Some(temporary.as_os_str()))])
        .expect_refused()
        .expect_words(&["lies in mailbox inbox", "TMPDIR"]);
    assert_eq!(left_in(&temporary), 1, "the message that was there");
}

#[test]
fn an_error_in_the_middle_leaves_nothing() {
    let mut case = Case::mirrored();
    let words = [
        "strace",
        "-f",
        "-qq",
        "-o",
        "/dev/null",
        "-e",
        "trace=syncfs",
        "-e",
        "inject=syncfs:error=EIO",
    ];
    case.station.run_prefixed(&words.map(OsStr::new));
    rehearse_in(&case.station, &case.station.path("passing"), &[]).expect_failed();
    // What would be needed for this: strace.
    sh("strace", &["-V"]);
}
