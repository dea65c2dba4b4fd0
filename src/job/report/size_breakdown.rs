//! What the bytes of a message are: how much of it is the writer's text, quoted text and attachments.
//! For a person's eye only: nothing is ever decided by it.

use crate::model::message::SizeBreakdown;
use mail_parser::{MessageParser, MessagePart, PartType};

/// What a line that introduces an earlier message begins and ends with, in any language.
const RULE: &str = "-----";
/// What begins so is armour around a key or a signature (RFC 7468, RFC 9580): the writer's own.
const ARMOUR: [&str; 2] = ["-----BEGIN ", "-----END "];

/// What a message is made of, from its first bytes and its whole length. What follows the first bytes
/// counts as the last part that begins in them.
pub(in crate::job) fn of(start: &[u8], bytes: u64) -> SizeBreakdown {
    let mut breakdown = SizeBreakdown::default();
    // Only the headers that say where the parts are, and what.
    let parser = MessageParser::new().with_mime_headers();
    let Some(message) = parser.parse(start) else { return breakdown };
    let rest = bytes.saturating_sub(start.len() as u64);
    let leaves: Vec<_> = message
        .parts
        .iter()
        .zip(0_u32..)
        .filter(|(part, _)| !matches!(part.body, PartType::Multipart(_)))
        .collect();
    let last = leaves.iter().map(|(part, _)| part.offset_body).max();
    for (part, number) in leaves {
        let mut in_part = u64::from(part.offset_end.saturating_sub(part.offset_body));
        if Some(part.offset_body) == last {
            in_part += rest;
        }
        let attached = message.attachments.contains(&number);
        match text(part).filter(|_| !attached) {
            None => breakdown.attached += in_part,
            Some(text) => {
                let quoted = quoted_share(text, in_part);
                breakdown.quoted += quoted;
                breakdown.body += in_part - quoted;
            }
        }
    }
    breakdown
}

fn text<'m>(part: &'m MessagePart<'_>) -> Option<&'m str> {
    match &part.body {
        PartType::Text(text) | PartType::Html(text) => Some(text),
        _ => None,
    }
}

/// The share of quoted lines in a decoded text, of this many bytes as stored.
fn quoted_share(text: &str, bytes: u64) -> u64 {
    let mut quoted = 0;
    let mut earlier = false;
    for line in text.split_inclusive('\n') {
        earlier |= introduces_earlier(line);
        if earlier || line.trim_start().starts_with('>') {
            quoted += line.len();
        }
    }
    match text.len() {
        0 => 0,
        whole => (u128::from(bytes) * quoted as u128 / whole as u128) as u64,
    }
}

/// A line such as `-----Original Message-----`: words between rules. Everything after it is an earlier message.
fn introduces_earlier(line: &str) -> bool {
    let line = line.trim();
    let words = line.trim_matches('-');
    line.starts_with(RULE)
        && line.ends_with(RULE)
        && words.chars().any(char::is_alphabetic)
        && !ARMOUR.iter().any(|armour| line.starts_with(armour))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn breakdown_of(message: &str) -> SizeBreakdown {
        of(message.as_bytes(), message.len() as u64)
    }

    #[test]
    fn plain_text_is_the_writers_but_for_what_is_quoted() {
        let own = "Gauge reads 415 cm.\r\n";
        let head = "From: a@example.org\r\nSubject: x\r\n\r\n";
        let quoted = "> 0700 412 cm\r\n>> 0600 409 cm\r\n";
        assert_eq!(breakdown_of(&format!("{head}{own}")).body, own.len() as u64);
        let answered = breakdown_of(&format!("{head}{own}{quoted}"));
        assert_eq!((answered.body, answered.quoted), (own.len() as u64, quoted.len() as u64));

        let earlier = "-----Original Message-----\r\nFrom: b@example.org\r\n\r\nlong ago\r\n";
        let answered = breakdown_of(&format!("{head}{own}{earlier}"));
        assert_eq!((answered.body, answered.quoted), (own.len() as u64, earlier.len() as u64));
    }

    #[test]
    fn rules_and_armour_are_no_quotes() {
        let head = "From: a@example.org\r\n\r\n";
        for own in [
            "Meals\r\n----------\r\n120\r\n",
            "-----BEGIN PGP SIGNATURE-----\r\nwsB5\r\n-----END PGP SIGNATURE-----\r\n",
            "-- \r\nharbour office\r\n",
        ] {
            let breakdown = breakdown_of(&format!("{head}{own}"));
            assert_eq!((breakdown.body, breakdown.quoted), (own.len() as u64, 0), "{own:?}");
        }
    }

    #[test]
    fn attachments_count_as_they_are_stored_and_so_sent() {
        let text = "See the map.\r\n";
        let map = "AAAA".repeat(19) + "\r\n" + &"BBBB".repeat(10) + "\r\n";
        let message = format!(
            "From: a@example.org\r\nMIME-Version: 1.0\r\nContent-Type: multipart/mixed; boundary=q\r\n\r\n\
             --q\r\nContent-Type: text/plain\r\n\r\n{text}\r\n--q\r\nContent-Type: image/png\r\n\
             Content-Transfer-Encoding: base64\r\nContent-Disposition: attachment; filename=map.png\r\n\r\n\
             {map}\r\n--q--\r\n"
        );
        let breakdown = breakdown_of(&message);
        assert!(breakdown.body.abs_diff(text.len() as u64) <= 2, "{breakdown:?}");
        assert!(breakdown.attached.abs_diff(map.len() as u64) <= 4, "{breakdown:?}");
        // Cut off in the map: what follows is more of it.
        let cut = &message[..message.find("BBBB").expect("the map")];
        let of_cut = of(cut.as_bytes(), message.len() as u64);
        assert!(of_cut.attached.abs_diff(map.len() as u64) <= 16, "{of_cut:?}");
    }

    #[test]
    fn the_parts_are_never_more_than_the_whole() {
        for raw in [&b""[..], b"\0\0\0\0", b"\xff\xfe", b"no headers at all", &[b'-'; 9_000]] {
            let breakdown = of(raw, raw.len() as u64);
            assert!(
                breakdown.body + breakdown.quoted + breakdown.attached <= raw.len() as u64,
                "{raw:?}"
            );
        }
    }
}
