//! Copies kept good by an idle daemon: scrubbed a step at a time and made again, with nothing kept open between steps.

use crate::post::Post;

fn kinds(post: &Post, stick: &str, kind: &str) -> usize {
    post.ledger(stick).iter().filter(|line| line["kind"] == kind).count()
}

fn payload(post: &Post, stick: &str, content: &str) -> std::path::PathBuf {
    let mut found: Vec<_> = crate::post::files(&post.path(stick).join("counterfoil/pier-4/data"))
        .into_iter()
        .filter(|(_, bytes)| bytes == content.as_bytes())
        .map(|(path, _)| post.path(stick).join("counterfoil/pier-4/data").join(path))
        .collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn a_copy_that_rots_while_nothing_happens_is_found_and_made_again() {
    let mut post = Post::new(&["amber", "birch"]);
    post.config("verify.every = \"2s\"\n");
    post.deliver("one", "first message");
    post.deliver("two", "second message");
    post.start();
    for stick in ["amber", "birch"] {
        post.until_mirrored(stick, &["one", "two"]);
    }
    let bad = payload(&post, "amber", "first message");
    std::fs::write(&bad, "first massage").unwrap();
    post.until("it is recorded", || kinds(&post, "amber", "damaged") == 1);
    post.until("it is made again", || kinds(&post, "amber", "mirrored") == 3);
    post.until("a round is recorded", || kinds(&post, "amber", "verified") > 0);
    post.until("both are read", || kinds(&post, "birch", "verified") > 0);
    assert_eq!(std::fs::read(&bad).unwrap(), b"first massage", "the bad one stays as it is");
    assert!(post.log().contains("is not what was written"), "{}", post.log());
}

/// The ledger is read from its first byte too, and lines that rotted in it are written again.
#[test]
fn a_line_that_rots_while_nothing_happens_is_found_and_written_again() {
    let mut post = Post::new(&["amber"]);
    post.config("verify.every = \"2s\"\n");
    post.deliver("one", "a message");
    post.start();
    post.until_mirrored("amber", &["one"]);
    post.deliver("two", "a message");
    post.until("its second place is told", || kinds(&post, "amber", "placed") == 1);
    post.deliver("three", "another message");
    post.until_mirrored("amber", &["three"]);
    let ledger = post.path("amber").join("counterfoil/pier-4/ledger.jsonl");
    let text = std::fs::read_to_string(&ledger).unwrap();
    let at = text.find("\"path\":\"two\"").unwrap() as u64 + 8;
    let file = std::fs::OpenOptions::new().write(true).open(&ledger).unwrap();
    std::os::unix::fs::FileExt::write_all_at(&file, b"u", at).unwrap();
    let told = |path: &str| {
        let lines = post.ledger("amber");
        lines.iter().filter(|line| line["kind"] == "placed" && line["path"] == path).count()
    };
    assert_eq!((told("two"), told("uwo")), (0, 1));
    post.until("the place is told again", || told("two") == 1);
    post.until("it is said", || {
        post.log().contains("1 line of the ledger cannot be read any more")
    });
    assert_eq!(kinds(&post, "amber", "recovered"), 1);
}

/// The message is not in the mailbox any more, and the stick that has it is plugged in later.
#[test]
fn a_stick_that_comes_lends_what_another_has_lost() {
    let mut post = Post::new(&["amber", "birch"]);
    post.config("verify.every = \"2s\"\n");
    post.deliver("one", "first message");
    post.deliver("two", "second message");
    post.start();
    for stick in ["amber", "birch"] {
        post.until_mirrored(stick, &["one", "two"]);
    }
    post.rename("birch", "elsewhere");
    std::fs::remove_file(post.path("mail/one")).unwrap();
    post.until("its going is told", || kinds(&post, "amber", "removed") == 1);
    std::fs::write(payload(&post, "amber", "first message"), "first massage").unwrap();
    post.until("it is recorded", || kinds(&post, "amber", "damaged") == 1);
    assert_eq!(kinds(&post, "amber", "mirrored"), 2);
    post.rename("elsewhere", "birch");
    post.until("it is lent", || kinds(&post, "amber", "adopted") == 1);
    let adopted = post.ledger("amber").into_iter().find(|line| line["kind"] == "adopted").unwrap();
    let copy = post.path("amber/counterfoil/pier-4").join(adopted["payload"].as_str().unwrap());
    assert_eq!(std::fs::read_to_string(copy).unwrap(), "first message");
}

/// Mail is not delayed, a stick is released at once, and the rate is not exceeded.
#[test]
fn a_re_reading_gives_way_to_mail_and_to_whoever_wants_the_stick() {
    let mut post = Post::new(&["amber"]);
    post.config("verify.every = \"1s\"\nverify.max_rate = \"64 KiB/s\"\n");
    let long = "0123456789abcdef".repeat(64 << 10);
    post.deliver("long", &long);
    post.start();
    post.until_mirrored("amber", &["long"]);
    // Each cycle reads the copy and the message: 32 s at this rate.
    post.until("a round was made", || kinds(&post, "amber", "verified") == 1);
    post.deliver("more", "more");
    post.until_mirrored("amber", &["more"]);
    let told = post.command("drives").args(["release", "amber", "--json"]).output().unwrap();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let lines = post.ledger("amber").len();
    post.deliver("still more", "still more");
    post.until("the mailbox is taken in", || post.audit()["messages"]["total"].as_u64() == Some(3));
    assert_eq!(post.ledger("amber").len(), lines);
    assert_eq!(kinds(&post, "amber", "verified"), 1, "the rate is kept");
}

/// Fault 18: it returns later copies where earlier ones were. Only its operator can make it count again.
#[test]
fn a_stick_that_is_seen_to_lie_is_left_alone_until_it_is_begun_afresh() {
    let mut post = Post::new(&["amber"]);
    post.config("verify.every = \"2s\"\n");
    for name in ["one", "two", "six"] {
        post.deliver(name, &format!("message {name}"));
    }
    post.start();
    post.until_mirrored("amber", &["one", "two", "six"]);
    post.until("all was read once more", || kinds(&post, "amber", "verified") > 0);
    let places = ["one", "two"].map(|name| payload(&post, "amber", &format!("message {name}")));
    for place in &places {
        std::fs::write(place, "message six").unwrap();
    }
    post.until("it is found out", || post.log().contains("not trusted any more"));
    assert_eq!(post.audit()["messages"]["mirrored"], 0, "{}", post.audit());
    let lines = post.ledger("amber").len();
    post.deliver("four", "message four");
    post.until("the mailbox is taken in", || post.audit()["messages"]["total"] == 4);
    assert_eq!(post.ledger("amber").len(), lines, "it was written to");

    let add = post.command("drives").arg("add").arg(post.path("amber")).output().unwrap();
    assert!(add.status.success(), "{}", String::from_utf8_lossy(&add.stderr));
    post.until("all counts again", || post.audit()["messages"]["mirrored"] == 4);
    assert_eq!(kinds(&post, "amber", "mirrored"), 7);
}
