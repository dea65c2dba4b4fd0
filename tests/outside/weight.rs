//! The parts of a message, compared with messages that Python's standard library made and took apart: its `email`
//! package knows nothing of this program.

use crate::tools::{python, run};
use counterfoil::job::scan::headers::read_with_sizes;
use std::path::Path;

/// Makes messages of one, two and three parts, and reports for each how many bytes its text and its attachments take in
/// their encoded form; the message itself in hexadecimal.
const MADE_BY_PYTHON: &str = r#"
import email.message, email.policy, json, random
chance = random.Random(7)
out = []
for text, attached in [("0700 412 cm\n", []), ("See the map.\n", [10240]), ("Two.\n", [29000, 300]), ("None\n", [0])]:
    message = email.message.EmailMessage(policy=email.policy.SMTP)
    message["From"], message["Subject"] = "q2rvr@example.org", "EXERCISE"
    message.set_content(text)
    for size in attached:
        message.add_attachment(chance.randbytes(size), maintype="image", subtype="png", filename="map.png")
    raw = message.as_bytes()
    parts = list(email.message_from_bytes(raw, policy=email.policy.SMTP).walk())
    def stored(part):
        return len(part.get_payload().encode())
    out.append({
        "raw": raw.hex(),
        "text": sum(stored(p) for p in parts if p.get_content_type() == "text/plain"),
        "attached": [stored(p) for p in parts if p.get_content_type() == "image/png"],
    })
print(json.dumps(out))
"#;

#[test]
fn text_and_attachments_weigh_what_python_says_they_take() {
    let output = run(python(), &["-c".as_ref(), MADE_BY_PYTHON.as_ref()], Path::new("/"));
    assert_eq!(output.code, Some(0), "{}", output.err);
    let made: serde_json::Value = serde_json::from_str(&output.out).unwrap();
    let made = made.as_array().unwrap();
    assert_eq!(made.len(), 4);
    for message in made {
        let hex = message["raw"].as_str().unwrap();
        let byte = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
        let raw: Vec<u8> = (0..hex.len()).step_by(2).map(byte).collect();
        let (headers, weight) = read_with_sizes(&raw, raw.len() as u64);
        assert_eq!(headers.subject, "EXERCISE");
        assert_eq!(weight.quoted, 0);
        // The line break before a boundary belongs to the boundary (RFC 2046, section 5.1.1); some programs include it.
        let parts = message["attached"].as_array().unwrap();
        let attached: u64 = parts.iter().map(|n| n.as_u64().unwrap()).sum();
        let slack = 2 * (1 + parts.len() as u64);
        assert!(weight.attached.abs_diff(attached) <= slack, "{weight:?}, {attached}");
        assert!(weight.body.abs_diff(message["text"].as_u64().unwrap()) <= slack, "{weight:?}");
    }
    // 10,240 bytes in base64 with CRLF after every 76 (RFC 2045, section 6.8; check value 60).
    let attached = made[1]["attached"][0].as_u64().unwrap();
    assert!(attached.abs_diff(14_016) <= 2, "{attached}");
}
