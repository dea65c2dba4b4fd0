//! The licences of everything the program is built from.
//! Never guesses: an expression that cannot be read is refused.

use crate::expect_none;
use crate::source::{Breach, root};
use std::process::Command;

/// Licences that require no more than to keep their text and notices, or (MPL-2.0) to publish changes to their own
/// files.
const ALLOWED: [&str; 15] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "Unicode-3.0",
    "Unicode-DFS-2016",
    "Unlicense",
    "Zlib",
];

#[test]
fn every_dependency_may_be_passed_on() {
    let cargo = std::env::var_os("CARGO").unwrap();
    let out = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(out.status.success(), "cargo metadata: {}", String::from_utf8_lossy(&out.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 50, "only {} packages were seen", packages.len());
    let refused = packages.iter().filter_map(|package| {
        let licence = package["license"].as_str().unwrap_or_default();
        let name = format!("{} {}", package["name"].as_str()?, package["version"].as_str()?);
        (!may_be_used(licence)).then(|| Breach(name, 0, format!("licence {licence:?}")))
    });
    expect_none(
        "the program is given away under MIT or Apache-2.0: everything in it must allow that. Use \
         another crate, or, if the licence does allow it, add it to the list with the reason",
        refused,
    );
}

#[test]
fn our_own_licences_are_here_in_full() {
    for (name, words) in [
        ("LICENSE-MIT", "Copyright (c) 2026 the counterfoil authors"),
        ("LICENSE-APACHE", "Version 2.0, January 2004"),
    ] {
        let text = std::fs::read_to_string(root().join(name)).unwrap();
        assert!(text.contains(words), "{name} does not say {words:?}");
    }
}

/// Whether allowed licences alone satisfy an expression (SPDX, annex D: AND binds closer than OR; a slash is an old
/// OR).
fn may_be_used(expression: &str) -> bool {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut rest = &words[..];
    any_of(&mut rest) == Some(true) && rest.is_empty()
}

fn any_of(rest: &mut &[&str]) -> Option<bool> {
    let mut allowed = all_of(rest)?;
    while take(rest, "OR") {
        allowed |= all_of(rest)?;
    }
    Some(allowed)
}

fn all_of(rest: &mut &[&str]) -> Option<bool> {
    let mut allowed = one(rest)?;
    while take(rest, "AND") {
        allowed &= one(rest)?;
    }
    Some(allowed)
}

fn one(rest: &mut &[&str]) -> Option<bool> {
    if take(rest, "(") {
        let allowed = any_of(rest)?;
        return take(rest, ")").then_some(allowed);
    }
    let (&name, behind) = rest.split_first()?;
    *rest = behind;
    if ["AND", "OR", "WITH", ")"].contains(&name) {
        return None;
    }
    if !take(rest, "WITH") {
        return Some(ALLOWED.contains(&name));
    }
    let (&exception, behind) = rest.split_first()?;
    *rest = behind;
    Some(ALLOWED.contains(&format!("{name} WITH {exception}").as_str()))
}

fn take(rest: &mut &[&str], word: &str) -> bool {
    let there = rest.first() == Some(&word);
    if there {
        *rest = &rest[1..];
    }
    there
}

#[test]
fn licence_expressions_read_as_they_are_meant() {
    for good in [
        "MIT",
        "MIT/Apache-2.0",
        "GPL-3.0-only OR MIT",
        "(MIT OR GPL-3.0-only) AND BSD-3-Clause",
        "GPL-3.0-only AND GPL-2.0-only OR ISC",
        "Apache-2.0 WITH LLVM-exception",
    ] {
        assert!(may_be_used(good), "{good}");
    }
    for bad in [
        "",
        "GPL-3.0-only",
        "MIT AND GPL-3.0-only",
        "MIT AND (GPL-3.0-only OR AGPL-3.0-only)",
        "GPL-2.0-only WITH Classpath-exception-2.0",
        "(MIT",
        "MIT OR",
        "MIT Apache-2.0",
    ] {
        assert!(!may_be_used(bad), "{bad:?}");
    }
}
