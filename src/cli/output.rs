//! Where text goes: reports to standard output, everything else to standard error.
//! Never colours anything that cannot be understood without colour.

use super::args::Color;
use crate::model::escape;
use serde::Serialize;
use std::io::{IsTerminal as _, Write as _};

/// How much is printed, and whether in colour.
#[derive(Debug, Clone, Copy)]
pub(super) struct Output {
    color: bool,
    quiet: bool,
    verbose: u8,
}

/// A report as one JSON object, with the version of the format; its keys stand in the order of the alphabet.
pub(super) fn json(report: &impl Serialize) -> String {
    #[derive(Serialize)]
    struct Versioned<'a, T> {
        schema: u32,
        #[serde(flatten)]
        report: &'a T,
    }
    // A struct of text, numbers and lists always serializes.
    let object = serde_json::to_value(Versioned { schema: 1, report }).unwrap_or_default();
    escape::in_json(&object.to_string())
}

/// Emphasis; shown by colour and boldness where there is any, and never by that alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    Plain,
    Good,
    Bad,
    Strong,
}

impl Output {
    pub(super) fn new(color: Color, quiet: bool, verbose: u8) -> Self {
        let color = match color {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => {
                std::io::stdout().is_terminal()
                    && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
                    && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
            }
        };
        Self { color, quiet, verbose }
    }

    /// Starts the log, on standard error.
    pub(super) fn start_log(&self) {
        let level = match (self.quiet, self.verbose) {
            (true, _) => tracing::Level::ERROR,
            (_, 0) => tracing::Level::INFO,
            (_, 1) => tracing::Level::DEBUG,
            _ => tracing::Level::TRACE,
        };
        let log = tracing_subscriber::fmt()
            .with_writer(std::io::stderr)
            .with_max_level(level)
            .with_target(false)
            .without_time()
            .with_ansi(self.color && std::io::stderr().is_terminal());
        // A second start, as in a test of several commands in one process, keeps the first.
        drop(log.try_init());
    }

    pub(super) fn is_quiet(&self) -> bool {
        self.quiet
    }

    /// A line of a report.
    pub(super) fn line(&self, text: impl AsRef<str>) {
        let mut out = std::io::stdout().lock();
        if writeln!(out, "{}", text.as_ref()).is_err() {
            // The reader has gone (as `head` does): nobody is left to report to.
            crate::disk::remove_temporary_dirs();
            std::process::exit(super::Exit::Failed as i32);
        }
    }

    /// How many columns a line of a report may have: the terminal's, or 80 where there is none.
    pub(super) fn width(&self) -> usize {
        match terminal_size::terminal_size_of(std::io::stdout()) {
            Some((terminal_size::Width(columns), _)) => usize::from(columns).clamp(60, 140),
            None => 80,
        }
    }

    /// A sentence of a report, broken between words where it is longer than a line; its indent is kept.
    pub(super) fn wrapped(&self, text: &str) {
        let words = text.trim_start();
        let indent = &text[..text.len() - words.len()];
        let options = textwrap::Options::new(self.width())
            .initial_indent(indent)
            .subsequent_indent(indent)
            .word_splitter(textwrap::WordSplitter::NoHyphenation)
            .break_words(false);
        textwrap::wrap(words, options).iter().for_each(|line| self.line(line));
    }

    /// The same with emphasis. A command to be typed is not broken.
    pub(super) fn styled_lines(&self, style: Style, text: &str) {
        if text.trim_start().starts_with("counterfoil ") {
            return self.line(text);
        }
        let options = textwrap::Options::new(self.width())
            .word_splitter(textwrap::WordSplitter::NoHyphenation)
            .break_words(false);
        textwrap::wrap(text, options).iter().for_each(|line| self.line(self.styled(style, line)));
    }

    /// A line of a report that `-q` leaves out.
    pub(super) fn say(&self, text: impl AsRef<str>) {
        if !self.quiet {
            self.line(text);
        }
    }

    /// One JSON object.
    pub(super) fn json(&self, report: &impl Serialize) {
        self.line(json(report));
    }

    /// Whether a person at a terminal can be asked.
    pub(super) fn can_ask(&self) -> bool {
        !self.quiet && std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
    }

    /// Asks a person at a terminal for one line; `None` where there is none.
    pub(super) fn ask(&self, question: &str) -> Option<String> {
        if !self.can_ask() {
            return None;
        }
        let mut typed = String::new();
        let asked =
            write!(std::io::stderr(), "{question}").and_then(|()| std::io::stderr().flush());
        asked.and_then(|()| std::io::stdin().read_line(&mut typed)).ok()?;
        Some(typed.trim().to_owned()).filter(|typed| !typed.is_empty())
    }

    /// Whether a person reads the report as it comes.
    pub(super) fn is_watched(&self) -> bool {
        std::io::stdout().is_terminal()
    }

    /// A notice in addition to the report.
    pub(super) fn notice(&self, text: impl AsRef<str>) {
        if !self.quiet {
            self.stderr(&format!("note: {}", text.as_ref()));
        }
    }

    /// Something that went wrong.
    pub(super) fn warn(&self, text: impl AsRef<str>) {
        self.stderr(&format!("warning: {}", text.as_ref()));
    }

    /// Why the command ended.
    pub(super) fn error(&self, problem: impl std::fmt::Display) {
        self.stderr(&format!("error: {problem}"));
    }

    fn stderr(&self, text: &str) {
        // If standard error is closed there is nowhere left to say so.
        drop(writeln!(std::io::stderr().lock(), "{text}"));
    }

    /// Emphasis as an escape sequence, where there is colour.
    pub(super) fn styled(&self, style: Style, text: &str) -> String {
        let code = match style {
            _ if !self.color => return text.to_owned(),
            Style::Plain => return text.to_owned(),
            Style::Good => "32",
            Style::Bad => "1;31",
            Style::Strong => "1",
        };
        format!("\x1b[{code}m{text}\x1b[0m")
    }
}
