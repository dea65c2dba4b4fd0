//! Sticks whose ledgers name more than there is: the card keeps its room for mail, a good stick gets new mail within
//! the usual seconds, and the daemon's memory does not grow.

use crate::card::SmallState;
use crate::post::{Post, files};
use crate::support::flood::Flood;
use std::time::{Duration, Instant};

const MIB: u64 = 1 << 20;

/// What one story costs.
#[derive(Debug)]
struct Cost {
    /// The longest that a message waited until it was on the good stick.
    longest: Duration,
    /// The most memory that the daemon used, in bytes.
    memory: u64,
    /// Bytes of the state folder at the end.
    state: u64,
}

/// A daemon whose card has little room. Mail arrives before, while and after the prepared stick is read.
fn mail_beside(flood: Flood, state: &str) -> (Post, SmallState, Cost) {
    let mut post = Post::new(&["amber", "flood"]);
    let small = SmallState::mount(&post, state);
    flood.make(&post.path("flood"), "pier-4");
    post.start();
    let mut longest = Duration::ZERO;
    for number in 0..60 {
        let name = format!("{number:02}.eml");
        post.deliver(&name, &format!("traffic {number}"));
        let begun = Instant::now();
        post.until_mirrored("amber", &[&name]);
        longest = longest.max(begun.elapsed());
    }
    let output = std::fs::read_to_string(format!("/proc/{}/status", post.pid())).unwrap();
    let line = output.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    let memory = line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 1024;
    let sizes = walkdir::WalkDir::new(post.path("state")).into_iter();
    let state = sizes.map(|entry| entry.unwrap().metadata().unwrap().len()).sum();
    let cost = Cost { longest, memory, state };
    println!("{cost:?}");
    (post, small, cost)
}

/// All sixty are in the catalogue on the card, none waited long, and the stick is named.
fn expect_no_harm((post, _small, cost): &(Post, SmallState, Cost)) {
    let log = post.log();
    assert!(!log.contains("nothing is remembered"), "{log}");
    assert!(cost.longest < Duration::from_secs(5), "{cost:?}");
    assert!(cost.memory < 64 * MIB, "{cost:?}");
    assert!(cost.state < 12 * MIB, "{cost:?}");
    assert!(log.contains("flood"), "{log}");
}

/// Everything comes back from both sticks together.
fn expect_restored(post: &mut Post) {
    post.stop();
    // Whatever is reported about the other one, which is read for what it may have.
    let into = post.path("restored");
    let mut command = post.command("restore");
    let quiet = || std::process::Stdio::null();
    let done = command.arg("--into").arg(&into).stdout(quiet()).stderr(quiet()).status().unwrap();
    assert!(matches!(done.code(), Some(0 | 1)), "{done}");
    let restored = files(&into);
    assert!(post.mail().iter().all(|(path, what)| restored.get(path) == Some(what)));
}

#[test]
fn a_ledger_of_invented_messages_cannot_fill_a_small_card() {
    let output = mail_beside(Flood::of(120_000), "24m");
    assert!(output.0.log().contains("lines, and only 0 copies are there"), "{}", output.0.log());
    expect_no_harm(&output);
}

/// Few enough lines for any drive, but more than the card has room for.
#[test]
fn a_ledger_for_which_a_small_card_has_no_room_takes_none_of_it() {
    let mut output = mail_beside(Flood::of(40_000), "24m");
    assert!(output.0.log().contains("this card has"), "{}", output.0.log());
    expect_no_harm(&output);
    expect_restored(&mut output.0);
}

/// There is room, so the ledger is applied: new mail is copied between its portions.
#[test]
fn mail_does_not_wait_until_a_long_ledger_is_taken_in() {
    let (mut post, _small, cost) = mail_beside(Flood { copies: 1, ..Flood::of(45_000) }, "300m");
    let log = post.log();
    assert!(!log.contains("not used"), "{log}");
    assert!(cost.longest < Duration::from_secs(5), "{cost:?}");
    assert!(cost.memory < 64 * MIB, "{cost:?}");
    post.stop();
}
