//! What must hold of what is shown of a message's headers, whatever the message is.

use super::taker::Taker;
use counterfoil::job::scan::headers::read;
use counterfoil::model::limits::HEADER_CHARS;
use counterfoil::model::{Timestamp, escape};

/// Holds the reader against one input. An even first byte: the rest is a message; an odd one: it is the text of
/// headers that are shown.
pub fn hold(input: &[u8]) {
    let mut taker = Taker(input);
    match taker.byte() % 2 {
        0 => judged(taker.0),
        _ => {
            let mut message = Vec::new();
            while !taker.is_empty() {
                let name = ["Subject: ", "From: ", "To: ", "Date: ", "Cc: "][taker.below(5)];
                message.extend_from_slice(name.as_bytes());
                message.extend_from_slice(taker.piece(400));
                message.extend_from_slice(b"\r\n");
            }
            judged(&message);
        }
    }
}

fn judged(message: &[u8]) {
    let headers = read(message);
    for text in [&headers.from, &headers.to, &headers.subject] {
        // One more for the sign that something was left out.
        assert!(text.chars().count() <= HEADER_CHARS + 1, "{} characters", text.chars().count());
        harmless(text);
    }
    let date = &headers.date;
    harmless(date);
    let told = date.is_empty() || date.starts_with('@') || Timestamp::from_rfc3339(date).is_some();
    assert!(told, "a date that is none: {date:?}");
    assert_eq!(read(message), headers, "the same twice");
}

/// Text as it is shown moves no cursor and turns no reading direction (Unicode 15, the property
/// Bidi_Control, and the general category Cc).
fn harmless(text: &str) {
    let json = escape::in_json(&serde_json::Value::from(text).to_string());
    for shown in [escape::shown(text.as_bytes()), json, escape::to_text(text.as_bytes())] {
        let steers = |c: char| {
            c.is_control()
                || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}')
                || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        };
        assert!(!shown.contains(steers), "{shown:?}");
    }
}
