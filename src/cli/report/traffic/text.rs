//! The communications log on a terminal.
//! Never writes a line that is wider than the terminal.

use super::log::{HEADS, LogSheet, TITLE};
use crate::cli::output::{Output, Style};
use crate::cli::report::{clipped, count};

/// What the log holds, in a line, and what of the rest has to be known.
pub(in crate::cli) fn summary(log: &LogSheet<'_>) -> Vec<String> {
    let (received, sent, unknown) = log.sums();
    let all = count(log.traffic.entries.len() as u64, "message");
    let first = format!("{all}: {received} received, {sent} sent, {unknown} not known which.");
    std::iter::once(first).chain(log.bounds()).collect()
}

pub(in crate::cli) fn text(output: &Output, log: &LogSheet<'_>) {
    output.line(output.styled(Style::Strong, TITLE));
    output.line("");
    for (name, value) in log.facts() {
        let room = output.width().saturating_sub(37);
        output.line(format!("  {:<33} {}", format!("{name}:"), clipped(&value, room)));
    }
    output.line("");
    table(log, output.width()).iter().for_each(|line| output.line(line));
    output.line("");
    let facts = summary(log).into_iter().take(1).chain(log.legend());
    facts.for_each(|sentence| output.wrapped(&sentence));
}

/// The rows, no wider than that.
pub(super) fn table(log: &LogSheet<'_>, width: usize) -> Vec<String> {
    // Time and the two numbers have their width; people get a share of the rest, subjects what is left.
    let free = width.saturating_sub(5 + 9 + 9 + 5);
    let people = (free * 3 / 10).min(40);
    let subject = free - 2 * people;
    let line = |cells: [&str; 6]| {
        let [time, from, from_number, to, to_number, what] = cells;
        let (from, to, what) = (clipped(from, people), clipped(to, people), clipped(what, subject));
        let text = format!(
            "{time:<5} {from:<people$} {from_number:<9} {to:<people$} {to_number:<9} {what}"
        );
        text.trim_end().to_owned()
    };
    let mut lines = vec![line(HEADS)];
    let mut date = String::new();
    for row in log.rows() {
        if row.date != date {
            lines.push(format!("-- {} --", row.date));
            date.clone_from(&row.date);
        }
        let (from, to) = (address(row.from), address(row.to));
        lines.push(line([&row.time, from, &row.from_number, to, &row.to_number, &row.subject]));
    }
    if log.traffic.entries.is_empty() {
        lines.push("No message is known of this period.".to_owned());
    }
    lines
}

/// The address of the first one named: what there is room for on a terminal.
fn address(people: &str) -> &str {
    let inner = people.split_once('<').and_then(|(_, rest)| rest.split_once('>'));
    inner.map_or(people, |(address, _)| address)
}
