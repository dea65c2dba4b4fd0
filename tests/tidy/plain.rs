//! What a plain `cargo test` leaves to tests/all (`tests/plain`), and where DEVELOPERS.md says a test belongs: compared
//! with the tests and files that exist. Never judges what a test needs: a plain run as an ordinary user shows it.

use crate::expect_none;
use crate::source::{Breach, Source, below, root};

const LIST: &str = "tests/plain";
/// Why a test is left out, or does less.
const REASONS: [&str; 9] = [
    "root",
    "strace",
    "python-packages",
    "systemd",
    "shellcheck",
    "groff-mandoc",
    "cargo-deny",
    "time",
    "small",
];

/// A line of the list.
struct Row {
    line: usize,
    binary: String,
    why: String,
    test: String,
}

#[test]
fn every_test_that_is_left_to_tests_all_is_one() {
    let tests = tests(&below("tests"));
    let list = std::fs::read_to_string(root().join(LIST)).unwrap();
    let rows = rows(&list);
    assert!(rows.len() > 100, "only {} rows were seen", rows.len());
    expect_none(
        "a row of the list is a test binary, one of the reasons and the name of a test; of the names of that binary no \
         other may have it in its own, or that test would be left out too and nobody told",
        rows.iter().filter(|row| !is_right(row, &tests)).map(breach),
    );
}

/// Compares the list with the tests that ask how many cases they are to try.
#[test]
fn every_test_that_tries_fewer_cases_is_named() {
    let all = below("tests");
    let list = std::fs::read_to_string(root().join(LIST)).unwrap();
    let small: Vec<_> = rows(&list).into_iter().filter(|row| row.why == "small").collect();
    let asks = |source: &&Source| source.code.contains("use crate::support::cases::cases;");
    let asking: Vec<_> = all.iter().filter(asks).map(name_of).collect();
    assert!(!asking.is_empty() && !small.is_empty());
    let file = |row: &Row| {
        let module = row.test.rsplit_once("::").map_or("", |(module, _)| module);
        (row.binary.clone(), module.to_owned())
    };
    let unnamed = asking.iter().filter(|name| !small.iter().any(|row| file(row) == **name));
    let unnamed =
        unnamed.map(|(binary, module)| Breach(LIST.into(), 0, format!("{binary} {module}")));
    let idle = small.iter().filter(|row| !asking.contains(&file(row))).map(breach);
    expect_none(
        "whoever reads the end of a plain run has to know which tests did less in it",
        unnamed.chain(idle),
    );
}

/// Otherwise a plain run fails because its list is not read, or tests/all leaves out what it is there for.
#[test]
fn the_list_is_read_by_every_run_but_that_of_tests_all() {
    let text = |path: &str| std::fs::read_to_string(root().join(path)).unwrap();
    assert!(text(".cargo/config.toml").lines().any(|line| line == "runner = \"tests/runner\""));
    assert!(text("tests/all").lines().any(|line| line == "export COUNTERFOIL_TESTS=all"));
    for reader in ["tests/runner", "tests/support/cases.rs"] {
        assert!(text(reader).contains("COUNTERFOIL_TESTS"), "{reader}");
    }
}

/// Checks the table of DEVELOPERS.md.
#[test]
fn every_place_for_a_test_exists() {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let lines = text.lines().enumerate().skip_while(|(_, line)| *line != "## Tests").skip(1);
    let section = lines.take_while(|(_, line)| !line.starts_with("## "));
    let rows: Vec<_> = section.filter(|(_, line)| line.starts_with("| ")).skip(1).collect();
    assert!(rows.len() >= 10, "only {} rows were seen", rows.len());
    let places = rows.iter().flat_map(|(at, line)| {
        let quoted = line.split('`').skip(1).step_by(2);
        let places = quoted.filter(|text| text.starts_with("tests/") || text.starts_with("src/"));
        places.map(move |place| Breach("DEVELOPERS.md".into(), at + 1, place.to_owned()))
    });
    let places: Vec<_> = places.collect();
    assert!(places.len() >= rows.len(), "a row names no place");
    expect_none(
        "a newcomer goes where the table says",
        places.into_iter().filter(|Breach(_, _, place)| !root().join(place).exists()),
    );
}

fn breach(row: &Row) -> Breach {
    Breach(LIST.into(), row.line, format!("{} {} {}", row.binary, row.why, row.test))
}

fn rows(text: &str) -> Vec<Row> {
    let lines = text.lines().enumerate().filter(|(_, line)| !line.starts_with('#'));
    let rows = lines.map(|(at, line)| {
        let mut words = line.splitn(3, ' ').map(str::to_owned);
        let mut word = || words.next().unwrap_or_default();
        Row { line: at + 1, binary: word(), why: word(), test: word() }
    });
    rows.collect()
}

fn is_right(row: &Row, tests: &[(String, String)]) -> bool {
    let ours = tests.iter().filter(|(binary, _)| *binary == row.binary);
    let having: Vec<_> = ours.filter(|(_, test)| test.contains(&row.test)).collect();
    REASONS.contains(&row.why.as_str()) && matches!(having[..], [(_, test)] if *test == row.test)
}

/// The test program of a file, and its module there.
fn name_of(source: &Source) -> (String, String) {
    let below = source.path.trim_start_matches("tests/").trim_end_matches(".rs");
    let (binary, module) = below.split_once('/').unwrap_or((below, ""));
    let module = module.trim_end_matches("/mod").replace('/', "::");
    (binary.to_owned(), if module == "main" { String::new() } else { module })
}

/// Every test there is: its program, and its name as the program lists it.
fn tests(sources: &[Source]) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for source in sources {
        let (binary, module) = name_of(source);
        let mut marked = false;
        for line in source.code.lines().map(str::trim) {
            let function = line.strip_prefix("fn ").and_then(|rest| rest.split('(').next());
            match function {
                Some(function) if marked => {
                    let name = [module.as_str(), function].into_iter().filter(|p| !p.is_empty());
                    found.push((binary.clone(), name.collect::<Vec<_>>().join("::")));
                    marked = false;
                }
                _ if line.starts_with('#') => marked |= line == "#[test]",
                _ => marked = false,
            }
        }
    }
    found
}

/// Planted rows, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let source = Source::new(
        "tests/cli/drives/full.rs",
        "//! F.\n#[test]\nfn it_is_full() {}\n#[test]\nfn it_is_full_too() {}\nfn no_test() {}\n",
    );
    let tests = tests(&[source]);
    let rows = rows(
        "# A comment\ncli root drives::full::it_is_full_too\ncli root drives::full::it_is_full\n\
         cli root drives::full::no_test\ncli wind drives::full::it_is_full_too\n\
         job root drives::full::it_is_full_too\ncli root\n",
    );
    let right: Vec<_> = rows.iter().map(|row| (row.line, is_right(row, &tests))).collect();
    assert_eq!(right, [(2, true), (3, false), (4, false), (5, false), (6, false), (7, false)]);
}
