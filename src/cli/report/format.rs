//! Small texts shared by reports: states, sizes, counts, times, paths.
//! Never rounds a size to nothing.

use crate::model::airtime::minutes;
use crate::model::{Timestamp, escape};

/// What a drive's state means.
pub(in crate::cli) fn drive_state(state: &str) -> &'static str {
    match state {
        "safe" => "safe to pull",
        "copying" => "copying: wait",
        "settling" => "written: safe to pull in a second",
        "full" => "full: use another drive",
        "read-only" => "read-only: restore works, copying does not",
        "away" => "not here",
        "busy" => "in use by another counterfoil",
        "stalled" => "does not answer: wait, or pull it out and use another drive",
        "left-alone" => "not used: its owner does not want it to be, or it is none of ours",
        "released" => "released: may be pulled",
        "untrusted" => "not trusted: restore works, nothing on it counts; use another drive",
        "forgotten" => "forgotten: takes no mail, counts for nothing",
        "refused" => "refused: takes no mail, counts for nothing",
        "replaced" => "reformatted or replaced: counts for nothing",
        "" => "not used yet",
        _ => "failed: use another drive",
    }
}

/// Bytes, in binary units.
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

/// A number and what is counted: `1 message`, `2 messages`.
pub(in crate::cli) fn count(number: u64, thing: &str) -> String {
    format!("{number} {thing}{}", plural(number))
}

/// `is` or `are`.
pub(in crate::cli) fn is_or_are(number: u64) -> &'static str {
    if number == 1 { "is" } else { "are" }
}

/// `was` or `were`.
pub(in crate::cli) fn was_or_were(number: u64) -> &'static str {
    if number == 1 { "was" } else { "were" }
}

/// `it` or `them`.
pub(in crate::cli) fn it_or_them(number: u64) -> &'static str {
    if number == 1 { "it" } else { "them" }
}

/// The `s` of a plural, or nothing.
pub(in crate::cli) fn plural(number: u64) -> &'static str {
    if number == 1 { "" } else { "s" }
}

/// Time on the air, rounded up to minutes.
pub(in crate::cli) fn airtime(seconds: Option<f64>) -> String {
    match seconds {
        Some(seconds) => in_minutes(minutes(seconds)),
        None => "unknown".to_owned(),
    }
}

fn in_minutes(minutes: u64) -> String {
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// How long something waited, or how long ago it was.
pub(in crate::cli) fn wait(seconds: u64) -> String {
    match seconds {
        0..60 => format!("{seconds} s"),
        60..86_400 => in_minutes(seconds / 60),
        _ => match (seconds / 86_400, seconds % 86_400 / 3600) {
            (days, 0) => format!("{days} d"),
            (days, hours) => format!("{days} d {hours} h"),
        },
    }
}

/// A charge; never rounded to nothing.
pub(in crate::cli) fn amp_hours(charge: f64) -> String {
    match charge {
        0.0 => "0 Ah".to_owned(),
        charge if charge < 0.1 => "less than 0.1 Ah".to_owned(),
        charge => format!("{charge:.1} Ah"),
    }
}

/// A part of a whole, in percent; never rounded to nothing.
pub(in crate::cli) fn share(part: f64) -> String {
    match part * 100.0 {
        0.0 => "0 %".to_owned(),
        percent if percent < 1.0 => "less than 1 %".to_owned(),
        percent => format!("{percent:.0} %"),
    }
}

/// A claimed time, to the minute, in UTC.
pub(in crate::cli) fn shown_time(moment: Option<Timestamp>) -> String {
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

/// Text shortened to a width in characters, with a sign that it was.
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
    fn times_and_charges_are_never_rounded_to_nothing() {
        let air = [(0.0, "0 min"), (1.0, "1 min"), (273.07, "5 min"), (27_962.03, "7 h 47 min")];
        for (seconds, expected) in air {
            assert_eq!(airtime(Some(seconds)), expected);
        }
        assert_eq!(airtime(None), "unknown");
        for (seconds, expected) in [(4, "4 s"), (3_600, "1 h"), (90_000, "1 d 1 h")] {
            assert_eq!(wait(seconds), expected);
        }
        assert_eq!(
            (amp_hours(0.01), amp_hours(0.7585)),
            ("less than 0.1 Ah".into(), "0.8 Ah".into())
        );
        assert_eq!((share(0.001), share(0.75)), ("less than 1 %".into(), "75 %".into()));
    }
}
