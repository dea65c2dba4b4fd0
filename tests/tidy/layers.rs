//! The layers: model < disk < job < daemon < cli, and what each may use. Never checks style.

use crate::source::{Breach, Named, Source, below};
use crate::{expect_none, plant};

/// The layers in order; each uses only those before it.
const LAYERS: [&str; 5] = ["model", "disk", "job", "daemon", "cli"];

/// What connects a module with the world outside.
const WORLD: [&[&str]; 12] = [
    &["std", "fs"],
    &["std", "io"],
    &["std", "net"],
    &["std", "process"],
    &["std", "thread"],
    &["std", "env"],
    &["rustix"],
    &["rusqlite"],
    &["tokio"],
    &["notify"],
    &["walkdir"],
    &["tempfile"],
];

/// The ways to the file system.
const FILES: [&[&str]; 5] =
    [&["std", "fs"], &["std", "os", "unix", "fs"], &["rustix", "fs"], &["tempfile"], &["walkdir"]];

#[test]
fn a_layer_uses_only_those_before_it() {
    expect_none(
        "model < disk < job < daemon < cli: a layer that knows a later one cannot be read, tested \
         or replaced without it. Move what is needed down, or hand it in as an argument",
        below("src").iter().flat_map(reaches_up),
    );
}

#[test]
fn the_model_reaches_for_nothing() {
    expect_none(
        "src/model is pure: no file system, no clock, no threads, no database; so that every rule \
         in it can be tested with values alone. Do the reaching in disk or job",
        below("src/model").iter().flat_map(|s| uses(s, &WORLD)),
    );
}

#[test]
fn only_disk_touches_the_file_system() {
    let elsewhere = below("src").into_iter().filter(|s| !s.path.starts_with("src/disk/"));
    expect_none(
        "a drive and a mailbox are hostile: everything goes through src/disk, which opens beneath a \
         root, follows no link and tells what failed. Add the operation there",
        elsewhere.flat_map(|s| uses(&s, &FILES)),
    );
}

#[test]
fn only_the_clock_reads_the_time_of_day() {
    let elsewhere = below("src").into_iter().filter(|s| s.path != "src/daemon/clock.rs");
    expect_none(
        "the station's clock may be years off: the time of day is read in src/daemon/clock.rs alone, \
         beside the word on whether it can be trusted. Take a Clock as an argument",
        elsewhere.flat_map(|s| reads_time(&s)),
    );
}

#[test]
fn only_the_catalogue_knows_its_database() {
    let allowed = |path: &str| path.starts_with("src/job/catalogue/") || path == "src/job/error.rs";
    let elsewhere = below("src").into_iter().filter(|s| !allowed(&s.path));
    expect_none(
        "the catalogue is a cache that can be thrown away: only src/job/catalogue (and the error that \
         carries its failures) may know that it is a database. Ask the Catalogue",
        elsewhere.flat_map(|s| uses(&s, &[&["rusqlite"]])),
    );
}

fn reaches_up(source: &Source) -> Vec<Breach> {
    let modules = modules_of(&source.path);
    let Some(own) = modules.first().and_then(|top| rank(top)) else { return Vec::new() };
    let reaches = |named: &Named| {
        let top = if named.begins(&["crate"]) {
            named.parts.get(1)
        } else {
            let up = named.parts.iter().take_while(|part| *part == "super").count();
            // A module written within the file is one step further from the root.
            (up >= modules.len()).then(|| named.parts.get(up)).flatten()
        };
        top.and_then(|top| rank(top)).is_some_and(|other| other > own)
    };
    let found = source.named().into_iter().filter(reaches);
    found.map(|named| source.breach(named.line, named.parts.join("::"))).collect()
}

fn rank(module: &str) -> Option<usize> {
    LAYERS.iter().position(|layer| *layer == module)
}

/// The modules a file is in, from the crate's root: `src/disk/volume.rs` is `disk`, `volume`.
fn modules_of(path: &str) -> Vec<&str> {
    let path = path.trim_start_matches("src/").trim_end_matches(".rs");
    path.split('/').filter(|part| *part != "mod").collect()
}

fn uses(source: &Source, roots: &[&[&str]]) -> Vec<Breach> {
    let named = source.named().into_iter().filter(|named| !source.is_test(named.line));
    let bad = named.filter(|named| roots.iter().any(|root| named.begins(root)));
    bad.map(|named| source.breach(named.line, named.parts.join("::"))).collect()
}

fn reads_time(source: &Source) -> Vec<Breach> {
    let ways = [
        ["SystemTime", "now"],
        ["Timestamp", "now"],
        ["Zoned", "now"],
        ["ClockId", "Realtime"],
        ["ClockId", "RealtimeCoarse"],
    ];
    let named = source.named().into_iter();
    let bad = named.filter(|named| ways.iter().any(|way| named.holds(way)));
    bad.map(|named| source.breach(named.line, named.parts.join("::"))).collect()
}

/// Planted breaches, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let up = plant(
        "src/disk/volume.rs",
        "use crate::{\n    model::Digest,\n    job::{JobError, scan},\n};\n",
    );
    assert_eq!(reaches_up(&up).len(), 2, "both names of the group");
    let climbs =
        plant("src/disk/volume.rs", "use super::super::cli::Exit;\nuse super::error::DiskError;\n");
    assert_eq!(reaches_up(&climbs), [climbs.breach(1, "super::super::cli::Exit")]);
    let down = plant("src/job/scan.rs", "/// See [`crate::cli`].\nuse crate::disk::host;\n");
    assert_eq!(reaches_up(&down), [], "comments and lower layers are fine");

    let reads =
        plant("src/job/scan.rs", "//! a\n\nuse std::{fmt, fs};\nfn f() { tempfile::tempdir() }\n");
    let found: Vec<_> = uses(&reads, &FILES).into_iter().map(|b| (b.1, b.2)).collect();
    assert_eq!(found, [(3, "std::fs".to_owned()), (4, "tempfile::tempdir".to_owned())]);
    let test = plant(
        "src/job/scan.rs",
        "fn f() {}\n#[cfg(test)]\nmod tests {\n    use std::fs::File;\n}\n",
    );
    assert_eq!(uses(&test, &FILES), []);
    let clock = plant("src/job/scan.rs", "fn f() { let t = std::time::SystemTime::now(); }\n");
    assert_eq!(reads_time(&clock).len(), 1);
}
