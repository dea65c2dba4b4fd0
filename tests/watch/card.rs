//! The daemon on a card that is full, or becomes full while it runs: mail is copied, and no state is kept.

use crate::post::Post;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The state folder as a file system of its own. It is unmounted when the test ends, even in a failure.
pub(crate) struct SmallState(PathBuf);

impl SmallState {
    pub(crate) fn mount(post: &Post, size: &str) -> Self {
        let at = post.path("state");
        std::fs::create_dir(&at).unwrap();
        // Without a mode everybody may write to it, and root keeps no state in such a folder.
        let words = ["-t", "tmpfs", "-o", &format!("mode=0755,size={size}"), "none"];
        assert!(Command::new("mount").args(words).arg(&at).status().unwrap().success());
        Self(at)
    }

    /// Leaves no byte free.
    fn fill(&self) {
        let mut file = std::fs::File::create(self.0.join("filler")).unwrap();
        for size in [64 << 10, 4 << 10, 1] {
            while std::io::Write::write_all(&mut file, &vec![b'x'; size]).is_ok() {}
        }
    }

    fn make_room(&self) {
        std::fs::remove_file(self.0.join("filler")).unwrap();
    }
}

impl Drop for SmallState {
    fn drop(&mut self) {
        drop(Command::new("umount").args(["-q", "-l"]).arg(&self.0).status());
    }
}

fn told(post: &Post, command: &str) -> (Option<i32>, Value) {
    let output = post.command(command).arg("--json").output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    (
        output.status.code(),
        serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {said}")),
    )
}

fn expect_unkept(post: &Post) {
    for command in ["status", "audit"] {
        let (code, told) = told(post, command);
        assert_eq!((code, &told["verdict"]), (Some(1), &"not-known".into()), "{told}");
        assert_eq!(
            (&told["state"]["kept"], &told["state"]["why"]),
            (&false.into(), &"full".into())
        );
    }
    let (_, status) = told(post, "status");
    assert_eq!(status["daemon"], true);
    assert_eq!(status["drives"][0]["state"], "safe", "as the daemon says: {status}");
    // No other process works there at the same time, though the lock may not be on the card.
    let other = post.command("mirror").output().unwrap();
    assert_eq!(other.status.code(), Some(3));
    let said = String::from_utf8_lossy(&other.stderr).into_owned();
    assert!(said.contains("another counterfoil is writing here"), "{said}");
}

fn folders_in_memory(post: &Post) -> Vec<PathBuf> {
    let state = std::fs::canonicalize(post.path("state")).unwrap();
    let digest = counterfoil::model::Digest::of(state.as_os_str().as_encoded_bytes()).to_string();
    let name = format!("counterfoil-state-{}", &digest[..16]);
    let all = ["/run", "/dev/shm"].map(|base| Path::new(base).join(&name));
    all.into_iter().filter(|path| path.exists()).collect()
}

#[test]
fn a_daemon_on_a_full_card_copies_and_says_that_it_remembers_nothing() {
    let mut post = Post::new(&["amber"]);
    let small = SmallState::mount(&post, "1m");
    small.fill();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    assert!(post.log().contains("The card is full: nothing is remembered in"), "{}", post.log());
    post.deliver("two", "2");
    post.until_mirrored("amber", &["one", "two"]);
    post.until("it is safe to pull", || told(&post, "status").1["drives"][0]["state"] == "safe");
    expect_unkept(&post);
    post.stop();
    assert!(folders_in_memory(&post).is_empty(), "the folder in memory is left");
    // There is room again: the next start is an ordinary one, and copies nothing twice.
    small.make_room();
    post.start();
    post.deliver("three", "3");
    post.until_mirrored("amber", &["one", "two", "three"]);
    post.until("all is safe", || told(&post, "status").0 == Some(0));
    assert_eq!(told(&post, "status").1["state"]["kept"], true);
    assert_eq!(post.recorded_paths("amber", "mirrored").len(), 3);
    assert_eq!(post.restored(), post.mail());
}

#[test]
fn a_card_that_becomes_full_under_the_daemon_keeps_no_mail_from_being_copied() {
    let mut post = Post::new(&["amber"]);
    let small = SmallState::mount(&post, "2m");
    post.deliver("0", "0");
    post.start();
    post.until_mirrored("amber", &["0"]);
    small.fill();
    let mut delivered = vec!["0".to_owned()];
    while !post.log().contains("nothing is remembered") {
        assert!(delivered.len() < 500, "the card is never found full: {}", post.log());
        let name = delivered.len().to_string();
        post.deliver(&name, &name);
        delivered.push(name);
        let names: Vec<_> = delivered.iter().map(String::as_str).collect();
        post.until_mirrored("amber", &names);
    }
    // It continues, and still ends at a signal.
    post.deliver("late", "late");
    post.until_mirrored("amber", &["late"]);
    post.until("it is safe to pull", || told(&post, "status").1["drives"][0]["state"] == "safe");
    expect_unkept(&post);
    assert_eq!(
        post.recorded_paths("amber", "mirrored").len(),
        delivered.len() + 1,
        "nothing is copied twice"
    );
    post.stop();
    assert!(folders_in_memory(&post).is_empty(), "the folder in memory is left");
    assert_eq!(post.restored(), post.mail());
}

/// After it is killed, the next one takes over the state in memory, and the one after that uses the card again.
#[test]
fn a_daemon_killed_on_a_full_card_leaves_nothing_that_is_in_the_way() {
    let mut post = Post::new(&["amber"]);
    let small = SmallState::mount(&post, "1m");
    small.fill();
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.signal("KILL");
    post.ended();
    assert_eq!(folders_in_memory(&post).len(), 1);
    post.deliver("two", "2");
    post.start();
    post.until_mirrored("amber", &["one", "two"]);
    post.signal("KILL");
    post.ended();
    small.make_room();
    post.deliver("three", "3");
    post.start();
    post.until_mirrored("amber", &["one", "two", "three"]);
    post.until("all is safe", || told(&post, "status").0 == Some(0));
    assert_eq!(told(&post, "status").1["state"]["kept"], true);
    assert!(folders_in_memory(&post).is_empty(), "the folder in memory is left");
    assert_eq!(post.restored(), post.mail());
}
