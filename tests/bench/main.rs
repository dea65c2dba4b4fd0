//! How fast, how small: each figure as a ratio against plain tools or against itself at another size,
//! both measured in this run, interleaved, the best of three. `cargo bench --bench speed`, or with
//! `-- mirror large` only those. `-- quick`, which is no part of the whole, repeats in a minute what a proven copy costs
//! next to one that is not; it also needs strace. Never deletes what it did not make, and never fails for being slow.
//!
//! Needs /usr/bin/time (GNU), find, cp, sync and sha256sum, and about 2 GB beside the build.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod backlog;
mod data;
mod large;
#[allow(dead_code)]
#[path = "../support/mail.rs"]
mod mail;
mod one;
mod quick;
mod run;

use run::Row;

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    println!("{:<58} {:>12} {:>12} {:>7} {:>7}", "", "this", "against", "ratio", "goal");
    if wanted.iter().any(|w| w == "quick") {
        show(quick::everything());
    }
    if wants("hash") {
        show(backlog::hash());
    }
    if wants("mirror") || wants("restore") {
        show(backlog::mirror_and_restore());
    }
    if wants("large") {
        show(large::everything());
    }
    if wants("one") {
        show(one::one_more());
    }
}

fn show(rows: Vec<Row>) {
    for row in rows {
        println!("{row}");
    }
}
