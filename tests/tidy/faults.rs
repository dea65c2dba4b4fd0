//! The tables of faults and of attacks: complete, and naming only tests that exist. Never judges whether a test is
//! worth its name: a reader does.

use crate::expect_none;
use crate::source::{Breach, root};
use std::path::Path;

const FILE: &str = "tests/FAULTS.md";
const ATTACKS_FILE: &str = "tests/ATTACKS.md";
/// The heading of each table of attacks.
const ATTACKS: &str = "| attack | what stops it | test |";
const FAULTS: usize = 64;
/// A row names a test, or says plainly that there is none.
const PLAINLY: [&str; 3] = ["Does not apply", "Not covered", "not covered"];

/// A row of the table.
struct Row {
    line: usize,
    number: String,
    covered_by: String,
}

#[test]
fn every_fault_has_one_row() {
    let rows = rows(&text_of(FILE));
    let numbers: Vec<_> = rows.iter().map(|row| row.number.as_str()).collect();
    let expected: Vec<_> = (1..=FAULTS).map(|number| number.to_string()).collect();
    assert_eq!(numbers, expected, "the table has each fault once, in order");
    expect_none(
        "a fault without a test is said to have none, so that nobody takes its row for one",
        rows.iter()
            .filter(|row| names(row).is_empty() && !is_plain(row))
            .map(|row| Breach(FILE.into(), row.line, row.covered_by.clone())),
    );
}

#[test]
fn every_test_in_the_table_exists() {
    let missing = |row: Row| {
        let names: Vec<_> = names(&row).into_iter().filter(|name| !exists(name)).collect();
        names.into_iter().map(move |name| Breach(FILE.into(), row.line, name))
    };
    expect_none(
        "a test that was renamed or taken out covers nothing: name the one that does, or say that \
         there is none",
        rows(&text_of(FILE)).into_iter().flat_map(missing),
    );
}

/// The same for the table of attacks; each row names a test.
#[test]
fn every_test_against_strangers_exists() {
    let text = text_of(ATTACKS_FILE);
    let lines = text.lines().enumerate();
    let rows = lines.filter(|(_, line)| line.starts_with("| ") && *line != ATTACKS);
    let rows: Vec<_> = rows.collect();
    assert!(rows.len() > 50, "only {} rows were seen", rows.len());
    let wrong = rows.into_iter().flat_map(|(at, line)| {
        let cells: Vec<_> = line.trim_matches('|').split('|').collect();
        let held_by = cells.last().copied().unwrap_or_default().trim();
        let row = Row { line: at + 1, number: String::new(), covered_by: held_by.to_owned() };
        let named = names(&row);
        let none = (cells.len() != 3 || named.is_empty()).then(|| held_by.to_owned());
        let missing = named.into_iter().filter(|name| !exists(name));
        missing
            .chain(none)
            .map(move |what| Breach(ATTACKS_FILE.into(), at + 1, what))
            .collect::<Vec<_>>()
    });
    expect_none("an attack whose test is gone is tried by nobody", wrong);
}

fn text_of(file: &str) -> String {
    std::fs::read_to_string(root().join(file)).unwrap()
}

fn rows(text: &str) -> Vec<Row> {
    let rows = text.lines().enumerate().filter_map(|(at, line)| {
        let cells: Vec<_> = line.strip_prefix('|')?.strip_suffix('|')?.split('|').collect();
        let [number, _, covered_by] = cells[..] else { return None };
        let (number, covered_by) = (number.trim().to_owned(), covered_by.trim().to_owned());
        let is_row = number.parse::<usize>().is_ok();
        is_row.then_some(Row { line: at + 1, number, covered_by })
    });
    rows.collect()
}

/// Names in code quotes that say where a test is.
fn names(row: &Row) -> Vec<String> {
    let quoted = row.covered_by.split('`').skip(1).step_by(2);
    let places = quoted.filter(|text| text.starts_with("tests/") || text.starts_with("src/"));
    places.map(str::to_owned).collect()
}

fn is_plain(row: &Row) -> bool {
    PLAINLY.iter().any(|words| row.covered_by.contains(words))
}

/// `tests/FOLDER: function`, `src/FILE.rs: function`, or a program whose tests have no names.
pub(crate) fn exists(name: &str) -> bool {
    let (place, test) = name.split_once(": ").unwrap_or((name, ""));
    let at = root().join(place);
    if test.is_empty() {
        return at.exists();
    }
    below(&at).iter().any(|text| is_test(text, test))
}

/// Whether a text has a test or a story of that name, marked as one.
fn is_test(text: &str, name: &str) -> bool {
    let lines: Vec<_> = text.lines().map(str::trim).collect();
    let begins = |line: &str| {
        let rest = line.strip_prefix("fn ").or_else(|| line.strip_prefix("def "));
        rest.and_then(|rest| rest.strip_prefix(name)).is_some_and(|rest| rest.starts_with('('))
    };
    let marked = |at: usize| {
        let above = lines[..at].iter().rev();
        above
            .take_while(|line| line.starts_with(['#', '@']))
            .any(|line| ["#[test]", "@story", "@bare_story"].contains(line))
    };
    (0..lines.len()).any(|at| begins(lines[at]) && marked(at))
}

/// The text of a file, or of every file below a folder that may hold tests.
fn below(at: &Path) -> Vec<String> {
    if at.is_file() {
        return std::fs::read_to_string(at).into_iter().collect();
    }
    let Ok(entries) = std::fs::read_dir(at) else { return Vec::new() };
    let paths = entries.map(|entry| entry.unwrap().path());
    let kept = paths.filter(|path| {
        let code = path.extension().is_some_and(|kind| kind == "rs" || kind == "py");
        (path.is_dir() && !path.ends_with("target")) || code
    });
    kept.flat_map(|path| below(&path)).collect()
}

/// Planted rows, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let text = "| | fault | by |\n|---|---|---|\n\
                | 1 | a | `tests/tidy: these_rules_see_what_they_should`, `tests/tidy: no_such` |\n\
                | 2 | b | `tests/tidy`, `tests/nowhere`, `Volume` |\n| 3 | c | Not covered |\n";
    let rows = rows(text);
    assert_eq!(rows.iter().map(|row| row.line).collect::<Vec<_>>(), [3, 4, 5]);
    let found = |row: &Row| names(row).iter().map(|name| exists(name)).collect::<Vec<_>>();
    assert_eq!(found(&rows[0]), [true, false]);
    assert_eq!(found(&rows[1]), [true, false]);
    assert_eq!((names(&rows[2]).len(), is_plain(&rows[2])), (0, true));
    assert!(!is_plain(&rows[1]));
    assert!(is_test("#[test]\n#[cfg(unix)]\n    fn a() {}", "a"));
    assert!(!is_test("#[test]\nfn b() {}\nfn a() {}", "a"), "not marked as a test");
}
