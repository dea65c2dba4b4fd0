//! Several mailboxes, and one that is away, unmounted or back while the daemon runs.

use crate::post::Post;
use serde_json::Value;
use std::path::Path;
use std::process::Command;

/// A post with a second mailbox called `outbox`.
fn with_outbox(sticks: &[&'static str]) -> Post {
    let post = Post::new(sticks);
    let outbox = format!("[[mailbox]]\npath = {:?}\n", post.path("outbox"));
    post.config_with("", &outbox);
    post
}

fn status(post: &Post) -> (Option<i32>, Value) {
    let output = post.command("status").arg("--json").output().unwrap();
    (output.status.code(), serde_json::from_slice(&output.stdout).unwrap())
}

fn state_of(post: &Post, name: &str) -> String {
    let (_, told) = status(post);
    let mailboxes = told["mailboxes"].as_array().unwrap();
    let found = mailboxes.iter().find(|mailbox| mailbox["name"] == name).unwrap();
    found["state"].as_str().unwrap().to_owned()
}

fn deliver_to(post: &Post, mailbox: &str, name: &str, text: &str) {
    std::fs::write(post.path("being-written"), text).unwrap();
    std::fs::rename(post.path("being-written"), post.path(mailbox).join(name)).unwrap();
}

fn mount(words: &[&str], at: &Path) {
    assert!(Command::new("mount").args(words).arg(at).status().unwrap().success());
}

/// A mount, which is unmounted when the test ends, even in a failure.
struct Unmounts(std::path::PathBuf);

impl Drop for Unmounts {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("-q").arg(&self.0).status());
    }
}

#[test]
fn a_mailbox_that_is_away_holds_up_no_other_and_is_served_as_soon_as_it_comes() {
    let mut post = with_outbox(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until("it is said", || post.log().contains("the folder of mailbox outbox does not exist"));
    // The ledger has the line a moment before the catalogue has it.
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    let (code, told) = status(&post);
    assert_eq!((code, &told["verdict"]), (Some(1), &"not-known".into()), "{told}");
    assert_eq!(state_of(&post, "outbox"), "away");
    // Its folder appears, with mail in it.
    std::fs::create_dir(post.path("coming")).unwrap();
    deliver_to(&post, "coming", "two", "2");
    post.rename("coming", "outbox");
    post.until_mirrored("amber", &["one", "two"]);
    deliver_to(&post, "outbox", "three", "3");
    post.until_mirrored("amber", &["three"]);
    post.until("all is safe", || status(&post).0 == Some(0));
}

/// A stick that was plugged in while a mailbox was away gets its messages when it is back, though none of them is new.
#[test]
fn a_mailbox_that_is_back_is_told_to_the_stick_that_came_without_it() {
    let mut post = with_outbox(&["amber"]);
    std::fs::create_dir(post.path("outbox")).unwrap();
    deliver_to(&post, "outbox", "two", "2");
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one", "two"]);
    post.stop();
    post.sticks = vec!["birch"];
    std::fs::create_dir(post.path("birch")).unwrap();
    post.config_with("", &format!("[[mailbox]]\npath = {:?}\n", post.path("outbox")));
    post.rename("outbox", "elsewhere");
    post.start();
    post.until_mirrored("birch", &["one"]);
    post.rename("elsewhere", "outbox");
    post.until_mirrored("birch", &["two"]);
}

/// The partition with the mailbox is unmounted under the daemon, as when a card's slot fails: its messages are
/// missing, and nobody saw them deleted. Mounted again it is watched again at once.
#[test]
fn a_mailbox_unmounted_under_the_daemon_is_missing_and_never_removed() {
    let mut post = with_outbox(&["amber"]);
    let outbox = post.path("outbox");
    for folder in ["outbox", "part"] {
        std::fs::create_dir(post.path(folder)).unwrap();
    }
    let _unmounts = Unmounts(outbox.clone());
    for name in ["two", "three"] {
        std::fs::write(post.path("part").join(name), name).unwrap();
    }
    let part = post.path("part");
    mount(&["--bind", part.to_str().unwrap()], &outbox);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one", "two", "three"]);
    // The kernel refuses this while the daemon reads there.
    let unmount = || Command::new("umount").arg("-q").arg(&outbox).status().unwrap().success();
    post.until("it is unmounted", unmount);
    post.until("both are told as missing", || {
        post.recorded_paths("amber", "missing") == ["three", "two"]
    });
    let (code, told) = status(&post);
    assert_eq!((code, &told["verdict"]), (Some(1), &"damaged-or-missing".into()), "{told}");
    assert_eq!(state_of(&post, "outbox"), "emptied");
    assert_eq!(post.recorded_paths("amber", "removed"), [""; 0]);
    assert_eq!(post.restored().len(), 3, "everything comes back");
    mount(&["--bind", part.to_str().unwrap()], &outbox);
    post.until("it is back", || state_of(&post, "outbox") == "ok" && status(&post).0 == Some(0));
    std::fs::write(outbox.join("four"), "4").unwrap();
    post.until_mirrored("amber", &["four"]);
    assert_eq!(post.recorded_paths("amber", "removed"), [""; 0]);
}

/// A message that vanishes while another mailbox cannot be read may have been moved there: it does not count as
/// deleted.
#[test]
fn what_goes_while_another_mailbox_is_away_is_not_called_deleted() {
    let mut post = with_outbox(&["amber"]);
    post.deliver("one", "1");
    post.deliver("kept", "2");
    post.start();
    post.until_mirrored("amber", &["one", "kept"]);
    post.until("it is said", || post.log().contains("the folder of mailbox outbox does not exist"));
    std::fs::remove_file(post.path("mail/one")).unwrap();
    post.until("it is told as missing", || post.recorded_paths("amber", "missing") == ["one"]);
    assert_eq!(post.recorded_paths("amber", "removed"), [""; 0]);
}

/// A new config that gives the state folder to another station, or a mailbox's name to another folder, is refused while
/// the daemon runs: it continues as before.
#[test]
fn a_new_config_of_another_station_or_another_mailbox_is_refused_and_the_old_one_kept() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let good = std::fs::read_to_string(post.path("config.toml")).unwrap();
    let other = post.path("home/mail");
    std::fs::create_dir_all(&other).unwrap();
    let mailbox = format!("{:?}", post.path("mail"));
    for (number, (from, to, word)) in [
        ("pier-4", "quay-2".to_owned(), "is station pier-4's"),
        (mailbox.as_str(), format!("{other:?}"), "still lies there"),
    ]
    .into_iter()
    .enumerate()
    {
        std::fs::write(post.path("config.toml"), good.replace(from, &to)).unwrap();
        post.signal("HUP");
        post.until(word, || post.log().contains(word));
        let name = format!("late-{number}");
        post.deliver(&name, &name);
        post.until_mirrored("amber", &[&name]);
    }
    assert_eq!(post.recorded_paths("amber", "missing"), [""; 0]);
}
