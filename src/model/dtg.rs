//! Times as radio operators write them: date-time groups, zone letters, and the spans that people name. Pure: the
//! caller passes the station's zone, and nothing here knows what time it is.
//!
//! A date-time group is `DDHHMMZ MON YY` (ACP 121; FED-STD-1037C, "date-time group").

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::Offset;

const MONTHS: [&str; 12] =
    ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"];
const HOUR: i32 = 3600;

/// A zone without daylight saving, in seconds east of UTC. A log keeps one zone throughout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(i32);

/// A span of time in seconds since 1970, without its last second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Its first second.
    pub from: i64,
    /// The first second after it.
    pub until: i64,
}

impl Zone {
    /// UTC.
    pub const UTC: Self = Self(0);

    /// The zone this many seconds east of UTC; less than a day.
    pub fn east(seconds: i32) -> Self {
        Self(seconds.clamp(1 - 24 * HOUR, 24 * HOUR - 1))
    }

    /// Its letter (ACP 121): `Z` is UTC, `A` to `M` without `J` are 1 to 12 hours east, `N` to `Y` 1 to 12 hours west.
    /// `J` is local time: here, any zone without a letter of its own.
    pub fn letter(self) -> char {
        const EAST: &[u8] = b"ABCDEFGHIKLM";
        const WEST: &[u8] = b"NOPQRSTUVWXY";
        let of = |letters: &[u8], hours: i32| {
            usize::try_from(hours - 1).ok().and_then(|at| letters.get(at).copied()).map(char::from)
        };
        match (self.0 % HOUR, self.0 / HOUR) {
            (0, 0) => 'Z',
            (0, hours @ 1..) => of(EAST, hours).unwrap_or('J'),
            (0, hours) => of(WEST, -hours).unwrap_or('J'),
            _ => 'J',
        }
    }

    /// The zone of a letter; for `J`, the local zone.
    fn of_letter(letter: u8, local: Self) -> Option<Self> {
        let hours = match letter.to_ascii_uppercase() {
            b'J' => return Some(local),
            b'Z' => 0,
            c @ b'A'..=b'I' => i32::from(c - b'A') + 1,
            c @ b'K'..=b'M' => i32::from(c - b'A'),
            c @ b'N'..=b'Y' => -(i32::from(c - b'N') + 1),
            _ => return None,
        };
        Some(Self(hours * HOUR))
    }

    /// The zone as a log states it once: `UTC`, or the offset from it.
    pub fn name(self) -> String {
        let (sign, seconds) = (if self.0 < 0 { '-' } else { '+' }, self.0.unsigned_abs());
        match self.0 {
            0 => "UTC".to_owned(),
            _ => format!("UTC{sign}{:02}:{:02}", seconds / 3600, seconds / 60 % 60),
        }
    }

    /// Date and time in this zone; `None` outside the calendar's years.
    fn civil(self, seconds: i64) -> Option<DateTime> {
        let offset = Offset::from_seconds(self.0).ok()?;
        Some(offset.to_datetime(jiff::Timestamp::from_second(seconds).ok()?))
    }

    fn seconds(self, civil: DateTime) -> Option<i64> {
        Some(Offset::from_seconds(self.0).ok()?.to_timestamp(civil).ok()?.as_second())
    }
}

/// The date-time group of a time, in seconds since 1970.
pub fn dtg(seconds: i64, zone: Zone) -> Option<String> {
    let civil = zone.civil(seconds)?;
    let (day, hour, minute) = (civil.day(), civil.hour(), civil.minute());
    let year = civil.year().rem_euclid(100);
    Some(format!("{day:02}{hour:02}{minute:02}{} {} {year:02}", zone.letter(), month(civil)))
}

/// The time of day as logs have it: 24 hours, no colon.
pub fn time_of_day(seconds: i64, zone: Zone) -> Option<String> {
    zone.civil(seconds).map(|civil| format!("{:02}{:02}", civil.hour(), civil.minute()))
}

/// The date, with the month as a word, so that nobody takes it for the day.
pub fn date(seconds: i64, zone: Zone) -> Option<String> {
    let civil = zone.civil(seconds)?;
    Some(format!("{:02} {} {}", civil.day(), month(civil), civil.year()))
}

fn month(civil: DateTime) -> &'static str {
    let at = usize::from(civil.month().unsigned_abs()).saturating_sub(1);
    MONTHS.get(at).copied().unwrap_or("???")
}

/// The span that a typed time means: a whole day, minute or second. Reads a date, a date and a time, RFC 3339, and
/// date-time groups. A time without a zone is in `zone`.
pub fn span(text: &str, zone: Zone) -> Option<Span> {
    let text = text.trim();
    match text.split_once(['T', 't', ' ']) {
        _ if !text.is_ascii() => None,
        _ if text.as_bytes().get(4) != Some(&b'-') => parse_group(text, zone),
        None => of_day(text.parse().ok()?, zone),
        Some((day, rest)) => of_time(day.parse().ok()?, rest, zone),
    }
}

fn of_day(day: Date, zone: Zone) -> Option<Span> {
    let from = zone.seconds(day.at(0, 0, 0, 0))?;
    Some(Span { from, until: zone.seconds(day.tomorrow().ok()?.at(0, 0, 0, 0))? })
}

/// Reads `16:30`, `16:30:00` or `16:30:00.5`, with or without `Z` or an offset at the end.
fn of_time(day: Date, text: &str, zone: Zone) -> Option<Span> {
    let at = text.find(['Z', 'z', '+', '-']).unwrap_or(text.len());
    let (time, offset) = text.split_at(at);
    let zone = match offset {
        "" => zone,
        "Z" | "z" => Zone::UTC,
        offset => of_offset(offset)?,
    };
    let length = match time.len() {
        5 => 60,
        8.. => 1,
        _ => return None,
    };
    // An hour alone, or a time without colons, counts as a typing error.
    if time.as_bytes().get(2) != Some(&b':') {
        return None;
    }
    let from = zone.seconds(day.to_datetime(time.parse::<Time>().ok()?))?;
    Some(Span { from, until: from + length })
}

/// Reads an offset such as `+02:00`.
fn of_offset(text: &str) -> Option<Zone> {
    let (hours, minutes) = text.get(1..)?.split_once(':')?;
    let two = |text: &str, most: i32| -> Option<i32> {
        let number = text.parse().ok().filter(|number| (0..=most).contains(number));
        number.filter(|_| text.len() == 2 && !text.starts_with('+'))
    };
    let seconds = two(hours, 23)? * HOUR + two(minutes, 59)? * 60;
    Some(Zone(if text.starts_with('-') { -seconds } else { seconds }))
}

/// Reads a date-time group; its parts may be written together.
fn parse_group(text: &str, local: Zone) -> Option<Span> {
    let text: String = text.chars().filter(|c| *c != ' ').collect();
    let (digits, rest) = (text.get(..6)?, text.get(6..)?.as_bytes());
    let (letter, month, year) = (*rest.first()?, rest.get(1..4)?, rest.get(4..)?);
    let number = |text: &[u8]| -> Option<i16> {
        let all = !text.is_empty() && text.iter().all(u8::is_ascii_digit);
        std::str::from_utf8(text).ok().filter(|_| all)?.parse().ok()
    };
    let part = |at: usize| i8::try_from(number(digits.as_bytes().get(at..at + 2)?)?).ok();
    let month = MONTHS.iter().position(|name| name.as_bytes().eq_ignore_ascii_case(month))?;
    // Two digits of a year are read as POSIX does (strptime, `%y`).
    let year = match (year.len(), number(year)?) {
        (2, year @ 69..) => 1900 + year,
        (2, year) => 2000 + year,
        (4, year) => year,
        _ => return None,
    };
    let day = Date::new(year, i8::try_from(month).ok()? + 1, part(0)?).ok()?;
    let time = Time::new(part(2)?, part(4)?, 0, 0).ok()?;
    let from = Zone::of_letter(letter, local)?.seconds(day.to_datetime(time))?;
    Some(Span { from, until: from + 60 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 9 Jul 2024, 16:30 UTC.
    const JULY: i64 = 1_720_542_600;

    /// ACP 121; FED-STD-1037C (check value 46).
    #[test]
    fn a_date_time_group() {
        assert_eq!(dtg(JULY, Zone::UTC).unwrap(), "091630Z JUL 24");
        assert_eq!(dtg(JULY, Zone::east(2 * HOUR)).unwrap(), "091830B JUL 24");
        assert_eq!(dtg(JULY, Zone::east(-8 * HOUR)).unwrap(), "090830U JUL 24");
        assert_eq!(dtg(JULY, Zone::east(12 * HOUR)).unwrap(), "100430M JUL 24");
        assert_eq!(dtg(0, Zone::UTC).unwrap(), "010000Z JAN 70");
        assert_eq!(dtg(i64::MAX, Zone::UTC), None);
        assert_eq!(time_of_day(JULY, Zone::UTC).unwrap(), "1630");
        assert_eq!(date(JULY, Zone::UTC).unwrap(), "09 JUL 2024");
    }

    #[test]
    fn letters_of_zones() {
        let letters: String = (-12..=12).map(|h| Zone::east(h * HOUR).letter()).collect();
        assert_eq!(letters, "YXWVUTSRQPONZABCDEFGHIKLM");
        for odd in [13 * HOUR, 14 * HOUR, -13 * HOUR, HOUR / 2, 5 * HOUR + HOUR / 2, -1] {
            assert_eq!(Zone::east(odd).letter(), 'J', "{odd}");
        }
        for hours in -12..=12 {
            let zone = Zone::east(hours * HOUR);
            assert_eq!(Zone::of_letter(zone.letter() as u8, Zone::east(7)), Some(zone));
        }
        assert_eq!(Zone::east(-5 * HOUR - 1800).name(), "UTC-05:30");
    }

    #[test]
    fn spans_as_people_write_them() {
        let minute = Span { from: JULY, until: JULY + 60 };
        let midnight = JULY - 16 * 3600 - 1800;
        for (text, expected) in [
            ("091630Z JUL 24", minute),
            ("091630zjul2024", minute),
            ("091830B Jul 24", minute),
            ("091930J JUL 24", minute),
            ("2024-07-09T16:30Z", minute),
            ("2024-07-09T18:30+02:00", minute),
            ("2024-07-09 19:30", minute),
            ("2024-07-09T16:30:00Z", Span { until: JULY + 1, ..minute }),
            ("2024-07-09t11:00:00-05:30", Span { until: JULY + 1, ..minute }),
            ("2024-07-09", Span { from: midnight - 3 * 3600, until: midnight + 21 * 3600 }),
        ] {
            assert_eq!(span(text, Zone::east(3 * HOUR)), Some(expected), "{text}");
        }
        for text in [
            "",
            "now",
            "2024",
            "2024-07",
            "2024-02-30",
            "2024-07-09T",
            "2024-07-09 16",
            "2024-07-09 1630",
            "2024-07-09T24:00Z",
            "2024-07-09T16:30+2",
            "2024-07-09T16:30+24:00",
            "09.07.2024",
            "311630Z JUN 24",
            "092460Z JUL 24",
            "091630Z JUX 24",
            "091630 JUL 24",
            "091630Z JUL 4",
            "+91630Z JUL 24",
            "09é630Z",
        ] {
            assert_eq!(span(text, Zone::UTC), None, "{text:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn whatever_is_read_is_a_span(
            text in "[0-9]{4}-[01][0-9]-[0-3][0-9][ T0-9:+.Zz-]{0,16}|[0-9]{6}[A-Z ]{1,5}[0-9]{0,4}") {
            if let Some(span) = span(&text, Zone::UTC) {
                proptest::prop_assert!(span.from < span.until, "{:?}", text);
            }
        }

        #[test]
        fn groups_read_back(seconds in 0_i64..3_000_000_000, hours in -12..=12) {
            let zone = Zone::east(hours * HOUR);
            let from = seconds - seconds.rem_euclid(60);
            let read = span(&dtg(seconds, zone).unwrap(), Zone::UTC);
            proptest::prop_assert_eq!(read, Some(Span { from, until: from + 60 }));
        }
    }
}
