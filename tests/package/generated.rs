//! Completions and section 1 of the manual, made from the one tree of arguments and committed, so that
//! the package is built without the crates that write them.
//! Never leaves an old file behind: a page without a command is drift too.

use crate::tools::{ours, text};
use clap::CommandFactory as _;
use clap_complete::Shell;
use clap_mangen::Man;
use counterfoil::cli::args::Args;
use std::collections::BTreeMap;
use std::fs;

const MAN: &str = "packaging/man";
const COMPLETIONS: &str = "packaging/completions";
/// Set, the committed files are written instead of compared.
const REWRITE: &str = "COUNTERFOIL_REWRITE";

/// Files by path.
type Files = BTreeMap<String, Vec<u8>>;

#[test]
fn pages_and_completions_are_those_of_the_arguments() {
    let wanted = wanted();
    assert!(wanted.len() > 10, "only {} files: the tree of commands was not seen", wanted.len());
    if std::env::var_os(REWRITE).is_some() {
        for path in committed().keys().filter(|path| !wanted.contains_key(*path)) {
            fs::remove_file(ours(path)).unwrap();
        }
        for (path, bytes) in &wanted {
            fs::write(ours(path), bytes).unwrap();
        }
    }
    let committed = committed();
    let mut drift: Vec<&String> = Vec::new();
    drift.extend(wanted.iter().filter(|(path, b)| committed.get(*path) != Some(b)).map(|(p, _)| p));
    drift.extend(committed.keys().filter(|path| !wanted.contains_key(*path)));
    assert!(
        drift.is_empty(),
        "not as the arguments have it: {drift:?}\nrun: {REWRITE}=1 cargo test --test package"
    );
}

#[test]
fn every_command_has_its_page() {
    let wanted = wanted();
    for name in ["", "-watch", "-drives", "-drives-add", "-config-check"] {
        let path = format!("{MAN}/counterfoil{name}.1");
        let page = String::from_utf8(wanted[&path].clone()).unwrap();
        let command = format!("counterfoil{name}").replace('-', " ");
        assert!(page.contains(&command.replace(' ', "\\-")), "{path} does not name its page");
        assert!(page.contains(&format!("\\fB{command}\\fR")), "{path}: no synopsis of {command}");
    }
}

fn wanted() -> Files {
    let mut top = Args::command();
    top.build();
    let mut files = Files::new();
    pages(&top, &mut files);
    for (shell, name) in [
        (Shell::Bash, "counterfoil"),
        (Shell::Zsh, "_counterfoil"),
        (Shell::Fish, "counterfoil.fish"),
    ] {
        let mut bytes = Vec::new();
        clap_complete::generate(shell, &mut Args::command(), "counterfoil", &mut bytes);
        files.insert(format!("{COMPLETIONS}/{name}"), bytes);
    }
    files
}

fn pages(command: &clap::Command, files: &mut Files) {
    let name = command.get_display_name().unwrap_or(command.get_name()).to_owned();
    let man = Man::new(command.clone()).title(&name);
    let man = man.date(released()).source("counterfoil").manual("counterfoil's commands");
    let mut page = Vec::new();
    man.render(&mut page).unwrap();
    let page = String::from_utf8(page).unwrap();
    // What follows has better names here; a blank line between two breaks is a fault to mandoc.
    let page = page.split(".SH EXTRA\n").next().unwrap().split(".SH VERSION\n").next().unwrap();
    let mut page = page.replace("\n.br\n\n.br\n", "\n.sp\n");
    page.push_str(&exit_status());
    page.push_str(".SH \"SEE ALSO\"\n");
    if name != "counterfoil" {
        page.push_str(".BR counterfoil (1),\n");
    }
    page.push_str(".BR counterfoil.toml (5),\n.BR counterfoil (8)\n");
    files.insert(format!("{MAN}/{name}.1"), page.into_bytes());
    command.get_subcommands().for_each(|command| pages(command, files));
}

/// The codes are told once, behind the top command's help, and hold for all.
fn exit_status() -> String {
    let help = Args::command().get_after_help().unwrap().to_string();
    let mut section = ".SH \"EXIT STATUS\"\n".to_owned();
    for line in help.lines().skip(1) {
        let (code, meaning) = line.trim().split_once("  ").unwrap();
        section.push_str(&format!(".TP\n.B {code}\n{meaning}\n"));
    }
    assert_eq!(section.matches(".TP").count(), 4, "{section}");
    section
}

/// The day of the release, as the changelog has it.
fn released() -> String {
    let changelog = text("packaging/debian/changelog");
    let line = changelog.lines().find(|line| line.starts_with(" -- ")).unwrap();
    let (_, stamp) = line.rsplit_once("  ").unwrap();
    let stamp = jiff::fmt::rfc2822::parse(stamp).unwrap();
    stamp.strftime("%Y-%m-%d").to_string()
}

/// What is committed, the pages written by hand aside.
fn committed() -> Files {
    let mut files = Files::new();
    for folder in [MAN, COMPLETIONS] {
        for entry in fs::read_dir(ours(folder)).unwrap() {
            let entry = entry.unwrap();
            let path = format!("{folder}/{}", entry.file_name().into_string().unwrap());
            if folder == COMPLETIONS || path.ends_with(".1") {
                files.insert(path, fs::read(entry.path()).unwrap());
            }
        }
    }
    files
}
