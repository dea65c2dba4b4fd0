//! Drives that are plugged in, pulled, and leave an empty mount point.

use crate::post::{Post, files};

#[test]
fn a_stick_that_comes_later_gets_everything() {
    let mut post = Post::new(&["amber", "birch"]);
    std::fs::remove_dir(post.path("birch")).unwrap();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    std::fs::create_dir(post.path("birch")).unwrap();
    post.until_mirrored("birch", &["one"]);
}

#[test]
fn a_stick_carried_off_and_brought_back_gets_what_it_missed_and_nothing_twice() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("birch", &["one"]);
    post.rename("birch", "elsewhere");
    post.deliver("two", "2");
    post.until_mirrored("amber", &["two"]);
    let away = |post: &Post| {
        let audit = post.audit();
        let drives = audit["drives"].as_array().unwrap();
        drives.iter().any(|d| d["label"] == "birch" && d["mounted"] == false && d["messages"] == 1)
    };
    assert!(away(&post), "{}", post.audit());
    post.rename("elsewhere", "birch");
    post.until_mirrored("birch", &["one", "two"]);
    assert_eq!(post.recorded_paths("birch", "mirrored"), ["one", "two"]);
}

/// Fault 14: the mount point, without its stick, is an ordinary folder on the card.
#[test]
fn not_one_octet_goes_into_the_empty_mount_point_of_a_known_stick() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.rename("amber", "pulled");
    std::fs::create_dir(post.path("amber")).unwrap();
    post.deliver("two", "2");
    post.until("the daemon says so", || post.log().contains("was here and is not"));
    assert!(std::fs::read_dir(post.path("amber")).unwrap().next().is_none());
    assert_eq!(post.audit()["unmirrored"][0]["reason"], "no-drive");

    std::fs::remove_dir(post.path("amber")).unwrap();
    post.rename("pulled", "amber");
    post.until_mirrored("amber", &["one", "two"]);
}

#[test]
fn an_idle_daemon_holds_nothing_open_on_a_stick() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    let amber = post.path("amber");
    // It may be opened once more after that, as when the mailbox was scanned in the meantime.
    post.until("nothing is open there", || {
        let fds = std::fs::read_dir(format!("/proc/{}/fd", post.pid())).unwrap();
        let open = fds.filter_map(|fd| std::fs::read_link(fd.unwrap().path()).ok());
        let open: Vec<_> = open.collect();
        assert!(!open.is_empty());
        open.iter().all(|path| !path.starts_with(&amber))
    });
}

/// A stick that cannot be used does not delay the others.
#[test]
fn a_stick_that_fails_holds_up_no_other() {
    let mut post = Post::new(&["amber", "birch"]);
    std::fs::create_dir(post.path("amber/counterfoil")).unwrap();
    // The drive of a later version: it can be read, and is never written.
    let newer = "{\"format\":9,\"id\":\"00000000000000aa\"}\n";
    std::fs::write(post.path("amber/counterfoil/drive.json"), newer).unwrap();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("birch", &["one"]);
    post.until("it says why", || post.log().contains("later version"));
    assert_eq!(files(&post.path("amber")).len(), 1);
}

fn live(post: &Post, label: &str) -> String {
    let output = post.command("status").arg("--json").output().unwrap();
    let status: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let drives = status["drives"].as_array().unwrap();
    let drive = drives.iter().find(|drive| drive["label"] == label);
    drive.map(|drive| drive["state"].as_str().unwrap().to_owned()).unwrap_or_default()
}

#[test]
fn a_released_stick_is_left_alone_until_it_has_been_away() {
    let mut post = Post::new(&["amber", "birch"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let release = |post: &Post, name: &str| {
        post.command("drives").args(["release", name, "--json"]).output().unwrap()
    };
    let told = release(&post, "amber");
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let told: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!((&told["label"], &told["safe_to_pull"]), (&"amber".into(), &true.into()));
    assert_eq!(live(&post, "amber"), "released");

    post.deliver("two", "2");
    post.until_mirrored("birch", &["two"]);
    assert_eq!(post.recorded_paths("amber", "mirrored"), ["one"]);
    // Its path means the same drive, and a second request does no harm.
    let path = post.path("amber");
    assert!(release(&post, path.to_str().unwrap()).status.success());

    post.rename("amber", "elsewhere");
    post.until("it is seen to be away", || post.log().contains("amber: not here"));
    post.rename("elsewhere", "amber");
    post.until_mirrored("amber", &["one", "two"]);

    let nobody = release(&post, "cedar");
    assert_eq!(nobody.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&nobody.stderr).contains("no drive cedar"));
}

#[test]
fn a_stick_is_released_without_a_daemon_too() {
    let post = Post::new(&["amber"]);
    let told = post.command("drives").args(["release", "amber"]).output().unwrap();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let nobody = post.command("drives").args(["release", "cedar"]).output().unwrap();
    assert_eq!(nobody.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&nobody.stderr).contains("there are: amber"));
}

/// Fault 16: a stick and its copy, both plugged in.
#[test]
fn a_copied_stick_is_served_beside_its_original() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    let copied = std::process::Command::new("cp")
        .arg("-a")
        .args([post.path("amber"), post.path("birch")])
        .status();
    assert!(copied.unwrap().success());
    post.sticks.push("birch");
    post.config("");
    post.signal("HUP");
    post.until("it says so", || post.log().contains("was copied from drive"));
    post.deliver("two", "2");
    for stick in ["amber", "birch"] {
        post.until_mirrored(stick, &["one", "two"]);
    }
    let audit = post.audit();
    let ids: std::collections::BTreeSet<_> =
        audit["drives"].as_array().unwrap().iter().map(|d| d["id"].to_string()).collect();
    assert_eq!(ids.len(), 2, "{audit}");
}

#[test]
fn a_stick_marked_by_its_owner_is_not_written_to_until_the_mark_is_gone() {
    let mut post = Post::new(&["amber", "birch"]);
    std::fs::write(post.path("amber/counterfoil.skip"), "").unwrap();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("birch", &["one"]);
    post.until("it says why", || {
        post.log().contains("amber: ") && post.log().contains("counterfoil.skip")
    });
    assert_eq!(files(&post.path("amber")).len(), 1);
    let add = post.command("drives").arg("add").arg(post.path("amber")).output().unwrap();
    assert_eq!(add.status.code(), Some(3));
    std::fs::remove_file(post.path("amber/counterfoil.skip")).unwrap();
    post.deliver("two", "2");
    post.until_mirrored("amber", &["one", "two"]);
}

/// A drive that is made while the daemon runs gets its copies at once.
#[test]
fn a_drive_made_beside_the_daemon_is_served_at_once() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.rename("amber", "pulled");
    std::fs::create_dir(post.path("amber")).unwrap();
    post.until("the daemon says so", || post.log().contains("was here and is not"));
    let add = post.command("drives").arg("add").arg(post.path("amber")).output().unwrap();
    assert!(add.status.success(), "{}", String::from_utf8_lossy(&add.stderr));
    post.until_mirrored("amber", &["one"]);
}

/// A request that makes no sense, and one that never ends, do no harm.
#[test]
fn whoever_asks_nonsense_is_told_so_and_the_daemon_goes_on() {
    use std::io::{Read as _, Write as _};
    let mut post = Post::new(&["amber"]);
    post.start();
    post.deliver("one", "1");
    post.until_mirrored("amber", &["one"]);
    let connect =
        || std::os::unix::net::UnixStream::connect(post.path("state/daemon.sock")).unwrap();
    let _silent = connect();
    let mut speaker = connect();
    speaker.write_all(&[b'x'; 9000]).unwrap();
    speaker.shutdown(std::net::Shutdown::Write).unwrap();
    let mut answer = String::new();
    // The other end may close before it has read everything.
    drop(speaker.read_to_string(&mut answer));
    post.deliver("two", "2");
    post.until_mirrored("amber", &["two"]);
    assert!(!live(&post, "amber").is_empty());
}

/// A minute after the last message, while there is nothing else to do, a stick gets what it carries in addition to the
/// copies; nothing is open on it afterwards.
#[test]
fn an_idle_daemon_looks_after_what_a_stick_carries() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "Subject: water level\r\n\r\none\r\n");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let bag = post.path("amber/counterfoil/pier-4");
    let whole = |name: &str| {
        let text = std::fs::read_to_string(bag.join(name)).unwrap_or_default();
        text.trim_end().ends_with("</html>") && text.contains("water level")
    };
    assert!(!bag.join("config.toml").exists(), "not while there is mail to be copied");
    post.until_within(counterfoil::model::limits::EXTRAS_AFTER, "the list is there", || {
        whole("index.html") && bag.join("config.toml").exists()
    });
    post.deliver("two", "Subject: bridge closed\r\n\r\ntwo\r\n");
    post.until_mirrored("amber", &["one", "two"]);
    post.until("it may be pulled", || post.audit()["drives"][0]["state"] == "safe");
}
