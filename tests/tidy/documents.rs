//! The developers' documents: every path and every test that they name exists. Never judges what they say about it.

use crate::expect_none;
use crate::faults::exists;
use crate::source::{Breach, root};

const DOCUMENTS: [&str; 5] = [
    "DEVELOPERS.md",
    "tests/ATTACKS.md",
    "tests/FAULTS.md",
    "tests/MEASUREMENTS.md",
    "tests/FINDINGS.md",
];
const STEPS: &str = "## Ten steps, three files each";
/// The folders of the repository whose files they name.
const FOLDERS: [&str; 4] = ["src/", "tests/", "packaging/", "examples/"];

#[test]
fn every_path_in_the_documents_exists() {
    expect_none(
        "a newcomer who follows a path to nowhere believes nothing else in that document: name the file as \
         it is called now",
        named_by(paths).into_iter().filter(|Breach(_, _, path)| !root().join(path).exists()),
    );
}

#[test]
fn every_test_in_the_documents_exists() {
    expect_none(
        "a test that was renamed or taken out holds nothing: name the one that does",
        named_by(tests).into_iter().filter(|Breach(_, _, test)| !exists(test)),
    );
}

#[test]
fn each_step_is_understood_in_three_files() {
    let text = std::fs::read_to_string(root().join(DOCUMENTS[0])).unwrap();
    let rows = steps(&text);
    assert_eq!(rows.len(), 10, "the table under {STEPS:?}");
    expect_none(
        "a step that takes more than three files to understand is spread too thin: say in the last column \
         which file holds it together, or bring it together",
        rows.into_iter()
            .filter(|(_, _, files)| *files != 3)
            .map(|(at, step, _)| Breach(DOCUMENTS[0].into(), at, step)),
    );
}

/// The rows of the table of steps: line, step, files to be read.
fn steps(text: &str) -> Vec<(usize, String, usize)> {
    let lines = text.lines().zip(1..).skip_while(|(line, _)| *line != STEPS);
    let rows = lines.skip_while(|(line, _)| !line.starts_with("|---")).skip(1);
    let rows = rows.take_while(|(line, _)| line.starts_with('|')).filter_map(|(line, at)| {
        let cells: Vec<_> = line.split('|').map(str::trim).collect();
        let [_, step, read, _, _] = cells[..] else { return None };
        Some((at, step.to_owned(), paths(read).len()))
    });
    rows.collect()
}

/// The names in the lines of all documents, each with its line.
fn named_by(names: fn(&str) -> Vec<String>) -> Vec<Breach> {
    let mut named = Vec::new();
    for document in DOCUMENTS {
        let text = std::fs::read_to_string(root().join(document)).unwrap();
        for (line, at) in text.lines().zip(1..) {
            named.extend(names(line).into_iter().map(|name| Breach(document.into(), at, name)));
        }
    }
    assert!(named.len() > 100, "only {} names were seen", named.len());
    named
}

/// Paths in a line, in code quotes or not, without what follows them.
fn paths(line: &str) -> Vec<String> {
    let is_path = |c: char| c.is_alphanumeric() || "/._-@*".contains(c);
    let words = line.split(|c: char| !is_path(c));
    let paths = words.filter(|word| FOLDERS.iter().any(|folder| word.starts_with(folder)));
    paths.map(|path| path.trim_end_matches('.').to_owned()).collect()
}

/// `tests/FOLDER: function` or `src/FILE.rs: function`, in code quotes.
fn tests(line: &str) -> Vec<String> {
    let quoted = line.split('`').skip(1).step_by(2);
    let named = quoted.filter(|text| text.contains(": ") && !paths(text).is_empty());
    let named = named.filter(|text| FOLDERS.iter().any(|folder| text.starts_with(folder)));
    named.map(str::to_owned).collect()
}

/// Planted names, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let line =
        "`src/main.rs`, (tests/sim --seed 1), `tests/job: a_b`, target/tests/x, tests/no/such.rs.";
    assert_eq!(paths(line), ["src/main.rs", "tests/sim", "tests/job", "tests/no/such.rs"]);
    assert_eq!(tests(line), ["tests/job: a_b"]);
    assert!(!exists("tests/job: a_b") && !root().join("tests/no/such.rs").exists());
    assert_eq!(paths("tests/*.rs"), ["tests/*.rs"], "a pattern is no path");

    let table = format!(
        "{STEPS}\n\n| a | b | c |\n|---|---|---|\n| one | `src/a.rs`, `src/b.rs` | |\n\n| x |"
    );
    assert_eq!(steps(&table), [(5, "one".to_owned(), 2)]);
}
