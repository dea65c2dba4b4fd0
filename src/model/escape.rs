//! Two ways to make raw text harmless: `%XX` in the ledger, `\u{..}` on a screen. The first loses no byte, and neither
//! lets a control character through.

use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// Writes raw bytes as text that can be read back exactly: printable UTF-8 stays, and `%`, controls, direction marks
/// and bytes that are not UTF-8 become `%XX` (RFC 3986, 2.1).
pub fn to_text(raw: &[u8]) -> String {
    let mut out = String::with_capacity(raw.len() + 8);
    for chunk in raw.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c == '%' || is_unsafe(c) {
                let mut buffer = [0; 4];
                percent(&mut out, c.encode_utf8(&mut buffer).as_bytes());
            } else {
                out.push(c);
            }
        }
        percent(&mut out, chunk.invalid());
    }
    out
}

fn percent(out: &mut String, bytes: &[u8]) {
    for byte in bytes {
        out.push_str(&format!("%{byte:02X}"));
    }
}

/// Reads back what [`to_text`] wrote; `None` where a `%` is not followed by two hexadecimal digits.
pub fn from_text(text: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((&byte, after)) = rest.split_first() {
        if byte == b'%' {
            let pair = after.get(..2)?;
            let pair = std::str::from_utf8(pair).ok()?;
            if !pair.bytes().all(|b| b.is_ascii_hexdigit()) {
                return None;
            }
            out.push(u8::from_str_radix(pair, 16).ok()?);
            rest = &after[2..];
        } else {
            out.push(byte);
            rest = after;
        }
    }
    Some(out)
}

/// Text for a terminal or a log: whatever could move the cursor, change its colour or turn the reading direction
/// becomes `\u{..}`; bytes that are not UTF-8 become `\x..`.
pub fn shown(raw: &[u8]) -> String {
    let mut out = String::with_capacity(raw.len());
    for chunk in raw.utf8_chunks() {
        for c in chunk.valid().chars() {
            if is_unsafe(c) {
                out.extend(c.escape_unicode());
            } else {
                out.push(c);
            }
        }
        for byte in chunk.invalid() {
            out.push_str(&format!("\\x{byte:02x}"));
        }
    }
    out
}

/// A name as text for a script that can be read back exactly: UTF-8 stays, a backslash is doubled, and a byte that is
/// not UTF-8 becomes `\x..`.
pub fn exact(raw: &[u8]) -> String {
    let mut out = String::with_capacity(raw.len());
    for chunk in raw.utf8_chunks() {
        out.push_str(&chunk.valid().replace('\\', "\\\\"));
        for byte in chunk.invalid() {
            out.push_str(&format!("\\x{byte:02x}"));
        }
    }
    out
}

/// A name for a terminal that can be read back exactly: [`shown`], with backslashes doubled.
pub fn shown_exact(raw: &[u8]) -> String {
    let parts = raw.split(|&byte| byte == b'\\');
    parts.map(shown).collect::<Vec<_>>().join("\\\\")
}

/// Reads back what [`exact`] and [`shown_exact`] wrote; anything that is none of their escapes stays as it is.
pub fn from_exact(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some((&byte, after)) = rest.split_first() {
        rest = after;
        if byte != b'\\' {
            out.push(byte);
        } else if let Some(after) = after.strip_prefix(b"\\") {
            out.push(b'\\');
            rest = after;
        } else if let Some((hex, after)) =
            after.strip_prefix(b"x").and_then(|a| a.split_at_checked(2))
            && let Some(byte) = number(hex)
        {
            out.push(byte as u8);
            rest = after;
        } else if let Some(after) = after.strip_prefix(b"u{")
            && let Some(end) = after.iter().position(|&b| b == b'}')
            && let Some(c) = after.get(..end).and_then(number).and_then(char::from_u32)
        {
            out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes());
            rest = &after[end + 1..];
        } else {
            out.push(byte);
        }
    }
    out
}

fn number(hex: &[u8]) -> Option<u32> {
    let hex = std::str::from_utf8(hex).ok()?;
    let is_hex = (1..=6).contains(&hex.len()) && hex.bytes().all(|b| b.is_ascii_hexdigit());
    u32::from_str_radix(hex, 16).ok().filter(|_| is_hex)
}

/// A path of the host, as [`shown`].
pub fn shown_path(path: &Path) -> String {
    shown(path.as_os_str().as_bytes())
}

/// A shown text as one word of a shell command.
pub fn in_shell(shown: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-=:,+@%".contains(c);
    match !shown.is_empty() && shown.chars().all(is_plain) {
        true => shown.to_owned(),
        false => format!("'{}'", shown.replace('\'', "'\\''")),
    }
}

/// The text of a JSON value with everything unsafe in its strings as `\u` escapes: the same value, and harmless on a
/// terminal. Such a text has unsafe characters nowhere else.
pub fn in_json(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_unsafe(c) {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                out.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            out.push(c);
        }
    }
    out
}

/// Text as a TOML string (TOML 1.0, basic strings) that can be read back exactly, with everything unsafe as `\u`
/// escapes.
pub fn in_toml(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if is_unsafe(c) => out.push_str(&format!("\\u{:04x}", u32::from(c))),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Controls (C0, DEL, C1), line and paragraph separators, direction marks and the byte order mark.
fn is_unsafe(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{2069}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}')
}

/// Whether a typed name means a place, by its label or by its path.
pub fn is_place(label: &str, at: &[u8], name: &str) -> bool {
    label == name || shown(at) == name.trim_end_matches('/')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_read_back_exactly_from_what_is_shown_of_them() {
        let names: [(&[u8], &str, &str); 7] = [
            (b"plain.eml", "plain.eml", "plain.eml"),
            (b"\xff\xfe.eml", "\\xff\\xfe.eml", "\\xff\\xfe.eml"),
            (b"\\xff\\xfe.eml", "\\\\xff\\\\xfe.eml", "\\\\xff\\\\xfe.eml"),
            (b"a\\", "a\\\\", "a\\\\"),
            (b"a\nb", "a\nb", "a\\u{a}b"),
            (b"\\u{a}\\\\x", "\\\\u{a}\\\\\\\\x", "\\\\u{a}\\\\\\\\x"),
            ("caf\u{e9}\u{202e}".as_bytes(), "caf\u{e9}\u{202e}", "caf\u{e9}\\u{202e}"),
        ];
        for (raw, for_a_script, for_a_terminal) in names {
            assert_eq!((&*exact(raw), &*shown_exact(raw)), (for_a_script, for_a_terminal));
            for text in [for_a_script, for_a_terminal] {
                assert_eq!(from_exact(text.as_bytes()), raw, "{text}");
            }
        }
        for odd in ["\\", "\\x", "\\xg0", "\\x+1", "\\u", "\\u{", "\\u{}", "\\u{d800}", "\\n"] {
            assert_eq!(from_exact(odd.as_bytes()), odd.as_bytes());
        }
    }

    proptest! {
        #[test]
        fn every_name_reads_back_exactly(raw in proptest::collection::vec(any::<u8>(), 0..300)) {
            prop_assert_eq!(from_text(&to_text(&raw)), Some(raw));
        }

        #[test]
        fn nothing_shown_can_steer_a_terminal(raw in proptest::collection::vec(any::<u8>(), 0..300)) {
            prop_assert!(!shown(&raw).chars().any(is_unsafe));
            prop_assert!(!to_text(&raw).chars().any(is_unsafe));
        }
    }

    #[test]
    fn json_stays_the_same_value() {
        let value = serde_json::json!({"a\u{7f}": "b\u{9b}\u{202e}\n\u{1b}\u{feff}é"});
        let text = in_json(&value.to_string());
        assert!(!text.chars().any(is_unsafe), "{text}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }

    #[test]
    fn an_unfinished_escape_is_refused() {
        for text in ["%", "a%4", "%zz", "%+1"] {
            assert_eq!(from_text(text), None, "{text}");
        }
    }
}
