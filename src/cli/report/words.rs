//! Small words shared by reports: sizes, counts, times, paths.
//! Never rounds a size to nothing.

use crate::model::{Moment, RelName, escape};
use serde_json::{Map, Value, json};

/// Octets, in binary units.
pub(in crate::cli) fn size(bytes: u64) -> String {
    const UNITS: [&str; 4] = ["KiB", "MiB", "GiB", "TiB"];
    if bytes < 1024 {
        return format!("{bytes} B");
    }
    let mut value = bytes as f64 / 1024.0;
    let mut unit = 0;
    while value >= 1023.95 && unit + 1 < UNITS.len() {
        value /= 1024.0;
        unit += 1;
    }
    format!("{value:.1} {}", UNITS[unit])
}

/// A number and its thing.
pub(in crate::cli) fn count(number: u64, thing: &str) -> String {
    format!("{number} {thing}{}", plural(number))
}

/// The ending of a thing's plural.
pub(in crate::cli) fn plural(number: u64) -> &'static str {
    if number == 1 { "" } else { "s" }
}

/// A claimed time, to the minute, in UTC.
pub(in crate::cli) fn when(moment: Option<Moment>) -> String {
    match moment {
        Some(moment) => {
            let text = moment.to_rfc3339();
            match text.get(..16) {
                Some(minute) if text.len() >= 20 => format!("{}Z", minute.replace('T', " ")),
                _ => text,
            }
        }
        None => "never".to_owned(),
    }
}

/// Text cut to a width in characters, with a sign that it was cut.
pub(in crate::cli) fn clipped(text: &str, width: usize) -> String {
    let safe = escape::shown(text.as_bytes());
    match safe.char_indices().nth(width) {
        None => safe,
        Some(_) => {
            let keep: String = safe.chars().take(width.saturating_sub(1)).collect();
            format!("{keep}…")
        }
    }
}

/// A path in a JSON object: `path` as text, and `path_hex` exactly where it is not UTF-8.
pub(in crate::cli) fn json_path(object: &mut Map<String, Value>, path: &RelName) {
    object.insert("path".into(), json!(String::from_utf8_lossy(path.as_bytes())));
    if std::str::from_utf8(path.as_bytes()).is_err() {
        let hex: String = path.as_bytes().iter().map(|b| format!("{b:02x}")).collect();
        object.insert("path_hex".into(), json!(hex));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_in_binary_units() {
        let cases = [
            (0, "0 B"),
            (1023, "1023 B"),
            (1024, "1.0 KiB"),
            (1_048_575, "1.0 MiB"),
            (u64::MAX, "16777216.0 TiB"),
        ];
        for (bytes, expected) in cases {
            assert_eq!(size(bytes), expected);
        }
    }

    #[test]
    fn a_path_that_is_not_utf_8_is_given_exactly() {
        let mut object = Map::new();
        json_path(&mut object, &RelName::new(b"a\xff".to_vec()).unwrap());
        assert_eq!(object["path"], "a\u{fffd}");
        assert_eq!(object["path_hex"], "61ff");
    }
}
