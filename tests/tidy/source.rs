//! Owns the rules' view of a Rust file: its lines, its code without comments and text, the paths it names, and which
//! lines are test code. Never judges: the rules do.

use std::fs;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

/// A Rust file of the repository.
pub(crate) struct Source {
    /// Its path from the repository's root.
    pub(crate) path: String,
    /// The file as it is.
    pub(crate) text: String,
    /// The same, line for line, with comments and the insides of text literals blanked.
    pub(crate) code: String,
    tests: Vec<RangeInclusive<usize>>,
}

/// A breach of a rule: file, line, and what is there.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Breach(pub(crate) String, pub(crate) usize, pub(crate) String);

/// A path in code, such as `std`, `fs`, `read`, with its line number.
pub(crate) struct Named {
    pub(crate) line: usize,
    pub(crate) parts: Vec<String>,
}

impl Named {
    /// Whether it begins with these parts.
    pub(crate) fn begins(&self, parts: &[&str]) -> bool {
        self.parts.len() >= parts.len() && self.parts.iter().zip(parts).all(|(a, b)| a == b)
    }

    /// Whether it contains these parts in a row.
    pub(crate) fn holds(&self, parts: &[&str]) -> bool {
        self.parts.windows(parts.len()).any(|w| w.iter().zip(parts).all(|(a, b)| a == b))
    }
}

impl Source {
    /// A file with this text, as if it were at this path.
    pub(crate) fn new(path: &str, text: &str) -> Self {
        let code = blank(text);
        let tests = test_lines(&code);
        Self { path: path.to_owned(), text: text.to_owned(), code, tests }
    }

    /// The lines of code, numbered from 1.
    pub(crate) fn lines(&self) -> impl Iterator<Item = (usize, &str)> {
        self.code.lines().enumerate().map(|(at, line)| (at + 1, line))
    }

    /// Whether a line belongs to an item under `#[cfg(test)]`.
    pub(crate) fn is_test(&self, line: usize) -> bool {
        self.tests.iter().any(|range| range.contains(&line))
    }

    /// A breach at a line of this file.
    pub(crate) fn breach(&self, line: usize, what: impl Into<String>) -> Breach {
        Breach(self.path.clone(), line, what.into())
    }

    /// Every path of two parts or more in the code, with groups in braces expanded.
    pub(crate) fn named(&self) -> Vec<Named> {
        let chars: Vec<char> = self.code.chars().collect();
        let mut found = Vec::new();
        let (mut at, mut line) = (0, 1);
        while at < chars.len() {
            let begins = is_word(chars[at]) && (at == 0 || !is_word(chars[at - 1]));
            if begins {
                let mut reader = PathReader { chars: &chars, at, found: Vec::new() };
                reader.path(Vec::new());
                let paths = reader.found.into_iter().filter(|parts| parts.len() > 1);
                found.extend(paths.map(|parts| Named { line, parts }));
                let end = reader.at.max(at + 1);
                line += chars[at..end].iter().filter(|&&c| c == '\n').count();
                at = end;
            } else {
                line += usize::from(chars[at] == '\n');
                at += 1;
            }
        }
        found
    }
}

struct PathReader<'a> {
    chars: &'a [char],
    at: usize,
    found: Vec<Vec<String>>,
}

impl PathReader<'_> {
    /// Reads `a::b`, `a::{b, c::d}` or `a::*`, after the given parts.
    fn path(&mut self, mut parts: Vec<String>) {
        loop {
            let begin = self.at;
            while self.chars.get(self.at).is_some_and(|&c| is_word(c)) {
                self.at += 1;
            }
            if begin == self.at {
                break;
            }
            parts.push(self.chars[begin..self.at].iter().collect());
            if !(self.next_is(0, ':') && self.next_is(1, ':')) {
                break;
            }
            self.at += 2;
            if self.next_is(0, '{') {
                return self.group(&parts);
            }
        }
        self.found.push(parts);
    }

    fn group(&mut self, parts: &[String]) {
        self.at += 1;
        while let Some(&c) = self.chars.get(self.at) {
            match c {
                '}' => {
                    self.at += 1;
                    return;
                }
                c if is_word(c) => self.path(parts.to_vec()),
                _ => self.at += 1,
            }
        }
    }

    fn next_is(&self, ahead: usize, c: char) -> bool {
        self.chars.get(self.at + ahead) == Some(&c)
    }
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// Blanks comments and the insides of text and character literals; the line numbers stay the same.
fn blank(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < chars.len() {
        let end = match (chars[at], chars.get(at + 1)) {
            ('/', Some('/')) => line_end(&chars, at),
            ('/', Some('*')) => comment_end(&chars, at),
            ('"', _) => text_end(&chars, at),
            ('r', Some('"' | '#'))
                if at == 0 || !is_word(chars[at - 1]) || chars[at - 1] == 'b' =>
            {
                raw_end(&chars, at)
            }
            ('\'', _) => letter_end(&chars, at),
            _ => at,
        };
        if end == at {
            out.push(chars[at]);
            at += 1;
        } else {
            out.extend(chars[at..end].iter().map(|&c| if c == '\n' { c } else { ' ' }));
            at = end;
        }
    }
    out
}

fn line_end(chars: &[char], at: usize) -> usize {
    chars[at..].iter().position(|&c| c == '\n').map_or(chars.len(), |n| at + n)
}

fn comment_end(chars: &[char], mut at: usize) -> usize {
    let mut depth = 0;
    while at + 1 < chars.len() {
        match (chars[at], chars[at + 1]) {
            ('/', '*') => (depth, at) = (depth + 1, at + 2),
            ('*', '/') => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
        if depth == 0 {
            return at;
        }
    }
    chars.len()
}

fn text_end(chars: &[char], begin: usize) -> usize {
    let mut at = begin + 1;
    while at < chars.len() {
        match chars[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    chars.len()
}

/// The end of `r"…"` or `r#"…"#`; its beginning if it is neither, as `r#type` is not.
fn raw_end(chars: &[char], begin: usize) -> usize {
    let hashes = chars[begin + 1..].iter().take_while(|&&c| c == '#').count();
    if chars.get(begin + 1 + hashes) != Some(&'"') {
        return begin;
    }
    let mut at = begin + 2 + hashes;
    while at < chars.len() {
        let closes = chars[at + 1..].iter().take(hashes).filter(|&&c| c == '#').count() == hashes;
        at += 1;
        if chars[at - 1] == '"' && closes {
            return at + hashes;
        }
    }
    chars.len()
}

/// The end of a character literal; its beginning if it is a lifetime.
fn letter_end(chars: &[char], begin: usize) -> usize {
    match (chars.get(begin + 1), chars.get(begin + 2)) {
        (Some('\\'), _) => {
            let close = chars[(begin + 3).min(chars.len())..].iter().position(|&c| c == '\'');
            close.map_or(chars.len(), |n| begin + 4 + n)
        }
        (Some(_), Some('\'')) => begin + 3,
        _ => begin,
    }
}

/// The lines of every item under `#[cfg(test)]`.
fn test_lines(code: &str) -> Vec<RangeInclusive<usize>> {
    let mark = "#[cfg(test)]";
    let items = code.match_indices(mark).map(|(at, _)| {
        let line = |at: usize| code[..at].matches('\n').count() + 1;
        line(at)..=line(item_end(code, at + mark.len()))
    });
    items.collect()
}

/// Where the item that begins here ends: at its `;`, or at the brace that closes its first one.
pub(crate) fn item_end(code: &str, begin: usize) -> usize {
    let mut depth = 0;
    for (at, c) in code[begin..].char_indices() {
        match c {
            '{' | '(' | '[' => depth += 1,
            '}' | ')' | ']' => {
                depth -= 1;
                if depth == 0 && c == '}' {
                    return begin + at;
                }
            }
            ';' if depth == 0 => return begin + at,
            _ => {}
        }
    }
    code.len()
}

/// The repository's root.
pub(crate) fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every Rust file below a folder of the repository, in order; the folder must hold some.
pub(crate) fn below(folder: &str) -> Vec<Source> {
    let mut files = Vec::new();
    walk(&root().join(folder), &mut files);
    files.retain(|file| file.extension().is_some_and(|e| e == "rs"));
    assert!(!files.is_empty(), "no Rust file was found below {folder}: the rules saw nothing");
    files.iter().map(|file| Source::new(&shown(file), &fs::read_to_string(file).unwrap())).collect()
}

/// Every file below `src` and `tests`, of whatever kind, as paths from the root.
pub(crate) fn all_files() -> Vec<String> {
    let mut files = Vec::new();
    for folder in ["src", "tests"] {
        walk(&root().join(folder), &mut files);
    }
    files.iter().map(|file| shown(file)).collect()
}

fn shown(file: &Path) -> String {
    file.strip_prefix(root()).unwrap().display().to_string()
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for entry in entries {
        let own = !entry.ends_with("target");
        match entry.is_dir() {
            true if own => walk(&entry, files),
            true => {}
            false => files.push(entry),
        }
    }
}
