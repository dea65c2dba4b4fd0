//! How a file reads: its opening, its length, its names, and what must not remain in it. Never checks layers.

use crate::source::{Breach, Source, all_files, below, item_end, root};
use crate::{expect_none, plant};

/// Lines of a file. Usual is 400 at most; a file with more than this has to be split.
const FILE_LINES: usize = 440;
/// Longer files, and how long they may be. A new entry needs a reason; removing one does not.
const LONGER_FILES: [(&str, usize); 0] = [];
/// Lines of a `mod.rs`: its modules and exports, not the work.
const MOD_LINES: usize = 70;
/// Those with the type that their folder is about.
const LONGER_MODS: [(&str, usize); 1] = [("src/job/catalogue/mod.rs", 200)];
/// Lines of `main.rs`: parse, run, exit code.
const MAIN_LINES: usize = 60;
/// Lines of a function, from `fn` to its closing brace. Usual is 70.
const FUNCTION_LINES: usize = 75;
/// Characters of a line; the formatter breaks at 100 what it can break.
const LINE_CHARS: usize = 120;

fn everything() -> Vec<Source> {
    let mut all = below("src");
    all.extend(below("tests"));
    all
}

#[test]
fn every_file_says_what_it_owns() {
    expect_none(
        "a file opens with //! and a sentence on what it owns and one on what it must never do, so \
         that a newcomer knows within a line whether to read on",
        everything().iter().filter(|s| !s.text.starts_with("//! ")).map(|s| s.breach(1, "no //!")),
    );
}

#[test]
fn nothing_unfinished_is_left() {
    expect_none(
        "unfinished or switched-off code looks like finished code to whoever relies on it. Finish it, \
         or leave it out",
        everything().iter().flat_map(unfinished),
    );
}

#[test]
fn nothing_ends_the_program_by_surprise() {
    expect_none(
        "a panic ends the daemon with the mail unmirrored. Outside tests an unwrap or expect must be \
         an error that is carried up and says what to do next",
        below("src").iter().flat_map(panics),
    );
}

#[test]
fn a_result_is_dropped_only_for_a_reason() {
    expect_none(
        "a dropped result may be the one failure that mattered: `let _ =` needs a comment on the line \
         above that says why nothing is lost",
        below("src").iter().flat_map(dropped),
    );
}

#[test]
fn files_are_short_enough_to_read_in_one_sitting() {
    let over = below("src").into_iter().filter_map(|s| {
        let (is_mod, is_main) = (s.path.ends_with("/mod.rs"), s.path == "src/main.rs");
        let (usual, longer) = match (is_mod, is_main) {
            (true, _) => (MOD_LINES, &LONGER_MODS[..]),
            (_, true) => (MAIN_LINES, &[][..]),
            _ => (FILE_LINES, &LONGER_FILES[..]),
        };
        let most = longer.iter().find(|(path, _)| *path == s.path).map_or(usual, |(_, most)| *most);
        let lines = s.text.lines().count();
        (lines > most).then(|| s.breach(most + 1, format!("{lines} lines, at most {most}")))
    });
    expect_none("a long file owns more than one thing: take it apart along what it owns", over);
}

/// So that no exception outlives its reason.
#[test]
fn the_exceptions_on_length_are_still_needed() {
    let kinds = [(&LONGER_FILES[..], FILE_LINES), (&LONGER_MODS[..], MOD_LINES)];
    for (path, usual) in
        kinds.iter().flat_map(|(list, usual)| list.iter().map(|(p, _)| (p, *usual)))
    {
        let found = below("src").into_iter().find(|s| s.path == *path);
        let lines = found.map_or(0, |s| s.text.lines().count());
        assert!(lines > usual, "{path} has {lines} lines: take it off the list in {}", file!());
    }
}

#[test]
fn functions_fit_on_a_screen() {
    expect_none(
        "a function that does not fit on a screen hides its order of steps: name the steps",
        everything().iter().flat_map(|s| long_functions(s, FUNCTION_LINES)),
    );
}

#[test]
fn lines_fit_next_to_each_other() {
    let long = below("src").into_iter().flat_map(|s| {
        let lines = s.text.lines().enumerate().map(|(at, line)| (at + 1, line.chars().count()));
        let long = lines.filter(|(_, chars)| *chars > LINE_CHARS);
        long.map(|(at, n)| s.breach(at, format!("{n} characters, at most {LINE_CHARS}")))
            .collect::<Vec<_>>()
    });
    expect_none(
        "a line that runs off the screen is not read: break it, text literals with \\",
        long,
    );
}

#[test]
fn no_file_is_a_drawer() {
    let files = all_files().into_iter();
    let drawers =
        files.filter(|path| path.split('/').any(is_drawer)).map(|p| Breach(p, 1, String::new()));
    let modules = everything().into_iter().flat_map(|s| drawer_modules(&s));
    expect_none(
        "a module called utils, helpers or common is a drawer that everything falls into: name it \
         after what it owns",
        drawers.chain(modules),
    );
}

#[test]
fn the_top_level_is_a_table_of_contents() {
    let known = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE-MIT",
        "LICENSE-APACHE",
        "src",
        "tests",
        "packaging",
        "examples",
        "target",
    ];
    let entries = std::fs::read_dir(root()).unwrap().map(|e| e.unwrap().file_name());
    let names = entries.map(|name| name.to_string_lossy().into_owned());
    let odd = names.filter(|name| !name.starts_with('.') && !known.contains(&name.as_str()));
    expect_none(
        "the first thing seen of the repository is its top level: what is no part of the map goes \
         into the folder it belongs to",
        odd.map(|name| Breach(name, 1, String::new())),
    );
}

fn unfinished(source: &Source) -> Vec<Breach> {
    const MARKS: [&str; 4] = ["todo!", "unimplemented!", "dbg!", "#[ignore"];
    lines_with(source, |line| MARKS.iter().any(|mark| line.contains(mark)))
}

fn panics(source: &Source) -> Vec<Breach> {
    let mut found =
        lines_with(source, |line| line.contains(".unwrap()") || line.contains(".expect("));
    found.retain(|breach| !source.is_test(breach.1));
    found
}

fn dropped(source: &Source) -> Vec<Breach> {
    let mut found = lines_with(source, |line| line.contains("let _ =") || line.contains("let _:"));
    let raw: Vec<&str> = source.text.lines().collect();
    let explained =
        |line: usize| line >= 2 && raw.get(line - 2).is_some_and(|l| l.trim().starts_with("//"));
    found.retain(|breach| !explained(breach.1));
    found
}

fn drawer_modules(source: &Source) -> Vec<Breach> {
    lines_with(source, |line| {
        let words: Vec<_> = line.split(|c: char| !c.is_alphanumeric() && c != '_').collect();
        words.windows(2).any(|pair| pair[0] == "mod" && is_drawer(pair[1]))
    })
}

fn is_drawer(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or(name);
    ["util", "utils", "helper", "helpers", "common", "misc"].contains(&stem)
}

fn lines_with(source: &Source, bad: impl Fn(&str) -> bool) -> Vec<Breach> {
    let lines = source.lines().filter(|(_, line)| bad(line));
    lines.map(|(at, line)| source.breach(at, line.trim())).collect()
}

fn long_functions(source: &Source, most: usize) -> Vec<Breach> {
    let code = &source.code;
    let begins = code.match_indices("fn ").map(|(at, _)| at);
    let begins =
        begins.filter(|&at| !code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_'));
    let long = begins.filter_map(|at| {
        let end = (item_end(code, at) + 1).min(code.len());
        let lines = code[at..end].lines().count();
        let name: String = code[at + 3..].chars().take_while(|c| *c != '(' && *c != '<').collect();
        let line = code[..at].matches('\n').count() + 1;
        (lines > most)
            .then(|| source.breach(line, format!("{name}: {lines} lines, at most {most}")))
    });
    long.collect()
}

/// Planted breaches, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let bad = plant("src/a.rs", "fn f() {\n    todo!()\n}\n#[ignore]\nfn g() {}\n");
    assert_eq!(unfinished(&bad).iter().map(|b| b.1).collect::<Vec<_>>(), [2, 4]);
    let quoted =
        plant("src/a.rs", "// todo!\nconst A: &str = \"dbg!\";\nconst B: &str = r#\"todo!\"#;\n");
    assert_eq!(unfinished(&quoted), [], "comments and text are not code");

    let text = "fn f() { a.unwrap(); }\n#[cfg(test)]\nmod tests {\n    fn g() { b.expect(\"}\"); }\n}\nfn h() { \
     c.expect(\"\"); }\n";
    let bad = plant("src/a.rs", text);
    assert_eq!(panics(&bad).iter().map(|b| b.1).collect::<Vec<_>>(), [1, 6]);

    let bad = plant(
        "src/a.rs",
        "    // The other end may be gone.\n    let _ = a();\n    let _ = b();\n",
    );
    assert_eq!(dropped(&bad).iter().map(|b| b.1).collect::<Vec<_>>(), [3]);

    let bad = plant(
        "src/a.rs",
        "fn f(x: [u8; 2]) -> char {\n    let a = '{';\n    '\\''\n}\nfn g() {}\n",
    );
    assert_eq!(long_functions(&bad, 3), [bad.breach(1, "f: 4 lines, at most 3")]);

    assert_eq!(drawer_modules(&plant("src/a.rs", "pub mod helpers;\nmod mode;\n")).len(), 1);
    assert!(is_drawer("utils.rs") && !is_drawer("ledger.rs"));
}
