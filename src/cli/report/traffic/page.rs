//! The communications log as a page: to be read on a screen, and to be printed and signed.
//! Never has anything in it that the log as text does not say.

use super::log::{HEADS, LogSheet, Row, TITLE};
use crate::cli::report::page::{StatusMark, Untrusted, facts, page, state, table_box};
use maud::{Markup, html};

pub(in crate::cli) fn html(log: &LogSheet<'_>) -> String {
    let rows: Vec<_> = log.rows().collect();
    let (received, sent, unknown) = log.sums();
    let body = html! {
        h2 { "Head of the log" }
        (facts(log.facts()))
        p {
            @match log.prepared.trusted {
                true => (state(StatusMark::Good, "clock vouched for")),
                false => (state(StatusMark::Open, "nothing vouches for the station's clock")),
            }
        }
        h2 { "Messages" }
        p {
            (rows.len()) " in all: " (received) " received, " (sent) " sent, "
            (unknown) " not known which."
        }
        @if log.traffic.outside_unsure > 0 {
            p { (state(StatusMark::Bad, "look outside of the period too")) ": some times there nothing vouched for." }
        }
        @if rows.is_empty() {
            p { "No message is known of this period." }
        } @else {
            (table_box("Messages of the log", &table(&rows)))
        }
        h2 { "How to read it" }
        ul { @for line in log.legend() { li { (Untrusted(line)) } } }
    };
    page(TITLE, &description(log), &body)
}

/// Whose log it is and of which incident, at the head of every sheet.
fn description(log: &LogSheet<'_>) -> String {
    let facts = log.facts();
    let of =
        |name: &str| facts.iter().find(|(fact, _)| *fact == name).map_or("", |(_, v)| v.as_str());
    let parts = [log.station.as_str(), &log.head.incident, &log.head.activation];
    let mut about: Vec<_> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    about.push(of("Prepared"));
    about.join(" \u{b7} ")
}

fn table(rows: &[Row<'_>]) -> Markup {
    html! {
        table .log {
            thead { tr { @for head in HEADS { th scope="col" { (head) } } } }
            @for day in rows.chunk_by(|a, b| a.date == b.date) {
                tbody {
                    tr { th scope="rowgroup" colspan=(HEADS.len()) { (day.first().map_or("", |row| &row.date)) } }
                    @for row in day {
                        tr {
                            td .k { (row.time) }
                            td { (Untrusted(row.from)) }
                            td .k { (row.from_number) }
                            td { (Untrusted(row.to)) }
                            td .k { (row.to_number) }
                            td { (Untrusted(&row.subject)) }
                        }
                    }
                }
            }
        }
    }
}
