//! What becomes of drives that come, go and leave an empty mount point behind.

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
    assert_eq!(post.told("birch", "mirrored"), ["one", "two"]);
}

/// Fault: the mount point, without its stick, is an ordinary folder on the card (14).
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
    let fds = std::fs::read_dir(format!("/proc/{}/fd", post.pid())).unwrap();
    let open: Vec<_> = fds.filter_map(|fd| std::fs::read_link(fd.unwrap().path()).ok()).collect();
    assert!(!open.is_empty());
    let amber = post.path("amber");
    assert!(open.iter().all(|path| !path.starts_with(&amber)), "{open:?}");
}

/// One stick that cannot be used holds up no other.
#[test]
fn a_stick_that_fails_holds_up_no_other() {
    let mut post = Post::new(&["amber", "birch"]);
    std::fs::create_dir(post.path("amber/counterfoil")).unwrap();
    // A later version's drive: it may be read, never written.
    let newer = "{\"format\":9,\"id\":\"00000000000000aa\"}\n";
    std::fs::write(post.path("amber/counterfoil/drive.json"), newer).unwrap();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("birch", &["one"]);
    post.until("it says why", || post.log().contains("later version"));
    assert_eq!(files(&post.path("amber")).len(), 1);
}
