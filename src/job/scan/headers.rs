//! Reads the few headers that are shown to a person. Never decides anything, never fails, and survives any malformed
//! mail.

use crate::job::report::size_breakdown;
use crate::model::message::{Headers, SizeBreakdown};
use crate::model::{Timestamp, limits::HEADER_BYTES, limits::HEADER_CHARS};
use jiff::fmt::rfc2822::DateTimeParser;
use mail_parser::{Address, MessageParser};

/// The headers of a message, from its first bytes; fields that cannot be read are empty.
pub fn read(start: &[u8]) -> Headers {
    let start = &start[..start.len().min(HEADER_BYTES)];
    // The parser is only a display aid and mail is hostile: a panic in it is an unreadable header.
    std::panic::catch_unwind(|| parse(start)).unwrap_or_default()
}

/// The headers, and how the size of a message of `bytes` bytes divides among its parts.
pub fn read_with_sizes(start: &[u8], bytes: u64) -> (Headers, SizeBreakdown) {
    let headers = read(start);
    let start = &start[..start.len().min(HEADER_BYTES)];
    let sizes = std::panic::catch_unwind(|| size_breakdown::of(start, bytes)).unwrap_or_default();
    (headers, sizes)
}

fn parse(start: &[u8]) -> Headers {
    let parser =
        MessageParser::new().with_address_headers().with_date_headers().with_minimal_headers();
    let Some(message) = parser.parse_headers(start) else { return Headers::default() };
    // RFC 5322 dates go to a parser that knows comments within them; all others to the mail parser.
    let date = message
        .header_raw("Date")
        .and_then(rfc_5322_date)
        .or_else(|| message.date().map(|d| Timestamp { seconds: d.to_timestamp(), nanos: 0 }));
    let date = date.map(Timestamp::to_rfc3339);
    Headers {
        from: addresses(message.from()),
        to: addresses(message.to()),
        subject: Headers::clip(message.subject().unwrap_or_default()),
        date: date.unwrap_or_default(),
        // A longer one, cut, would equal another with the same beginning.
        message_id: message
            .header_raw("Message-ID")
            .map(|raw| raw.trim().trim_start_matches('<').trim_end_matches('>'))
            .filter(|id| id.chars().count() <= HEADER_CHARS)
            .unwrap_or_default()
            .to_owned(),
    }
}

fn rfc_5322_date(raw: &str) -> Option<Timestamp> {
    static PARSER: DateTimeParser = DateTimeParser::new().relaxed_weekday(true);
    let time = PARSER.parse_timestamp(without_comments(raw)).ok()?;
    Some(Timestamp { seconds: time.as_second(), nanos: 0 })
}

/// A date without what RFC 5322 (sections 3.2.2 and 4.3) allows between its parts: comments, which may nest, and blanks
/// next to a colon.
fn without_comments(raw: &str) -> String {
    let mut depth = 0_u32;
    let plain: String = raw
        .chars()
        .filter(|c| {
            match c {
                '(' => depth += 1,
                ')' => depth = depth.saturating_sub(1),
                _ => return depth == 0,
            }
            false
        })
        .collect();
    let parts: Vec<_> = plain.split(':').map(str::trim).collect();
    parts.join(":")
}

fn addresses(field: Option<&Address<'_>>) -> String {
    let Some(field) = field else { return String::new() };
    let shown = field.iter().map(|a| match (a.name(), a.address()) {
        (Some(name), Some(address)) => format!("{name} <{address}>"),
        (name, address) => name.or(address).unwrap_or_default().to_owned(),
    });
    Headers::clip(&shown.collect::<Vec<_>>().join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> String {
        read(format!("Date: {text}\r\nFrom: a@example.org\r\n\r\n").as_bytes()).date
    }

    /// RFC 5322, Appendix A and section 4.3 (check values 25 to 33).
    #[test]
    fn dates_of_rfc_5322() {
        let cases = [
            ("Fri, 21 Nov 1997 09:55:06 -0600", 880_127_706),
            ("Tue, 1 Jul 2003 10:52:37 +0200", 1_057_049_557),
            ("Thu, 13 Feb 1969 23:32:54 -0330", -27_723_426),
            (
                "Thu,\r\n      13\r\n        Feb\r\n          1969\r\n      23:32\r\n\
                 \x20              -0330 (Newfoundland Time)",
                -27_723_480,
            ),
            ("Mon, 24 Nov 1997 14:22:01 -0800", 880_410_121),
            ("21 Nov 97 09:55:06 GMT", 880_106_106),
            ("Fri, 21 Nov 1997 09(comment):   55  :  06 -0600", 880_127_706),
            ("Fri, 21 Nov 1997 09:55:06 EST", 880_124_106),
            ("1 Jan 49 00:00:00 GMT", 2_493_072_000),
            ("1 Jan 50 00:00:00 GMT", -631_152_000),
        ];
        for (text, seconds) in cases {
            assert_eq!(date(text), Timestamp { seconds, nanos: 0 }.to_rfc3339(), "{text:?}");
        }
    }

    /// RFC 5322, section 2.2.3, and RFC 2047, section 8 (check values 34 to 39).
    #[test]
    fn subjects_of_rfc_5322_and_2047() {
        let cases = [
            ("a\r\n b", "a b"),
            ("=?ISO-8859-1?Q?a?= =?ISO-8859-1?Q?b?=", "ab"),
            ("=?ISO-8859-1?Q?a?= b", "a b"),
            ("=?ISO-8859-1?Q?a_b?=", "a b"),
            ("=?ISO-8859-1?Q?a?= =?ISO-8859-2?Q?_b?=", "a b"),
            (
                "=?ISO-8859-1?B?SWYgeW91IGNhbiByZWFkIHRoaXMgeW8=?= \
                 =?ISO-8859-2?B?dSB1bmRlcnN0YW5kIHRoZSBleGFtcGxlLg==?=",
                "If you can read this you understand the example.",
            ),
        ];
        for (text, expected) in cases {
            let headers = read(format!("Subject: {text}\r\n\r\n").as_bytes());
            assert_eq!(headers.subject, expected, "{text:?}");
        }
    }

    #[test]
    fn what_does_not_parse_is_shown_empty() {
        for raw in [&b""[..], b"\0\0\0\0", b"\xff\xfe", b"no headers at all", &[b'a'; 100_000]] {
            assert_eq!(read(raw).subject, "");
        }
    }
}
