//! The communications log in words, as JSON and as a table: what came in and what went out.
//! Never shows raw text of a message, and never claims to be anybody's official form.

use super::{clipped, count, csv, json_path};
use crate::cli::notices::Problem;
use crate::cli::output::{Output, Tone};
use crate::job::traffic::{Passed, Traffic, Way};
use crate::model::dtg::{self, Span, Zone};
use crate::model::{Stamp, StationName};
use serde_json::{Map, Value, json};

pub(in crate::cli) const TITLE: &str = "Communications log (309-style)";

/// The columns that the public forms of this kind share.
pub(in crate::cli) const HEADS: [&str; 6] = ["TIME", "FROM", "MSG#", "TO", "MSG#", "SUBJECT"];

/// A log to be shown.
pub(in crate::cli) struct Log<'a> {
    pub station: &'a StationName,
    pub head: Head,
    pub zone: Zone,
    pub span: Span,
    pub prepared: &'a Stamp,
    pub with_subjects: bool,
    /// It was said which folders tell which way mail went.
    pub folders_named: bool,
    pub traffic: &'a Traffic,
}

/// What people fill in; empty where nobody did.
pub(in crate::cli) struct Head {
    pub incident: String,
    pub activation: String,
    pub operator: String,
    pub prepared_by: String,
}

/// A row of the log, in the order of [`HEADS`], and the date it belongs to.
pub(in crate::cli) struct Row<'a> {
    pub date: String,
    pub time: String,
    pub from: &'a str,
    pub from_number: String,
    pub to: &'a str,
    pub to_number: String,
    pub subject: String,
}

impl Log<'_> {
    pub(in crate::cli) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.traffic.passed.iter().map(|passed| self.row(passed))
    }

    fn row<'b>(&self, passed: &'b Passed) -> Row<'b> {
        let (time, date) = match passed.seen {
            Some((seen, trusted)) => {
                let sign = if trusted { "" } else { "*" };
                let time = dtg::time_of_day(seen, self.zone).unwrap_or_else(|| "????".into());
                (format!("{time}{sign}"), dtg::date(seen, self.zone))
            }
            None => ("????*".to_owned(), None),
        };
        let number = &passed.identity.digest.to_string()[..8];
        let (from_number, to_number) = match passed.way {
            Way::Sent => (number.to_owned(), String::new()),
            Way::Received => (String::new(), number.to_owned()),
            Way::Unknown => (format!("?{number}"), String::new()),
        };
        let (from, to) =
            passed.headers.as_ref().map_or(("", ""), |headers| (&headers.from, &headers.to));
        Row {
            date: date.unwrap_or_else(|| "date not known".into()),
            time,
            from,
            from_number,
            to,
            to_number,
            subject: self.subject(passed),
        }
    }

    fn subject(&self, passed: &Passed) -> String {
        let note = match &passed.headers {
            None => "(headers not at hand)",
            Some(_) if passed.suspect => "(looks like damage to the card)",
            Some(_) => "",
        };
        match &passed.headers {
            Some(headers) if self.with_subjects => match (headers.subject.as_str(), note) {
                ("", "") => "(no subject)".to_owned(),
                (subject, "") => subject.to_owned(),
                (subject, note) => format!("{subject} {note}").trim_start().to_owned(),
            },
            _ => note.to_owned(),
        }
    }

    /// The block at the head, name and value.
    pub(in crate::cli) fn facts(&self) -> Vec<(&'static str, String)> {
        let head = &self.head;
        let group = |seconds| dtg::dtg(seconds, self.zone);
        let named = |seconds| group(seconds).unwrap_or_else(|| "outside of the calendar".into());
        let from = match self.span.from {
            i64::MIN => "the first message known".to_owned(),
            from => named(from),
        };
        let to = match self.span.until {
            i64::MAX => "the time of preparing".to_owned(),
            // The last minute that belongs to it.
            until => named(until - 1),
        };
        let unsure = if self.prepared.trusted { "" } else { "*" };
        vec![
            ("Incident name", head.incident.clone()),
            ("Incident number", head.activation.clone()),
            ("Operational period from", from),
            ("Operational period to", to),
            ("Station", self.station.to_string()),
            ("Radio operator (name, call sign)", head.operator.clone()),
            ("Prepared by (name, call sign)", head.prepared_by.clone()),
            ("Prepared", format!("{}{unsure}", named(self.prepared.time.seconds))),
            ("All times", format!("{}, zone letter {}", self.zone.name(), self.zone.letter())),
        ]
    }

    /// What a reader has to know to read it right.
    pub(in crate::cli) fn legend(&self) -> Vec<String> {
        let mut lines = vec![
            "A station's own log, with the columns that the public forms of this kind share. It is not an \
             official form."
                .to_owned(),
            "MSG# is this station's numbering: the first 8 digits of the message's SHA-256, found again in \
             manifest-sha256.txt on the drives. It stands behind FROM of what was sent, and behind TO of what \
             was received."
                .to_owned(),
            "Each message has one row, whether it was moved, copied or deleted since. Its time is when the \
             station first saw it. Rows stand in the station's own order, which no clock can upset."
                .to_owned(),
        ];
        let passed = &self.traffic.passed;
        if self.traffic.some_by_time {
            lines.push(
                "Of some messages of an earlier card only the order of their leaving is known: they stand by \
                 their time."
                    .to_owned(),
            );
        }
        let unsure = |passed: &Passed| passed.seen.is_none_or(|(_, trusted)| !trusted);
        if !self.prepared.trusted || passed.iter().any(unsure) {
            lines.push("* Nothing vouched for the station's clock then.".to_owned());
        }
        if passed.iter().any(|passed| passed.way == Way::Unknown) {
            let advice = match self.folders_named {
                true => "no folder it was in is one of those named for it",
                false => "name the folders for each under [log] in the config",
            };
            lines.push(format!("? Not known whether it was received or sent: {advice}."));
        }
        if passed.iter().any(|passed| passed.headers.is_none()) {
            lines.push(
                "Headers not at hand: the message is known from a drive's ledger, and no copy of it could be \
                 read here."
                    .to_owned(),
            );
        }
        lines.extend(self.bounds());
        if !self.with_subjects {
            lines.push("Subjects are left out.".to_owned());
        }
        lines
    }

    /// The one place where a claimed time decides, so it is said.
    fn bounds(&self) -> Option<String> {
        if (self.span.from, self.span.until) == (i64::MIN, i64::MAX) {
            return None;
        }
        let mut text = "The period is taken by the times the station claimed; ".to_owned();
        match (self.traffic.outside, self.traffic.outside_unsure) {
            (0, _) => text.push_str("no message known lies outside of it."),
            (outside, unsure) => {
                let verb = if outside == 1 { "lies" } else { "lie" };
                text.push_str(&format!("{} {verb} outside of it", count(outside, "message")));
                text.push_str(&match unsure {
                    0 => ".".to_owned(),
                    _ if unsure == outside => {
                        ", by a clock that nothing vouched for: look there too.".to_owned()
                    }
                    _ => format!(
                        ", {unsure} of them by a clock that nothing vouched for: look there too."
                    ),
                });
            }
        }
        Some(text)
    }

    /// How many went which way.
    pub(in crate::cli) fn sums(&self) -> (u64, u64, u64) {
        let of = |way| self.traffic.passed.iter().filter(|passed| passed.way == way).count() as u64;
        (of(Way::Received), of(Way::Sent), of(Way::Unknown))
    }
}

/// What the log holds, in a line, and what of the rest has to be known.
pub(in crate::cli) fn summary(log: &Log<'_>) -> Vec<String> {
    let (received, sent, unknown) = log.sums();
    let all = count(log.traffic.passed.len() as u64, "message");
    let first = format!("{all}: {received} received, {sent} sent, {unknown} not known which.");
    std::iter::once(first).chain(log.bounds()).collect()
}

pub(in crate::cli) fn json(log: &Log<'_>) -> Value {
    let (received, sent, unknown) = log.sums();
    let time = |seconds: i64| crate::model::Moment { seconds, nanos: 0 }.to_rfc3339();
    let bound = |seconds, none| (seconds != none).then(|| time(seconds));
    let messages: Vec<_> = log.traffic.passed.iter().map(|passed| message(log, passed)).collect();
    json!({
        "schema": 1,
        "station": log.station.as_str(),
        "generated": log.prepared.time.to_rfc3339(),
        "clock_trusted": log.prepared.trusted,
        "incident": log.head.incident,
        "activation": log.head.activation,
        "operator": log.head.operator,
        "prepared_by": log.head.prepared_by,
        "zone": log.zone.name(),
        "from": bound(log.span.from, i64::MIN),
        "until": bound(log.span.until, i64::MAX),
        "totals": {"received": received, "sent": sent, "unknown": unknown},
        "outside": {"messages": log.traffic.outside, "clock_untrusted": log.traffic.outside_unsure},
        "messages": messages,
    })
}

fn message(log: &Log<'_>, passed: &Passed) -> Value {
    let mut object = Map::new();
    let way = match passed.way {
        Way::Received => Some("received"),
        Way::Sent => Some("sent"),
        Way::Unknown => None,
    };
    let time = |(seconds, _)| crate::model::Moment { seconds, nanos: 0 }.to_rfc3339();
    object.insert("direction".into(), json!(way));
    object.insert("first_seen".into(), json!(passed.seen.map(time)));
    object.insert("clock_trusted".into(), json!(passed.seen.is_some_and(|(_, trusted)| trusted)));
    object.insert("sha256".into(), json!(passed.identity.digest.to_string()));
    object.insert("bytes".into(), json!(passed.identity.bytes));
    match &passed.path {
        Some(path) => json_path(&mut object, path),
        None => {
            object.insert("path".into(), Value::Null);
        }
    }
    object.insert("in_mailbox".into(), json!(!passed.left));
    object.insert("suspect".into(), json!(passed.suspect));
    let headers = passed.headers.as_ref();
    object.insert("from".into(), json!(headers.map(|h| &h.from)));
    object.insert("to".into(), json!(headers.map(|h| &h.to)));
    if log.with_subjects {
        object.insert("subject".into(), json!(headers.map(|h| &h.subject)));
    }
    object.insert("date".into(), json!(headers.map(|h| &h.date)));
    Value::Object(object)
}

/// A row a message and nothing else, so that it can be sorted and counted; the date is a column of its own.
pub(in crate::cli) fn csv(log: &Log<'_>) -> Result<Vec<u8>, Problem> {
    let heads: Vec<_> = ["DATE"].into_iter().chain(HEADS).chain(["DIRECTION", "SHA-256"]).collect();
    let rows = log.rows().zip(&log.traffic.passed).map(|(row, passed)| {
        let way = match passed.way {
            Way::Received => "received",
            Way::Sent => "sent",
            Way::Unknown => "not known",
        };
        [
            row.date,
            row.time,
            row.from.to_owned(),
            row.from_number,
            row.to.to_owned(),
            row.to_number,
            row.subject,
            way.to_owned(),
            passed.identity.digest.to_string(),
        ]
    });
    csv::table(&heads, rows)
}

pub(in crate::cli) fn text(output: &Output, log: &Log<'_>) {
    output.line(output.tone(Tone::Strong, TITLE));
    output.line("");
    for (name, value) in log.facts() {
        output.line(format!(
            "  {:<33} {}",
            format!("{name}:"),
            clipped(&value, output.width() - 37)
        ));
    }
    output.line("");
    // Time and the two numbers have their width; people get a share of the rest, subjects what is left.
    let free = output.width() - (5 + 9 + 9 + 5);
    let people = (free * 3 / 10).clamp(15, 40);
    let subject = free - 2 * people;
    let line = |cells: [&str; 6]| {
        let [time, from, from_number, to, to_number, what] = cells;
        let (from, to, what) = (clipped(from, people), clipped(to, people), clipped(what, subject));
        let text = format!(
            "{time:<5} {from:<people$} {from_number:<9} {to:<people$} {to_number:<9} {what}"
        );
        text.trim_end().to_owned()
    };
    output.line(output.tone(Tone::Strong, &line(HEADS)));
    let mut date = String::new();
    for row in log.rows() {
        if row.date != date {
            output.line(format!("-- {} --", row.date));
            date.clone_from(&row.date);
        }
        let people = [row.from, row.to].map(address);
        output.line(line([
            &row.time,
            people[0],
            &row.from_number,
            people[1],
            &row.to_number,
            &row.subject,
        ]));
    }
    if log.traffic.passed.is_empty() {
        output.line("No message is known of this period.");
    }
    output.line("");
    for text in summary(log).iter().take(1).chain(&log.legend()) {
        wrapped(text, output.width()).iter().for_each(|line| output.line(line));
    }
}

/// The address of the first one named: what there is room for on a terminal.
fn address(people: &str) -> &str {
    let inner = people.split_once('<').and_then(|(_, rest)| rest.split_once('>'));
    inner.map_or(people, |(address, _)| address)
}

/// Our own words, broken between them.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}
