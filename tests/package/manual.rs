//! The manual as it is read: no page with a warning, and every key of the config in it.
//! Never keeps a list of keys: the program itself is asked.

use crate::tools::{ours, run, text};
use std::collections::BTreeSet;
use std::fs;

#[test]
fn no_page_has_a_warning() {
    let mut pages = 0;
    for entry in fs::read_dir(ours("packaging/man")).unwrap() {
        let path = entry.unwrap().path();
        let path = path.to_str().unwrap();
        let said = run("groff", &["-man", "-Tutf8", "-ww", "-z", path]);
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{path}");
        let said = run("mandoc", &["-T", "lint", "-W", "warning", path]);
        assert_eq!((said.code, said.out.as_str()), (Some(0), ""), "{path}");
        pages += 1;
    }
    assert!(pages > 10, "only {pages} pages were seen");
}

/// So that a check gone blind is noticed.
#[test]
fn a_planted_warning_is_seen() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("bad.1");
    fs::write(&page, ".TH BAD 1\n.SH NAME\nbad \\- bad\n.BOLD text\n.PP\n\\*[nothing]\n").unwrap();
    let page = page.to_str().unwrap();
    assert_ne!(run("groff", &["-man", "-Tutf8", "-ww", "-z", page]).err, "");
    assert_ne!(run("mandoc", &["-T", "lint", "-W", "warning", page]).out, "");
}

#[test]
fn every_key_is_told() {
    let keys = keys("");
    for known in ["station", "mailbox", "mailbox.path", "drives.folders"] {
        assert!(keys.contains(known), "{known} was not found: {keys:?}");
    }
    let page = text("packaging/man/counterfoil.toml.5");
    for file in ["packaging/counterfoil.toml", "examples/counterfoil.toml"] {
        let config = text(file);
        let missing: Vec<_> = keys.iter().filter(|key| !sets(&config, key)).collect();
        assert!(missing.is_empty(), "{file} does not show {missing:?}");
    }
    let output = |key: &str| page.lines().any(|line| line == format!(".B {key}"));
    let missing: Vec<_> = keys.iter().filter(|key| !output(key)).collect();
    assert!(missing.is_empty(), "counterfoil.toml(5) has no line `.B KEY` for {missing:?}");
}

/// What the page tells must be there to be set.
#[test]
fn the_page_tells_of_no_other_key() {
    let keys = keys("");
    let page = text("packaging/man/counterfoil.toml.5");
    let (_, page) = page.split_once(".SH KEYS").unwrap();
    let page = page.split(".SH ").next().unwrap();
    for output in page.split(".TP\n.B ").skip(1).filter_map(|entry| entry.lines().next()) {
        assert!(keys.contains(output), "the program knows no key {output}");
    }
}

/// Whether a config shows a key, set or as a comment, below its table's heading.
fn sets(config: &str, key: &str) -> bool {
    let (table, name) = key.rsplit_once('.').unwrap_or(("", key));
    let mut at = String::new();
    config.lines().any(|line| {
        let line = line.strip_prefix('#').unwrap_or(line);
        if line.starts_with('[') {
            at = line.trim_matches(['[', ']']).to_owned();
            return at == key;
        }
        at == table && line.split_once(" = ").is_some_and(|(word, _)| word == name)
    })
}

/// Every key below a table, as the program lists them when it meets one it does not know.
fn keys(table: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for key in expected(&planted(table)) {
        let key = if table.is_empty() { key } else { format!("{table}.{key}") };
        found.extend(keys(&key));
        found.insert(key);
    }
    found
}

/// A config with an unknown key in this table; one level of tables and lists of tables is known.
fn planted(table: &str) -> Vec<String> {
    match table {
        "" => vec!["no_such_key = 1\n".to_owned()],
        table => {
            vec![format!("[{table}]\nno_such_key = 1\n"), format!("[[{table}]]\nno_such_key = 1\n")]
        }
    }
}

/// The keys the program expects instead, from "unknown field `a`, expected one of `b`, `c`".
fn expected(configs: &[String]) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("counterfoil.toml");
    for config in configs {
        fs::write(&path, config).unwrap();
        let args = ["config", "check", "--config", path.to_str().unwrap()];
        let said = run(env!("CARGO_BIN_EXE_counterfoil"), &args);
        assert_eq!(said.code, Some(2), "{config} was accepted: {}", said.out);
        if let Some((_, list)) = said.err.split_once("unknown field `no_such_key`, expected ") {
            let words = list.lines().next().unwrap().split('`').skip(1).step_by(2);
            return words.map(str::to_owned).collect();
        }
    }
    Vec::new()
}
