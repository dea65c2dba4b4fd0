//! Time spans as the config and an option have them: `2s`, `10m`, `1h 30m`, `30d`.
//! Never accepts one of more than a hundred years.

use crate::model::limits::SPAN_MAX;
use jiff::{Span, SpanRelativeTo};
use serde::{Deserialize as _, Deserializer, Serializer};
use std::time::Duration;

pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    parse(&String::deserialize(from)?).map_err(serde::de::Error::custom)
}

pub(super) fn serialize<S: Serializer>(span: &Duration, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&written(*span))
}

/// A time span as a person writes it: `2s`, `10m`, `1h 30m`, `30d`. A day is 24 hours.
pub(super) fn parse(text: &str) -> Result<Duration, String> {
    let wrong = || format!("{text:?} is not a time span: write it as 2s, 10m, 1h or 30d");
    let span: Span = text.trim().parse().map_err(|_| wrong())?;
    let span = span.to_duration(SpanRelativeTo::days_are_24_hours()).map_err(|_| wrong())?;
    match Duration::try_from(span).map_err(|_| wrong())? {
        span if span <= SPAN_MAX => Ok(span),
        _ => {
            Err(format!("{text:?} is longer than a hundred years: write it as 2s, 10m, 1h or 30d"))
        }
    }
}

/// A time span as a config has it.
pub(super) fn written(span: Duration) -> String {
    const DAY: u64 = 86_400;
    if span.subsec_nanos() == 0 && span.as_secs() >= DAY && span.as_secs().is_multiple_of(DAY) {
        return format!("{}d", span.as_secs() / DAY);
    }
    match jiff::SignedDuration::try_from(span) {
        Ok(span) => format!("{span:#}"),
        Err(_) => format!("{}s", span.as_secs()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_may_be_days() {
        let day = 86_400;
        let good = [
            ("2s", 2),
            ("1h 30m", 5_400),
            ("30d", 30 * day),
            ("0s", 0),
            ("0d", 0),
            ("1d 2h", day + 7_200),
            ("36500d", 36_500 * day),
        ];
        for (text, seconds) in good {
            assert_eq!(parse(text), Ok(Duration::from_secs(seconds)), "{text}");
        }
        for text in [
            "",
            "d",
            "-1d",
            "1d x",
            "1.5d",
            "3 fortnights",
            "-2s",
            "36501d",
            "365838015216h",
            "36500d 1s",
        ] {
            assert!(parse(text).is_err(), "{text}");
        }
    }
}
