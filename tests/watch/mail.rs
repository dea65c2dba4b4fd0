//! Messages that arrive, move, change and vanish while the daemon watches.

use crate::post::Post;
use std::io::Write as _;

#[test]
fn mail_from_before_and_after_the_start_is_mirrored_to_every_stick() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("inbox/before", "one");
    post.start();
    post.until_mirrored("amber", &["inbox/before"]);
    post.deliver("inbox/after", "two");
    for stick in ["amber", "birch"] {
        post.until_mirrored(stick, &["inbox/before", "inbox/after"]);
    }
    assert_eq!(post.audit()["messages"]["unmirrored"], 0);
    assert_eq!(post.restored(), post.mail());
}

/// inotify gives no event for files that arrive in a folder before that folder is watched.
#[test]
fn a_new_folder_full_of_mail_is_found_whole() {
    let mut post = Post::new(&["amber"]);
    post.start();
    post.deliver("first", "the daemon is up");
    post.until_mirrored("amber", &["first"]);
    for n in 0..50 {
        post.deliver(&format!("deep/er/{n}"), &format!("text {n}"));
    }
    let all: Vec<_> = (0..50).map(|n| format!("deep/er/{n}")).collect();
    post.until_mirrored("amber", &all.iter().map(String::as_str).collect::<Vec<_>>());
}

/// Fault 53: while the daemon is suspended, more happens than the kernel queues hints for (inotify(7),
/// `max_queued_events`), so there is none for the last message. A scan of everything finds it.
#[test]
fn a_message_whose_hint_was_lost_is_found_all_the_same() {
    let mut post = Post::new(&["amber"]);
    post.start();
    post.deliver("first", "the daemon is up");
    post.until_mirrored("amber", &["first"]);
    let kept = std::fs::read_to_string("/proc/sys/fs/inotify/max_queued_events").unwrap();
    post.signal("STOP");
    // Each makes at least two events: written, closed.
    for _ in 0..kept.trim().parse::<usize>().unwrap() / 2 {
        let first = std::fs::OpenOptions::new().append(true).open(post.path("mail/first"));
        first.unwrap().write_all(b".").unwrap();
    }
    post.deliver("late", "no hint of this");
    post.signal("CONT");
    post.until_mirrored("amber", &["late"]);
    assert_eq!(post.audit()["messages"]["unmirrored"], 0);
}

#[test]
fn a_read_mark_costs_two_lines_and_no_copy() {
    let mut post = Post::new(&["amber"]);
    post.deliver("new/1.2.pier", "text");
    post.start();
    post.until_mirrored("amber", &["new/1.2.pier"]);
    std::fs::create_dir(post.path("mail/cur")).unwrap();
    post.rename("mail/new/1.2.pier", "mail/cur/1.2.pier:2,S");
    post.until("the move is told", || post.recorded_paths("amber", "removed") == ["new/1.2.pier"]);
    assert_eq!(post.recorded_paths("amber", "placed"), ["cur/1.2.pier:2,S"]);
    post.deliver("new/next", "more");
    post.until_mirrored("amber", &["new/next"]);
    let mut kinds: Vec<_> =
        post.ledger("amber").iter().map(|l| l["kind"].as_str().unwrap().to_owned()).collect();
    kinds.retain(|kind| kind != "writer");
    assert_eq!(kinds, ["opened", "mailbox", "mirrored", "placed", "removed", "mirrored"]);
}

#[test]
fn a_deletion_seen_is_removed_and_one_found_later_is_missing() {
    let mut post = Post::new(&["amber"]);
    for name in ["kept", "deleted", "lost"] {
        post.deliver(name, name);
    }
    post.start();
    post.until_mirrored("amber", &["kept", "deleted", "lost"]);
    std::fs::remove_file(post.path("mail/deleted")).unwrap();
    post.until("the deletion is told", || post.recorded_paths("amber", "removed") == ["deleted"]);
    post.stop();
    std::fs::remove_file(post.path("mail/lost")).unwrap();
    post.start();
    post.until("the loss is told", || post.recorded_paths("amber", "missing") == ["lost"]);

    assert_eq!(post.audit()["messages"]["vanished"], 1);
    let names: Vec<_> = post.restored().into_keys().collect();
    assert_eq!(names.iter().map(|n| n.to_str().unwrap()).collect::<Vec<_>>(), ["kept", "lost"]);
}

#[test]
fn a_folder_deleted_whole_is_removed_message_by_message() {
    let mut post = Post::new(&["amber"]);
    post.deliver("old/a", "a");
    post.deliver("old/b", "b");
    post.start();
    post.until_mirrored("amber", &["old/a", "old/b"]);
    std::fs::remove_dir_all(post.path("mail/old")).unwrap();
    post.until("both are told", || post.recorded_paths("amber", "removed") == ["old/a", "old/b"]);
}

/// A file that keeps changing is copied once, and then held back for the span `churn`.
#[test]
fn a_file_that_keeps_changing_is_held_back() {
    let mut post = Post::new(&["amber"]);
    post.config("churn = \"1h\"");
    post.deliver("draft", "v0");
    post.start();
    post.until_mirrored("amber", &["draft"]);
    post.deliver("draft", "v1, the first change, is let through");
    post.until("the change is told", || post.recorded_paths("amber", "mirrored").len() == 2);
    post.deliver("draft", "v2, too soon");
    post.until("it is called changing", || {
        post.audit()["unmirrored"][0]["reason"] == "changing"
            || post.recorded_paths("amber", "mirrored").len() > 2
    });
    assert_eq!(post.recorded_paths("amber", "mirrored").len(), 2);
}

#[test]
fn a_mailbox_that_is_replaced_is_watched_again() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.rename("mail", "mail.old");
    std::fs::create_dir(post.path("mail")).unwrap();
    post.until("the old mail is told as gone", || {
        !post.recorded_paths("amber", "missing").is_empty()
            || !post.recorded_paths("amber", "removed").is_empty()
    });
    post.deliver("two", "2");
    post.until_mirrored("amber", &["two"]);
}

/// A message that is still being written is not copied before it has stayed the same for the span `settle`.
#[test]
fn a_message_still_growing_is_not_copied_in_part() {
    let mut post = Post::new(&["amber"]);
    post.start();
    post.deliver("up", "the daemon is up");
    post.until_mirrored("amber", &["up"]);
    let mut file = std::fs::File::create(post.path("mail/growing")).unwrap();
    for _ in 0..40 {
        file.write_all(&[b'x'; 100]).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(25));
    }
    drop(file);
    post.until_mirrored("amber", &["growing"]);
    let sizes: Vec<_> = post
        .ledger("amber")
        .iter()
        .filter(|l| l["kind"] == "mirrored" && l["path"] == "growing")
        .map(|l| l["bytes"].as_u64().unwrap())
        .collect();
    assert_eq!(sizes, [4000]);
}

/// Hints follow the same rule as scans: a Maildir's `tmp` holds no mail, any other folder of that name does.
#[test]
fn mail_in_a_folder_tmp_is_taken_unless_it_is_a_maildirs() {
    let mut post = Post::new(&["amber"]);
    for folder in ["cur", "new", "tmp"] {
        std::fs::create_dir_all(post.path("mail/box").join(folder)).unwrap();
    }
    std::fs::create_dir(post.path("mail/tmp")).unwrap();
    post.start();
    post.deliver("box/new/up", "the daemon is up");
    post.until_mirrored("amber", &["box/new/up"]);
    post.deliver("tmp/by-hint", "a folder of this name with mail in it");
    post.until_mirrored("amber", &["tmp/by-hint"]);
    post.deliver("box/tmp/unfinished", "half of a mess");
    post.deliver("box/new/later", "more");
    post.until_mirrored("amber", &["box/new/later"]);
    // A new folder makes the daemon scan everything.
    for folder in ["one", "two"] {
        post.deliver(&format!("{folder}/m"), folder);
        post.until_mirrored("amber", &[&format!("{folder}/m")]);
    }
    let output = post.recorded_paths("amber", "mirrored");
    assert_eq!(output, ["box/new/later", "box/new/up", "one/m", "tmp/by-hint", "two/m"]);
    assert_eq!(post.log().matches("left out: box/tmp").count(), 1, "{}", post.log());
    // Without the Maildir around it, it is a folder like any other.
    post.rename("mail/box/cur", "cur-of-before");
    post.until_mirrored("amber", &["box/tmp/unfinished"]);
    post.stop();
    assert_eq!(post.audit()["messages"]["unmirrored"], 0);
    assert_eq!(post.restored(), post.mail());
}

/// A message in a folder that the config ignores is ignored in hints, too.
#[test]
fn a_message_in_an_ignored_folder_is_not_taken_by_its_hint() {
    let mut post = Post::new(&["amber"]);
    post.config("ignore = [\"spam\"]");
    std::fs::create_dir(post.path("mail/spam")).unwrap();
    post.start();
    post.deliver("up", "the daemon is up");
    post.until_mirrored("amber", &["up"]);
    post.deliver("spam/m", "not wanted");
    post.deliver("later", "wanted");
    post.until_mirrored("amber", &["later"]);
    post.stop();
    assert_eq!(post.recorded_paths("amber", "mirrored"), ["later", "up"]);
}
