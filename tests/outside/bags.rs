//! Every bag that the program makes, whatever happened to it, is a bag for everybody else too. Never asks the program
//! whether it is.

use crate::inspector::{Fillers, expect_bag, expect_our_promises, expect_strict_bag, payloads};
use crate::post::Post;
use crate::tools::{sha256sum_check, validator};
use std::fs::{self, File};
use std::io::Write as _;
use std::path::Path;

/// Names on which readers of bags, file systems or shells stumble; each message with its own bytes.
fn deliver_odd_names(post: &Post) -> usize {
    let names: [&[u8]; 20] = [
        b"first.eml",
        b"new/1.2.h",
        b"cur/1.3.h:2,S",
        b"deep/er/and/deep/er/note.eml",
        b"100%.eml",
        b"a%0Ab.eml",
        b"a%250Ab.eml",
        b"line\nfeed.eml",
        b"return\rhere.eml",
        b"back\\slash.eml",
        b" blank first and last ",
        b"*star",
        b"#comment.eml",
        b"N\xc3\xba\xc3\xb1ez.eml",
        b"Nu\xcc\x81n\xcc\x83ez.eml",
        b"latin-\xfa.eml",
        b"Msg.eml",
        b"msg.eml",
        b"CON.eml",
        b"trailing.dots...",
    ];
    for (at, name) in names.iter().enumerate() {
        post.deliver(name, format!("Subject: number {at}\r\n\r\nQA1A calling.\r\n").as_bytes());
    }
    post.deliver("empty.eml", b"");
    post.deliver("nul.bin", &[0; 4096]);
    names.len() + 2
}

#[test]
fn odd_names_make_a_plain_bag() {
    let post = Post::new();
    let count = deliver_odd_names(&post);
    post.mirror(&["stick"]);
    expect_strict_bag(&post.bag("stick"));
    assert_eq!(payloads(&post.bag("stick")).len(), count);
}

/// Coreutils needs at least one line to check; the RFC does not, and neither does the validator.
#[test]
fn an_empty_mailbox_makes_an_empty_bag() {
    let post = Post::new();
    post.mirror(&["stick"]);
    expect_our_promises(&post.bag("stick"), Fillers::None);
    assert_eq!(payloads(&post.bag("stick")), [] as [String; 0]);
    let output = validator(&post.bag("stick"));
    assert_eq!(output.code, Some(0), "the validator: {}{}", output.out, output.err);
}

#[test]
fn moves_removals_and_new_versions_leave_a_bag() {
    let post = Post::new();
    let count = deliver_odd_names(&post);
    post.mirror(&["stick"]);
    let mailbox = post.mailbox();

    // A move, a flag change, a removal, a second location for the same bytes, a new version, a new message.
    fs::create_dir(mailbox.join("archive")).unwrap();
    fs::rename(mailbox.join("first.eml"), mailbox.join("archive/first.eml")).unwrap();
    fs::rename(mailbox.join("cur/1.3.h:2,S"), mailbox.join("cur/1.3.h:2,FRS")).unwrap();
    fs::remove_file(mailbox.join("*star")).unwrap();
    fs::copy(mailbox.join("Msg.eml"), mailbox.join("again.eml")).unwrap();
    post.deliver(
        "100%.eml",
        b"Subject: a new version, longer than the one before it\r\n\r\nQB2B\r\n",
    );
    post.deliver("late.eml", b"Subject: late\r\n\r\nQC3C\r\n");
    // One message is missing, which is not safe.
    let done = post.expect(1, "mirror", &["stick"], &[]);
    assert_eq!(done["copied"], 2, "only new bytes are copied: {done}");
    expect_strict_bag(&post.bag("stick"));
    assert_eq!(payloads(&post.bag("stick")).len(), count + 2, "and nothing was taken away");

    let done = post.expect(1, "mirror", &["stick"], &[]);
    assert_eq!(done["copied"], 0, "{done}");
    expect_strict_bag(&post.bag("stick"));
}

#[test]
fn many_messages_fill_many_batches_of_one_bag() {
    let post = Post::new();
    for at in 0..300 {
        post.deliver(format!("{at:03}.eml"), format!("Subject: {at}\r\n\r\nQD4D\r\n").as_bytes());
    }
    post.mirror(&["stick"]);
    expect_strict_bag(&post.bag("stick"));
    assert_eq!(payloads(&post.bag("stick")).len(), 300);
}

/// How a power failure, or a repair tool after it, leaves the end of a log.
enum Torn {
    /// This many bytes at its end never reached the medium.
    Short(u64),
    /// All of it is missing.
    Emptied,
    /// Other bytes follow its end.
    Junk(&'static [u8]),
}

impl Torn {
    fn tear(&self, log: &Path) {
        let mut file = File::options().append(true).open(log).unwrap();
        let length = file.metadata().unwrap().len();
        match self {
            Self::Short(bytes) => file.set_len(length - bytes).unwrap(),
            Self::Emptied => file.set_len(0).unwrap(),
            Self::Junk(bytes) => file.write_all(bytes).unwrap(),
        }
    }
}

const TORN: [(&str, Torn); 9] = [
    ("its last line feed is missing", Torn::Short(1)),
    ("the end of its last line is missing", Torn::Short(20)),
    ("more than a manifest's line is missing", Torn::Short(100)),
    ("all of it is missing", Torn::Emptied),
    ("one odd byte came after it", Torn::Junk(b"x")),
    ("an empty line came after it", Torn::Junk(b"\n")),
    ("a cluster of NUL came after it", Torn::Junk(&[0; 3000])),
    ("half a digest came after it", Torn::Junk(b"00112233")),
    ("lines of something else came after it", Torn::Junk(b"half a line\nand \xff\xfe more")),
];

/// Tears a log of the bag, lets a message arrive, mirrors, and checks the bag by everybody else's rules; with the
/// catalogue available, and on a new card.
fn tear_and_mend(log: &str) {
    for (how, torn) in TORN {
        for new_card in [false, true] {
            println!("{log}: {how}; new card: {new_card}");
            let mut post = Post::new();
            deliver_odd_names(&post);
            post.mirror(&["stick"]);
            if new_card {
                post.card_dies();
                deliver_odd_names(&post);
            }
            torn.tear(&post.bag("stick").join(log));
            post.deliver("after-the-cut.eml", b"Subject: after the cut\r\n\r\nQE5E\r\n");
            post.mirror(&["stick"]);
            expect_bag(&post.bag("stick"), Fillers::Allowed);
            let verified = post.expect(0, "verify", &["stick"], &[]);
            assert_eq!(verified["checked"], payloads(&post.bag("stick")).len(), "{verified}");
            let done = post.mirror(&["stick"]);
            assert_eq!(done["copied"], 0, "nothing is left to mend: {done}");
        }
    }
}

#[test]
fn a_torn_manifest_is_mended_into_a_bag() {
    tear_and_mend("manifest-sha256.txt");
}

#[test]
fn a_torn_ledger_is_mended_into_a_bag() {
    tear_and_mend("ledger.jsonl");
}

/// A power failure between the copies and their lines: payloads are there, whole, torn and empty, and no log names
/// them. The card died in it.
#[test]
fn copies_that_no_line_tells_of_are_taken_into_the_bag() {
    let mut post = Post::new();
    let count = deliver_odd_names(&post);
    post.mirror(&["stick"]);
    post.card_dies();
    deliver_odd_names(&post);
    let waiting = b"Subject: waiting\r\n\r\nQG7G\r\n";
    post.deliver("waiting.eml", waiting);
    let bag = post.bag("stick");
    let orphans = leave_orphans(&bag, count, &[waiting, &waiting[..11], b""]);
    post.mirror(&["stick"]);
    expect_strict_bag(&bag);
    expect_untouched(&bag, &orphans);
    let audit = post.expect(0, "audit", &["stick"], &[]);
    assert_eq!(audit["messages"]["unmirrored"], 0, "{audit}");
}

/// Somebody else put files where the next copies would go, on a mounted drive: none is overwritten. The pass that finds
/// them ends with an error, and the next one takes them into the bag.
#[test]
fn a_name_in_use_is_never_written_over() {
    let post = Post::new();
    let count = deliver_odd_names(&post);
    post.mirror(&["stick"]);
    let bag = post.bag("stick");
    let orphans = leave_orphans(&bag, count, &[b"somebody else's", b""]);
    post.deliver("waiting.eml", b"Subject: waiting\r\n\r\nQG7G\r\n");
    let failed = post.expect(3, "mirror", &["stick"], &[]);
    assert_eq!((&failed["copied"], &failed["drives"][0]["state"]), (&0.into(), &"failed".into()));
    expect_untouched(&bag, &orphans);
    post.mirror(&["stick"]);
    expect_strict_bag(&bag);
    expect_untouched(&bag, &orphans);
}

/// Puts files under the next names; returns names and bytes.
fn leave_orphans(bag: &Path, count: usize, bytes: &[&[u8]]) -> Vec<(String, Vec<u8>)> {
    let numbers = count + 1..;
    let name = |number| format!("data/0001/{number:08}.EML");
    let orphans: Vec<_> =
        numbers.zip(bytes).map(|(number, bytes)| (name(number), bytes.to_vec())).collect();
    orphans.iter().for_each(|(name, bytes)| fs::write(bag.join(name), bytes).unwrap());
    orphans
}

fn expect_untouched(bag: &Path, orphans: &[(String, Vec<u8>)]) {
    for (name, bytes) in orphans {
        assert_eq!(&fs::read(bag.join(name)).unwrap(), bytes, "{name}");
    }
}

/// Same length, one bit changed: `abc` and `abd` (RFC 8493, section 2.2.2: a count of bytes cannot detect it).
/// Coreutils, the validator and the program each have to detect it.
#[test]
fn one_changed_byte_is_seen_by_everybody() {
    let post = Post::new();
    deliver_odd_names(&post);
    post.deliver("damaged-soon.eml", b"Subject: damaged soon\r\n\r\nabc\r\n");
    post.mirror(&["stick"]);
    let bag = post.bag("stick");
    expect_strict_bag(&bag);

    let victim = payloads(&bag)
        .into_iter()
        .find(|name| fs::read(bag.join(name)).unwrap().ends_with(b"abc\r\n"))
        .unwrap();
    fs::write(bag.join(&victim), b"Subject: damaged soon\r\n\r\nabd\r\n").unwrap();

    let output = sha256sum_check(&bag);
    assert_eq!(
        (output.code, output.out),
        (Some(1), format!("{victim}: FAILED\n")),
        "{}",
        output.err
    );
    let output = validator(&bag);
    assert_eq!(output.code, Some(1), "{}{}", output.out, output.err);
    assert!(output.err.contains(&victim), "the validator names it: {}", output.err);
    let verified = post.expect(1, "verify", &["stick"], &[]);
    let damaged = verified["damaged"].as_array().unwrap();
    assert_eq!(damaged.len(), 1, "{verified}");
    assert_eq!(damaged[0]["payload"], victim.as_str(), "{verified}");
    assert_eq!(damaged[0]["path"], "damaged-soon.eml", "{verified}");
    assert_eq!(verified["missing"], serde_json::json!([]), "{verified}");
}

/// Everybody detects a missing payload, too.
#[test]
fn one_missing_copy_is_seen_by_everybody() {
    let post = Post::new();
    deliver_odd_names(&post);
    post.mirror(&["stick"]);
    let bag = post.bag("stick");
    let victim = payloads(&bag).swap_remove(3);
    fs::remove_file(bag.join(&victim)).unwrap();
    assert_eq!(sha256sum_check(&bag).code, Some(1));
    assert_eq!(validator(&bag).code, Some(1));
    let verified = post.expect(1, "verify", &["stick"], &[]);
    assert_eq!(verified["missing"][0]["payload"], victim.as_str(), "{verified}");
}

/// The extras on a stick are in no manifest, so the bag stays valid after a power failure while they are written; a
/// torn file is then written again.
#[test]
fn what_a_stick_carries_leaves_a_bag_also_when_it_is_torn() {
    let post = Post::new();
    fs::create_dir(post.path("programs")).unwrap();
    fs::write(post.path("programs/counterfoil-x86_64"), [7; 9000]).unwrap();
    post.deliver(
        "one.eml",
        b"Subject: one\r\nDate: Tue, 1 Jul 2003 10:52:37 +0200\r\n\r\nQA1A\r\n",
    );
    post.mirror(&["stick"]);
    let bag = post.bag("stick");
    expect_strict_bag(&bag);
    assert!(bag.join("../program/counterfoil-x86_64.sha256").exists());
    let whole = |name: &str| fs::read(bag.join(name)).unwrap();
    let names = ["index.html", "index-1.html", "config.toml", "README.TXT"];
    let readme = whole("README.TXT");
    for length in [0, 300, 700] {
        for name in names {
            let file = File::options().write(true).open(bag.join(name)).unwrap();
            file.set_len(length).unwrap();
        }
        let output = validator(&bag);
        assert_eq!(output.code, Some(0), "the validator: {}{}", output.out, output.err);
        assert_eq!(sha256sum_check(&bag).code, Some(0));
        let again = format!("one-more-{length}.eml");
        post.deliver(&again, format!("Subject: {length}\r\n\r\nQA1A\r\n").as_bytes());
        post.mirror(&["stick"]);
        expect_strict_bag(&bag);
        assert_eq!(whole("README.TXT"), readme);
        let page = whole("index-1.html");
        assert!(page.ends_with(b"</html>\n"), "{}", String::from_utf8_lossy(&page));
    }
}
