//! House rules, enforced by tests: each rule says why it exists, and names file and line. Reads the repository's text
//! and its list of dependencies; never runs the program.
//!
//! `layers`: who may use what. `circles`: that no two files need each other. `style`: how a file reads. `licences`: the
//! licences of the dependencies. `faults`: the tables of faults and attacks. `documents`: paths and tests named in the
//! developers' documents. `plain`: what is left to tests/all, and where tests belong. `schema`: where numbers of states
//! may occur. `words`: private words that are not used as names. `source`: the rules' view of a Rust file.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod circles;
mod documents;
mod faults;
mod layers;
mod licences;
mod plain;
mod schema;
mod source;
mod style;
mod words;

use source::{Breach, Source};

/// Fails with the reason of the rule and every place where it is broken.
fn expect_none(reason: &str, breaches: impl IntoIterator<Item = Breach>) {
    let mut list = String::new();
    for Breach(path, line, what) in breaches {
        list.push_str(&format!("\n  {path}:{line}: {what}"));
    }
    assert!(list.is_empty(), "{reason}:{list}\n");
}

/// A file that only a test of the rules sees.
fn plant(path: &str, text: &str) -> Source {
    Source::new(path, text)
}
