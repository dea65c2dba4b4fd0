//! What the program is built from: what cargo-deny lets through, and how SQLite was built into it.
//! Never believes a rule that was not seen to refuse something.

use crate::tools::{Said, ours, run, text};
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;

const RULES: &str = "packaging/deny.toml";
/// Where packaging/deny keeps it, if PATH has no other.
const TOOL: &str = "target/tools/bin/cargo-deny";

/// What cargo-deny says of this repository by these rules.
fn judged(rules: &str, which: &str) -> Said {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("deny.toml");
    fs::write(&path, rules).unwrap();
    let tool = if ours(TOOL).exists() { ours(TOOL) } else { "cargo-deny".into() };
    let manifest = ours("Cargo.toml");
    let (manifest, path) = (manifest.to_str().unwrap(), path.to_str().unwrap());
    let given = ["--locked", "--offline", "--manifest-path", manifest, "--config", path];
    run(tool, &[&given[..], &["check", "--hide-inclusion-graph", which]].concat())
}

#[test]
fn what_is_built_in_may_be() {
    for which in ["bans", "licenses", "sources"] {
        let said = judged(&text(RULES), which);
        assert_eq!(said.code, Some(0), "{which}: {}", said.err);
        assert!(said.out.contains("ok") || said.err.contains("ok"), "{which}: {}", said.err);
    }
}

#[test]
fn what_may_not_be_is_refused() {
    for (which, from, to, told) in [
        // A licence that half of the crates are under.
        ("licenses", "    \"Zlib\",\n", "", "rejected"),
        ("bans", "{ name = \"libloading\" }", "{ name = \"serde\" }", "serde"),
        ("bans", "    { name = \"libsqlite3-sys\" },\n", "", "build-script-not-allowed"),
        ("bans", "{ crate = \"syn@2\"", "{ crate = \"syn@1\"", "duplicate"),
        (
            "sources",
            "https://github.com/rust-lang/crates.io-index",
            "https://example.org/i",
            "source",
        ),
    ] {
        let rules = text(RULES);
        assert_eq!(rules.matches(from).count(), 1, "{from}");
        let said = judged(&rules.replace(from, to), which);
        assert_eq!(said.code.map(|code| code != 0), Some(true), "{which} without {from} holds");
        assert!(said.err.contains(told), "{told}: {}", said.err);
    }
}

/// packaging/deny where the data on advisories comes from a folder here instead of from the network.
fn asked_with_advisories(from: &Path, at: &Path) -> Said {
    let home = std::env::var_os("CARGO_HOME").map_or_else(
        || Path::new(&std::env::var_os("HOME").unwrap()).join(".cargo"),
        PathBuf::from,
    );
    symlink(home.join("registry"), at.join("registry")).unwrap();
    let out = Command::new(ours("packaging/deny"))
        .env("CARGO_HOME", at)
        .env("GIT_CONFIG_COUNT", "1")
        .env("GIT_CONFIG_KEY_0", format!("url.file://{}.insteadOf", from.display()))
        .env("GIT_CONFIG_VALUE_0", "https://github.com/RustSec/advisory-db")
        .output()
        .unwrap();
    Said {
        code: out.status.code(),
        out: String::from_utf8_lossy(&out.stdout).into_owned(),
        err: String::from_utf8_lossy(&out.stderr).into_owned(),
    }
}

#[test]
fn an_advisory_on_what_is_linked_in_stops_the_package() {
    let (data, home) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let folder = data.path().join("crates/rusqlite");
    fs::create_dir_all(&folder).unwrap();
    let advisory = "```toml\n[advisory]\nid = \"RUSTSEC-2026-9999\"\npackage = \"rusqlite\"\n\
                    date = \"2026-01-01\"\n[versions]\npatched = []\n```\n# Planted\n\nPlanted.\n";
    fs::write(folder.join("RUSTSEC-2026-9999.md"), advisory).unwrap();
    let at = data.path().to_str().unwrap();
    let author = ["-c", "user.name=Q", "-c", "user.email=q@example.org"];
    for args in [
        &["init", "--quiet", "--initial-branch=main"][..],
        &["add", "--all"],
        &[&author[..], &["commit", "--quiet", "--message=Planted"]].concat(),
    ] {
        let said = run("git", &[&["-C", at][..], args].concat());
        assert_eq!(said.code, Some(0), "{args:?}: {}", said.err);
    }
    let said = asked_with_advisories(data.path(), home.path());
    assert_eq!(said.code, Some(1), "{}", said.err);
    assert!(said.err.contains("RUSTSEC-2026-9999"), "{}", said.err);
    assert!(!said.err.contains("NOT CHECKED"), "{}", said.err);
    // And build-deb goes no further then.
    let script = text("packaging/build-deb");
    let (before, after) = script.split_once("\npackaging/deny >&2\n").unwrap();
    assert!(before.contains("set -euo pipefail") && !before.contains("cargo build"));
    assert!(after.contains("cargo build"));
}

#[test]
fn advisories_that_cannot_be_had_are_said_to_be_unchecked() {
    let home = tempfile::tempdir().unwrap();
    let said = asked_with_advisories(Path::new("/nowhere/advisories"), home.path());
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("NOT CHECKED: advisories"), "{}", said.err);
}

/// As the tests' program has it the package has it: one file of cargo's says how SQLite is built.
#[test]
fn sqlite_is_built_with_what_is_used_and_no_more() {
    let db = rusqlite::Connection::open_in_memory().unwrap();
    let mut query = db.prepare("PRAGMA compile_options").unwrap();
    let options: Vec<String> =
        query.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
    for option in [
        "DQS=0",
        "ENABLE_API_ARMOR",
        "OMIT_DEPRECATED",
        "OMIT_JSON",
        "OMIT_LOAD_EXTENSION",
        "OMIT_SHARED_CACHE",
        "UNTESTABLE",
    ] {
        assert!(options.iter().any(|one| one == option), "{option}: {options:?}");
    }
    for feature in ["FTS", "RTREE", "DBSTAT", "STAT4", "SOUNDEX", "COLUMN_METADATA", "LOAD_EXT"] {
        let on = options.iter().find(|one| one.contains(feature) && !one.starts_with("OMIT_"));
        assert_eq!(on, None, "{options:?}");
    }
    // What the options say is what it does.
    for refused in [
        "SELECT load_extension('x')",
        "SELECT json('[]')",
        "SELECT soundex('x')",
        "SELECT \"a string\"",
        "CREATE VIRTUAL TABLE t USING fts5(x)",
        "CREATE VIRTUAL TABLE t USING rtree(id, a, b)",
    ] {
        assert!(db.execute_batch(refused).is_err(), "{refused}");
    }
    // Two that the list does not tell of. Nothing in a schema may call what has effects:
    let trusted: i64 = db.query_row("PRAGMA trusted_schema", [], |row| row.get(0)).unwrap();
    assert_eq!(trusted, 0);
    // and, defensive, the schema cannot be written as if it were a table.
    let written = "PRAGMA writable_schema=ON; CREATE TABLE t (x); UPDATE sqlite_schema SET sql='x'";
    assert!(db.execute_batch(written).is_err());
}
