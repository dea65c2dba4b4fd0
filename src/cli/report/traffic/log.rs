//! What a communications log says: its head, its rows, how it is to be read.
//! Never lays it out.

use crate::cli::report::count;
use crate::job::report::traffic::{Direction, LogEntry, TrafficLog};
use crate::model::dtg::{self, Span, Zone};
use crate::model::{EventTime, StationName};
use serde::Serialize;

pub(in crate::cli) const TITLE: &str = "Communications log (309-style)";

/// The columns that the public forms of this kind share.
pub(in crate::cli) const HEADS: [&str; 6] = ["TIME", "FROM", "MSG#", "TO", "MSG#", "SUBJECT"];

/// A log to be shown.
pub(in crate::cli) struct LogSheet<'a> {
    pub station: &'a StationName,
    pub head: Head,
    pub zone: Zone,
    pub span: Span,
    pub prepared: &'a EventTime,
    pub with_subjects: bool,
    /// The config or an option names the folders of mail that came in or went out.
    pub folders_named: bool,
    pub traffic: &'a TrafficLog,
}

/// What people fill in; empty where nobody did.
#[derive(Serialize)]
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

impl LogSheet<'_> {
    pub(in crate::cli) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.traffic.entries.iter().map(|entry| self.row(entry))
    }

    fn row<'b>(&self, entry: &'b LogEntry) -> Row<'b> {
        let (time, date) = match entry.seen {
            Some((seen, trusted)) => {
                let sign = if trusted { "" } else { "*" };
                let time = dtg::time_of_day(seen, self.zone).unwrap_or_else(|| "????".into());
                (format!("{time}{sign}"), dtg::date(seen, self.zone))
            }
            None => ("????*".to_owned(), None),
        };
        let number = &entry.identity.digest.to_string()[..8];
        let (from_number, to_number) = match entry.direction {
            Direction::Sent => (number.to_owned(), String::new()),
            Direction::Received => (String::new(), number.to_owned()),
            Direction::Unknown => (format!("?{number}"), String::new()),
        };
        let (from, to) =
            entry.headers.as_ref().map_or(("", ""), |headers| (&headers.from, &headers.to));
        Row {
            date: date.unwrap_or_else(|| "date not known".into()),
            time,
            from,
            from_number,
            to,
            to_number,
            subject: self.subject(entry),
        }
    }

    fn subject(&self, entry: &LogEntry) -> String {
        let note = match &entry.headers {
            None => "(headers not at hand)",
            Some(_) if entry.suspect => "(looks like damage to the card)",
            Some(_) => "",
        };
        match &entry.headers {
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
             manifest-sha256.txt on the drives. It stands after FROM of what was sent, and after TO of what \
             was received."
                .to_owned(),
            "Each message has one row, whether it was moved, copied or deleted since. Its time is when the \
             station first saw it. Rows stand in the station's own order, which no clock can upset."
                .to_owned(),
        ];
        let entries = &self.traffic.entries;
        if self.traffic.some_by_time {
            lines.push(
                "Of some messages of an earlier card only the order of their leaving is known: they stand by \
                 their time."
                    .to_owned(),
            );
        }
        let unsure = |entry: &LogEntry| entry.seen.is_none_or(|(_, trusted)| !trusted);
        if !self.prepared.trusted || entries.iter().any(unsure) {
            lines.push("* Nothing vouched for the station's clock then.".to_owned());
        }
        if entries.iter().any(|entry| entry.direction == Direction::Unknown) {
            let advice = match self.folders_named {
                true => "no folder it was in is one of those named for it",
                false => "name the folders for each under [log] in the config",
            };
            lines.push(format!("? Not known whether it was received or sent: {advice}."));
        }
        if entries.iter().any(|entry| entry.headers.is_none()) {
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

    /// A sentence on the one place where a claimed time decides.
    pub(super) fn bounds(&self) -> Option<String> {
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
        let of =
            |way| self.traffic.entries.iter().filter(|entry| entry.direction == way).count() as u64;
        (of(Direction::Received), of(Direction::Sent), of(Direction::Unknown))
    }
}

#[cfg(test)]
mod tests {
    use super::super::text::table;
    use super::*;
    use crate::model::message::Headers;
    use crate::model::{Hasher, Timestamp};

    const JULY: i64 = 1_720_542_600;

    fn entry(direction: Direction, seen: Option<(i64, bool)>, subject: &str) -> LogEntry {
        let headers = Headers {
            from: "Net control <q0net@example.org>".into(),
            to: "q1pier@example.org, q2lck@example.org".into(),
            subject: subject.into(),
            date: String::new(),
            ..Headers::default()
        };
        let (path, in_mailbox, suspect) = (None, true, false);
        let identity = Hasher::default().finish();
        LogEntry { identity, direction, seen, headers: Some(headers), path, in_mailbox, suspect }
    }

    fn with_log<T>(traffic: &TrafficLog, then: impl FnOnce(&LogSheet<'_>) -> T) -> T {
        let text = || String::from("x");
        then(&LogSheet {
            station: &"pier-4".parse().unwrap(),
            head: Head {
                incident: text(),
                activation: text(),
                operator: text(),
                prepared_by: text(),
            },
            zone: Zone::UTC,
            span: Span { from: JULY, until: JULY + 60 },
            prepared: &EventTime {
                time: Timestamp { seconds: JULY, nanos: 0 },
                trusted: true,
                boot: String::new(),
            },
            with_subjects: true,
            folders_named: true,
            traffic,
        })
    }

    fn three() -> TrafficLog {
        let entries = vec![
            entry(Direction::Received, Some((JULY, true)), "first"),
            entry(Direction::Sent, Some((JULY + 86_400, false)), &"long ".repeat(40)),
            entry(Direction::Unknown, None, "=1+1"),
        ];
        TrafficLog { entries, ..TrafficLog::default() }
    }

    #[test]
    fn a_line_is_as_wide_as_may_be() {
        for width in [60, 80, 140] {
            let lines = with_log(&three(), |log| table(log, width));
            let widest = lines.iter().map(|line| line.chars().count()).max().unwrap();
            assert_eq!(widest, width, "{lines:#?}");
        }
        assert_eq!(
            with_log(&three(), |log| table(log, 80))[..3],
            [
                "TIME  FROM            MSG#      TO              MSG#      SUBJECT".to_owned(),
                "-- 09 JUL 2024 --".to_owned(),
                "1630  q0net@example.\u{2026}           q1pier@example\u{2026} e3b0c442  first"
                    .to_owned(),
            ]
        );
    }

    #[test]
    fn what_is_not_known_is_said_to_be() {
        let traffic = three();
        let rows = with_log(&traffic, |log| {
            log.rows().map(|r| (r.date, r.time, r.from_number, r.to_number)).collect::<Vec<_>>()
        });
        let row = |cells: [&str; 4]| cells.map(str::to_owned).into();
        assert_eq!(
            rows,
            [
                row(["09 JUL 2024", "1630", "", "e3b0c442"]),
                row(["10 JUL 2024", "1630*", "e3b0c442", ""]),
                row(["date not known", "????*", "?e3b0c442", ""]),
            ]
        );
        let legend = with_log(&traffic, |log| log.legend()).join("\n");
        for sign in
            ["\n* Nothing vouched", "\n? Not known whether", "no message known lies outside"]
        {
            assert!(legend.contains(sign), "{sign:?} is not in {legend}");
        }
    }

    /// A period of one minute is named by that minute.
    #[test]
    fn a_period_is_told_in_groups() {
        let facts = with_log(&TrafficLog::default(), |log| log.facts());
        assert_eq!(facts[2], ("Operational period from", "091630Z JUL 24".into()));
        assert_eq!(facts[3], ("Operational period to", "091630Z JUL 24".into()));
    }
}
