//! What differs between a mailbox and what a restore gives, message by message: damage, rights, times, flags, what is
//! ignored, what is no file, two of one name. Each answer is held against the truth as in `rehearsals`.

use super::rehearsals::{Case, rehearse_in, walk};
use crate::station::mail;
use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::Path;
use std::time::{Duration, SystemTime};

#[test]
fn a_message_that_the_card_has_damaged_is_a_no_with_the_repair() {
    let case = Case::mirrored();
    case.station.replace("0001.eml", "");
    case.station.mirror();
    let file = case.station.inbox().join("0001.eml");
    let repair = format!("counterfoil restore --repair {} --config", file.display());
    let words =
        ["inbox/0001.eml is damaged on the card; the good version is on the sticks", &repair];
    case.expect("emptied", false, &words);
    case.station.replace("0001.eml", vec![0; 200]);
    case.station.mirror();
    case.expect("full of zeros", false, &words);
    case.station.command(&["restore", "--repair", file.to_str().unwrap()]).expect_safe();
    case.station.deliver("0004.eml", mail("one more"));
    // One damaged message does not make up for another one that differs.
    case.station.mirror();
    case.station.replace("out/0002.eml", "");
    case.station.mirror();
    case.station.replace("0004.eml", mail("one more, edited"));
    case.expect(
        "one damaged, one edited",
        false,
        &["inbox/out/0002.eml is damaged", "inbox/0004.eml is not the same"],
    );
}

#[test]
fn rot_that_leaves_length_and_time_is_damage() {
    let case = Case::mirrored();
    let file = case.station.inbox().join("0001.eml");
    let time = fs::metadata(&file).unwrap().modified().unwrap();
    fs::write(&file, mail("water leveL")).unwrap();
    fs::File::options().write(true).open(&file).unwrap().set_modified(time).unwrap();
    let repair = format!("counterfoil restore --repair {}", file.display());
    case.expect("rotten", false, &["inbox/0001.eml is damaged on the card", &repair]);
    case.station.command(&["restore", "--repair", file.to_str().unwrap()]).expect_safe();
    let kept = fs::read_dir(case.station.inbox()).unwrap().map(|entry| entry.unwrap().path());
    let kept: Vec<_> = kept.filter(|path| path.is_file() && *path != file).collect();
    assert_eq!(kept.len(), 1, "the damaged one is kept beside");
    fs::remove_file(&kept[0]).unwrap();
    case.expect("repaired", true, &[]);
}

#[test]
fn rights_and_times_are_part_of_the_tree() {
    let case = Case::new();
    let at = |name: &str| case.station.inbox().join(name);
    let rights =
        |mode| fs::set_permissions(at("0001.eml"), fs::Permissions::from_mode(mode)).unwrap();
    rights(0o600);
    case.station.date("out/0002.eml", 1_057_049_557);
    case.station.mirror().expect_safe();
    case.expect("rights 0600", true, &[]);
    rights(0o640);
    let words = [
        "inbox/0001.eml has other rights or another time",
        "NO: 1 message with other flags, rights or time",
    ];
    case.expect("rights changed", false, &words);
    case.station.mirror();
    case.expect("rights changed and mirrored", true, &[]);
    case.station.date("out/0002.eml", 1_057_049_558);
    case.expect("time changed", false, &["inbox/out/0002.eml has other rights or another time"]);
    case.station.mirror();
    case.expect("time changed and mirrored", true, &[]);
    let within = SystemTime::UNIX_EPOCH + Duration::new(1_057_049_558, 500_000_000);
    fs::File::options().write(true).open(at("out/0002.eml")).unwrap().set_modified(within).unwrap();
    case.expect("another fraction of the second", true, &[]);
}

#[test]
fn flags_of_a_maildir_are_names_of_files() {
    let case = Case::new();
    for folder in ["cur", "new", "tmp"] {
        fs::create_dir_all(case.station.inbox().join("md").join(folder)).unwrap();
    }
    case.station.deliver("md/new/17.M1.pier", mail("gauge"));
    case.station.deliver("md/cur/18.M2.pier:2,S", mail("boats"));
    case.station.mirror().expect_safe();
    case.expect("a Maildir", true, &[]);
    case.station.move_to("md/new/17.M1.pier", "md/cur/17.M1.pier:2,S");
    let words = [
        "inbox/md/new/17.M1.pier has other flags in the mailbox",
        "NO: 1 message with other flags",
        "counterfoil mirror",
    ];
    case.expect("flagged", false, &words);
    rehearse_in(&case.station, &case.station.path("passing"), &["--json"]).expect_counts(&[
        ("other_flags", 1),
        ("only_restored", 0),
        ("not_restored", 0),
    ]);
    case.station.mirror().expect_safe();
    case.expect("flagged and mirrored", true, &[]);
    fs::write(case.station.inbox().join("md/tmp/19.M3.pier"), "half of a mess").unwrap();
    let case = Case { ignored: &["md/tmp/19.M3.pier"], ..case };
    case.expect("an unfinished delivery", true, &[]);
    fs::remove_file(case.station.inbox().join("md/tmp/19.M3.pier")).unwrap();
    fs::remove_dir(case.station.inbox().join("md/tmp")).unwrap();
    let mkdir = format!("mkdir {}", case.station.inbox().join("md/tmp").display());
    case.expect(
        "a Maildir without tmp",
        false,
        &["inbox/md/tmp is no folder of the mailbox", &mkdir],
    );
}

#[test]
fn what_the_config_ignores_decides_nothing() {
    let case = Case { ignored: &["index.db"], ..Case::new() };
    case.station.deliver("index.db", "of a mail program");
    case.station.write_config("ignore = [\"**/index.db\"]\n");
    case.station.mirror().expect_safe();
    case.expect("ignored from the beginning", true, &[]);
    let case = Case { ignored: &["index.db"], ..Case::new() };
    case.station.deliver("index.db", "of a mail program");
    case.station.mirror().expect_safe();
    case.station.write_config("ignore = [\"**/index.db\"]\n");
    case.station.replace("index.db", "of a mail program, later");
    let said = "a restore also brings back 1 message that the mailbox leaves out now";
    case.expect("ignored later, and changed", true, &[said]);
    case.station.delete("index.db");
    case.expect("ignored later, and deleted", true, &[said]);
}

#[test]
fn what_is_no_file_is_a_no() {
    let case = Case::mirrored();
    symlink("/nowhere", case.station.inbox().join("link.eml")).unwrap();
    case.expect("a link", false, &["inbox/link.eml is a link, pipe or device"]);
}

#[test]
fn two_messages_of_one_name_are_a_no() {
    let case = Case::mirrored();
    fs::remove_dir_all(case.station.state()).unwrap();
    case.station.replace("0001.eml", mail("of another card, and longer"));
    case.station.mirror();
    case.expect(
        "two versions, neither the later",
        false,
        &["but a restore brings it back", "counterfoil acknowledge"],
    );
}

#[test]
fn copies_without_a_name_are_a_no() {
    let case = Case::mirrored();
    fs::remove_file(case.red.ledger()).unwrap();
    // A restore without the option --into gives nothing here, and says so: the truth is asked for with it.
    let temporary = case.station.path("passing");
    let output = rehearse_in(&case.station, &temporary, &["--json"]).expect_unsafe();
    output.expect_counts(&[("only_restored", 2), ("not_restored", 2), ("same", 0)]);
    case.station.restore().expect_safe();
    let nothing = |_: &Path| false;
    let given = walk(&case.station.restored(), &nothing);
    assert_eq!(given.files.len(), 2);
    assert!(given.files.keys().all(|path| path.starts_with("recovered")), "{given:?}");
    rehearse_in(&case.station, &temporary, &[])
        .expect_unsafe()
        .expect_words(&["inbox/recovered/", "NO: 2 messages only in the mailbox"]);
}
