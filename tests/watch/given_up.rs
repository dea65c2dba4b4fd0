//! Drives that their operator gave up, and drives on the card itself, while the daemon runs.

use crate::post::{Post, files};
use serde_json::Value;
use std::process::Output;

fn forget(post: &Post, name: &str) -> Output {
    let words = ["forget", name, "--why", "broken", "--where", "the bin"];
    post.command("drives").args(words).output().unwrap()
}

fn drive(post: &Post, label: &str) -> Value {
    let output = post.command("status").arg("--json").output().unwrap();
    let status: Value = serde_json::from_slice(&output.stdout).unwrap();
    let drives = status["drives"].as_array().unwrap();
    drives.iter().find(|drive| drive["label"] == label).cloned().unwrap_or_default()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// While it is plugged in: from then on it gets nothing more, and its copies do not count; the other one continues.
#[test]
fn a_stick_that_is_in_is_given_up_and_gets_nothing_more() {
    let mut post = Post::new(&["amber", "birch"]);
    post.config_with("", "wanted_copies = 2\n");
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until_mirrored("birch", &["one"]);
    post.until("all is safe", || post.audit()["messages"]["unmirrored"] == 0);
    let told = forget(&post, "amber");
    assert!(told.status.success(), "{}", said(&told));
    assert!(said(&told).contains("forgotten since"), "{}", said(&told));
    assert_eq!(post.audit()["messages"]["unmirrored"], 1);
    post.until("the daemon has seen it", || drive(&post, "amber")["state"] == "forgotten");
    // The audit that the daemon has written says it too.
    post.until("the log says so", || {
        let log = post.log();
        log.contains("restore still reads them") && log.contains("broken, the bin")
    });
    let before = files(&post.path("amber"));
    post.deliver("two", "2");
    post.until_mirrored("birch", &["one", "two"]);
    assert_eq!(files(&post.path("amber")), before);
    assert_eq!(drive(&post, "amber")["counts"], false);

    // Taken back: it gets what it missed, and counts.
    let add = post.command("drives").arg("add").arg(post.path("amber")).output().unwrap();
    assert!(add.status.success() && said(&add).contains("taken back"), "{}", said(&add));
    post.until_mirrored("amber", &["one", "two"]);
    post.until("all is safe", || post.audit()["messages"]["unmirrored"] == 0);
    assert_eq!(post.recorded_paths("amber", "mirrored"), ["one", "two"]);
}

/// The daemon releases it first, and the wiped drive gets nothing more until it is plugged in anew.
#[test]
fn a_stick_is_wiped_beside_the_daemon() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until_mirrored("birch", &["one"]);
    post.until("all is safe", || post.audit()["messages"]["unmirrored"] == 0);
    let wipe = ["wipe", "amber", "--confirm", "amber"];
    let told = post.command("drives").args(wipe).output().unwrap();
    assert!(told.status.success(), "{}", said(&told));
    assert!(files(&post.path("amber")).is_empty());
    post.deliver("two", "2");
    post.until_mirrored("birch", &["one", "two"]);
    assert!(files(&post.path("amber")).is_empty(), "it was let go of");
    post.until("all is safe", || post.audit()["messages"]["unmirrored"] == 0);
}

/// It was away, and is plugged in again.
#[test]
fn a_stick_given_up_that_turns_up_is_announced_and_left_alone() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until_mirrored("birch", &["one"]);
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    post.rename("amber", "elsewhere");
    post.deliver("two", "2");
    post.until("it is seen to be away", || drive(&post, "amber")["mounted"] == false);
    post.until_mirrored("birch", &["one", "two"]);
    assert!(forget(&post, "amber").status.success());
    assert_eq!(drive(&post, "amber")["mounted"], false);
    let before = files(&post.path("elsewhere"));
    post.rename("elsewhere", "amber");
    post.until("it is announced", || post.log().contains("is forgotten since"));
    post.deliver("three", "3");
    post.until_mirrored("birch", &["one", "three", "two"]);
    assert_eq!(drive(&post, "amber")["state"], "forgotten");
    assert_eq!(files(&post.path("amber")), before);
    let nobody = forget(&post, "cedar");
    assert_eq!(nobody.status.code(), Some(2));
    assert!(said(&nobody).contains("no drive cedar"), "{}", said(&nobody));
}

/// What was mirrored on that stick alone is not mirrored any more: the program that notifies of such mail is run.
#[test]
fn mail_that_only_a_stick_given_up_had_is_told() {
    let mut post = Post::new(&["amber"]);
    let told = post.path("told");
    let tell = format!("cat >>{}", told.display());
    let notify = format!("[notify]\ncommand = [\"sh\", \"-c\", {tell:?}]\nafter = \"1s\"\n");
    post.config_with("", &notify);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let lines = || std::fs::read_to_string(&told).unwrap_or_default().lines().count();
    // Its time is over when a message that stays unmirrored was reported.
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    std::os::unix::fs::symlink("nowhere", post.path("mail/link")).unwrap();
    post.until("another one is told", || lines() == 1);
    assert!(forget(&post, "amber").status.success());
    post.until("it is told", || lines() >= 2);
    let text = std::fs::read_to_string(&told).unwrap();
    let last: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    assert_eq!(last["messages"], 2, "{last}");
}

/// On the device of the mailbox: mirrored to, never counted, and every report says so.
#[test]
fn a_folder_beside_the_mailbox_is_kept_up_to_date_and_makes_nothing_safe() {
    let mut post = Post::new(&["amber"]);
    post.counts_same_device = false;
    let told = post.path("told");
    let tell = format!("cat >>{}", told.display());
    let notify = format!("[notify]\ncommand = [\"sh\", \"-c\", {tell:?}]\nafter = \"1s\"\n");
    post.config_with("", &notify);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until("it is told as unmirrored", || told.exists());
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    let audit = post.audit();
    assert_eq!(
        (&audit["messages"]["mirrored"], &audit["messages"]["unmirrored"]),
        (&0.into(), &1.into())
    );
    assert_eq!(audit["unmirrored"][0]["reason"], "no-drive");
    assert_eq!(audit["same_device_left_out"], serde_json::json!(["amber"]));
    let status = post.command("status").output().unwrap();
    assert_eq!(status.status.code(), Some(1));
    assert!(
        said(&status).contains("amber is on the same card or disk as mailbox mail"),
        "{}",
        said(&status)
    );
    let saved = post.path("state/audit.json");
    post.until("the audit is written", || saved.exists());
    let saved: Value = serde_json::from_slice(&std::fs::read(saved).unwrap()).unwrap();
    assert_eq!(saved["messages"]["mirrored"], 0);

    // A new config lets them count from then on.
    post.counts_same_device = true;
    post.config_with("", &notify);
    post.signal("HUP");
    post.until("they count", || post.audit()["messages"]["mirrored"] == 1);
    assert_eq!(post.audit()["same_device_counted"], serde_json::json!(["amber"]));
    post.deliver("two", "2");
    post.until_mirrored("amber", &["one", "two"]);
    std::os::unix::fs::symlink("nowhere", post.path("mail/link")).unwrap();
    let lines = || std::fs::read_to_string(&told).unwrap_or_default();
    post.until("what is not mirrored is told", || lines().contains("\"link\""));
    assert!(!lines().contains("\"two\""), "{}", lines());
    let last: Value = serde_json::from_str(lines().lines().last().unwrap()).unwrap();
    assert_eq!(last["messages"], 1, "{last}");
}

/// The running daemon logs it, and it still holds after a restart.
#[test]
fn leave_for_the_next_stick_is_logged_and_outlives_the_daemon() {
    let mut post = Post::new(&["amber"]);
    let config = std::fs::read_to_string(post.path("config.toml")).unwrap();
    let config = config.replace("accept = \"named\"", "accept = \"known\"");
    std::fs::write(post.path("config.toml"), config).unwrap();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let told = post.command("drives").args(["add", "--next", "10m"]).output().unwrap();
    assert!(told.status.success(), "{}", said(&told));
    post.until("the log says so", || post.log().contains("the next new stick is let in"));
    let seconds = |post: &Post| {
        let output = post.command("status").arg("--json").output().unwrap();
        let status: Value = serde_json::from_slice(&output.stdout).unwrap();
        status["next_stick_seconds"].as_u64()
    };
    assert!(seconds(&post).is_some_and(|left| left <= 600));
    post.stop();
    post.start();
    post.deliver("two", "2");
    post.until_mirrored("amber", &["one", "two"]);
    assert!(seconds(&post).is_some_and(|left| left <= 600), "a named folder is no new stick");
}

/// From then on the stick gets nothing more, while the daemon continues with the other.
#[test]
fn a_stick_that_is_in_is_refused_and_gets_nothing_more() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until_mirrored("birch", &["one"]);
    let told = post.command("drives").args(["refuse", "amber"]).output().unwrap();
    assert!(told.status.success() && said(&told).contains("is refused since"), "{}", said(&told));
    post.until("the log says so", || post.log().contains("which is refused since"));
    let before = files(&post.path("amber"));
    post.deliver("two", "2");
    post.until_mirrored("birch", &["one", "two"]);
    assert_eq!(files(&post.path("amber")), before);
    assert_eq!(drive(&post, "amber")["state"], "refused");
}
