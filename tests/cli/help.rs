//! The words of `--help`: cases in `cmd/`, one a command; and the README's own examples.
//! `TRYCMD=overwrite` writes what is said now into the cases of `cmd/`; the README is changed by hand.

use crate::station::Mounted;

#[test]
fn help_says_what_it_said() {
    let cases = trycmd::TestCases::new();
    cases.register_bin("counterfoil", std::path::Path::new(env!("CARGO_BIN_EXE_counterfoil")));
    cases.env("COLUMNS", "100").case("tests/cli/cmd/*.trycmd");
    cases.run();
    let found = std::fs::read_dir("tests/cli/cmd").unwrap().count();
    assert!(found >= 12, "{found} cases: one for each command is needed");
}

/// The README's examples, run in a folder with a mailbox of three messages and an empty stick.
#[test]
fn the_readme_says_what_happens() {
    let dir = tempfile::Builder::new().prefix("counterfoil-readme-").tempdir().unwrap();
    let post = dir.path().join("README.in");
    for folder in ["mail/inbox", "examples"] {
        std::fs::create_dir_all(post.join(folder)).unwrap();
    }
    // A device of its own, as a stick is.
    let _amber = Mounted::small(&post.join("amber"), "size=64m");
    for (name, subject) in [("1", "Gauge at lock 2"), ("2", "Beds and blankets"), ("3", "Meals")] {
        let text = format!("From: q2rvr@example.org\r\nSubject: {subject}\r\n\r\nEXERCISE\r\n");
        std::fs::write(post.join("mail/inbox").join(name), text).unwrap();
    }
    std::fs::copy("examples/counterfoil.toml", post.join("examples/counterfoil.toml")).unwrap();
    std::fs::copy("README.md", dir.path().join("README.md")).unwrap();
    let examples = std::fs::read_to_string("README.md").unwrap().matches("\n$ counterfoil").count();
    assert!(examples >= 5, "{examples} examples");
    let cases = trycmd::TestCases::new();
    cases.register_bin("counterfoil", std::path::Path::new(env!("CARGO_BIN_EXE_counterfoil")));
    // What is kept where, and what the station is called, must not come from this host.
    cases.env("XDG_CONFIG_HOME", "/nonexistent").env("NO_COLOR", "1");
    cases.case(dir.path().join("README.md"));
    cases.run();
}
