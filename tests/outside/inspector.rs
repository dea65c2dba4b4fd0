//! The strict check of a bag: RFC 8493 to the letter where the validator is lenient, and our own promises in addition.
//! Then coreutils and the validator, which know nothing of this program.

use crate::tools::{sha256sum_check, validator};
use counterfoil::model::Digest;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// The lines that the manifest may contain in addition to its entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fillers {
    /// Nothing.
    None,
    /// Comments or empty lines that cover a torn end.
    Allowed,
}

/// A bag that no power failure ever touched.
pub(crate) fn expect_strict_bag(bag: &Path) {
    expect_bag(bag, Fillers::None);
}

/// All checks except those by other people's tools.
pub(crate) fn expect_our_promises(bag: &Path, fillers: Fillers) {
    declaration(bag);
    tag_files(bag, fillers);
    info(bag);
    manifest(bag, fillers);
}

/// A whole bag.
pub(crate) fn expect_bag(bag: &Path, fillers: Fillers) {
    expect_our_promises(bag, fillers);
    let output = sha256sum_check(bag);
    assert_eq!(
        (output.code, output.out.as_str(), output.err.as_str()),
        (Some(0), "", ""),
        "sha256sum"
    );
    let output = validator(bag);
    assert_eq!(output.code, Some(0), "the validator: {}{}", output.out, output.err);
}

/// RFC 8493, section 2.1.1: exactly two lines, no byte order mark. The digest is that of the two
/// lines typed by hand.
fn declaration(bag: &Path) {
    let bytes = fs::read(bag.join("bagit.txt")).unwrap();
    assert_eq!(bytes, b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n");
    assert_eq!(bytes.len(), 54);
    let expected = "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9";
    assert_eq!(Digest::of(&bytes).to_string(), expected);
}

/// RFC 8493, section 2.3: UTF-8, no byte order mark, every line ended. Nothing in the folder but what README.TXT
/// describes. A ledger torn in a power failure keeps its junk for good, followed by a line that records it: the ledger
/// is append-only, and to the RFC a tag file of no prescribed form (section 2.2.4).
fn tag_files(bag: &Path, fillers: Fillers) {
    let names: BTreeSet<_> = fs::read_dir(bag)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    let known =
        ["README.TXT", "bag-info.txt", "bagit.txt", "data", "ledger.jsonl", "manifest-sha256.txt"];
    let carried =
        |name: &str| ["config.toml", "index.html"].contains(&name) || name.starts_with("index-");
    let (more, ours): (BTreeSet<_>, BTreeSet<_>) =
        names.into_iter().partition(|name| carried(name));
    assert_eq!(ours, BTreeSet::from(known.map(str::to_owned)));
    let all = more.iter().map(String::as_str).chain(known);
    for name in all.filter(|name| *name != "data") {
        let bytes = fs::read(bag.join(name)).unwrap();
        assert!(!bytes.starts_with(b"\xef\xbb\xbf"), "{name} begins with a byte order mark");
        if name == "ledger.jsonl" && fillers == Fillers::Allowed {
            continue;
        }
        let text = String::from_utf8(bytes).unwrap();
        assert!(text.is_empty() || text.ends_with('\n'), "{name} does not end its last line");
        assert!(!text.contains('\r') && !text.contains('\0'), "{name} holds CR or NUL");
    }
}

/// RFC 8493, section 2.2.2: label, colon, one blank, value; lines of at most 79 characters; no
/// Payload-Oxum, which would have to change with every message.
fn info(bag: &Path) {
    let text = fs::read_to_string(bag.join("bag-info.txt")).unwrap();
    let mut labels = BTreeSet::new();
    for line in text.lines() {
        let (label, value) = line.split_once(": ").unwrap_or_else(|| panic!("{line:?}"));
        assert!(line.chars().count() <= 79, "{line:?}");
        assert_eq!((label, value), (label.trim(), value.trim()), "{line:?}");
        assert!(!label.is_empty() && !label.contains(':') && !value.is_empty(), "{line:?}");
        assert!(labels.insert(label.to_lowercase()), "{label} stands twice");
        if label == "Bagging-Date" {
            let shape: String =
                value.chars().map(|c| if c.is_ascii_digit() { '9' } else { c }).collect();
            assert_eq!(shape, "9999-99-99", "{line:?}");
        }
    }
    assert!(labels.contains("external-identifier") && labels.contains("bagging-date"), "{text}");
    assert!(!labels.contains("payload-oxum"), "{text}");
}

/// RFC 8493, section 2.1.3: every file below `data` listed exactly once, nothing else listed; in the form that
/// coreutils writes. And names that every file system and every reader treats alike.
fn manifest(bag: &Path, fillers: Fillers) {
    let text = fs::read_to_string(bag.join("manifest-sha256.txt")).unwrap();
    let mut listed = Vec::new();
    for line in text.lines() {
        if fillers == Fillers::Allowed && (line.is_empty() || line.starts_with('#')) {
            continue;
        }
        let (digest, path) = line.split_once("  ").unwrap_or_else(|| panic!("{line:?}"));
        let is_hex = |c: char| c.is_ascii_digit() || ('a'..='f').contains(&c);
        assert!(digest.len() == 64 && digest.chars().all(is_hex), "{line:?}");
        let name = path.strip_prefix("data/").unwrap_or_else(|| panic!("{line:?}"));
        let plain = |part: &str| {
            let letters = part.bytes().all(|b| matches!(b, b'A'..=b'Z' | b'0'..=b'9' | b'.'));
            letters && part.len() <= 12 && !part.starts_with('.') && !part.ends_with('.')
        };
        assert!(name.split('/').count() == 2 && name.split('/').all(plain), "{line:?}");
        listed.push(path.to_owned());
    }
    listed.sort();
    assert_eq!(listed, payloads(bag), "the manifest lists every payload exactly once");
}

/// Every payload, sorted; fails on anything that is neither file nor folder.
pub(crate) fn payloads(bag: &Path) -> Vec<String> {
    let walk = walkdir::WalkDir::new(bag.join("data")).into_iter().map(Result::unwrap);
    let entries = walk.filter(|entry| !entry.file_type().is_dir());
    let mut payloads: Vec<_> = entries
        .map(|entry| {
            assert!(entry.file_type().is_file(), "{} is no file", entry.path().display());
            entry.path().strip_prefix(bag).unwrap().display().to_string()
        })
        .collect();
    payloads.sort();
    payloads
}
