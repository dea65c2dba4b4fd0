//! The words of `--help`: cases in `cmd/`, one a command. `TRYCMD=overwrite` writes what is said now.

#[test]
fn help_says_what_it_said() {
    let cases = trycmd::TestCases::new();
    cases.register_bin("counterfoil", std::path::Path::new(env!("CARGO_BIN_EXE_counterfoil")));
    cases.env("COLUMNS", "100").case("tests/cli/cmd/*.trycmd");
    cases.run();
    let found = std::fs::read_dir("tests/cli/cmd").unwrap().count();
    assert!(found >= 10, "{found} cases: one for each command is needed");
}
