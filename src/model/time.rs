//! Times: a claimed wall time, whether it can be trusted, the boot. Wall times are never compared for order: that comes
//! from positions alone.

use std::time::Duration;

/// A wall time as claimed by the station's clock, in seconds and nanoseconds since 1970. Also represents the times of
/// files exactly, whatever their file system made of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Timestamp {
    /// Seconds since 1970-01-01T00:00:00Z; negative before.
    pub seconds: i64,
    /// Nanoseconds to add, 0 to 999,999,999.
    pub nanos: u32,
}

impl Timestamp {
    /// RFC 3339 in UTC with every digit of the fraction, so that it can be read back exactly; a time outside the
    /// calendar's years becomes `@seconds.nanoseconds`.
    pub fn to_text(self) -> String {
        match i32::try_from(self.nanos)
            .ok()
            .and_then(|n| jiff::Timestamp::new(self.seconds, n).ok())
        {
            Some(t) => t.to_string(),
            None => format!("@{}.{:09}", self.seconds, self.nanos),
        }
    }

    /// Reads [`to_text`](Self::to_text) back.
    pub fn from_text(text: &str) -> Option<Self> {
        let Some(raw) = text.strip_prefix('@') else { return Self::from_rfc3339(text) };
        let (seconds, nanos) = raw.split_once('.')?;
        let exact = nanos.len() == 9 && nanos.bytes().all(|b| b.is_ascii_digit());
        exact.then_some(Self { seconds: seconds.parse().ok()?, nanos: nanos.parse().ok()? })
    }

    /// RFC 3339 in UTC to the second; a time outside the calendar's years becomes a number of seconds.
    pub fn to_rfc3339(self) -> String {
        match jiff::Timestamp::from_second(self.seconds) {
            Ok(t) => t.to_string(),
            Err(_) => format!("@{}", self.seconds),
        }
    }

    /// Reads an RFC 3339 time.
    pub fn from_rfc3339(text: &str) -> Option<Self> {
        let t: jiff::Timestamp = text.parse().ok()?;
        // Before 1970 the library's seconds and fraction are both negative; ours count the fraction upwards.
        let (seconds, nanos) = match t.subsec_nanosecond() {
            nanos @ 0.. => (t.as_second(), nanos),
            nanos => (t.as_second() - 1, nanos + 1_000_000_000),
        };
        Some(Self { seconds, nanos: u32::try_from(nanos).ok()? })
    }
}

/// The time of an event, as far as the station knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EventTime {
    /// Claimed wall time.
    pub time: Timestamp,
    /// Whether the clock is reliable: set by a time service, or kept by a battery.
    pub trusted: bool,
    /// The kernel's random id of this boot, at most 36 characters.
    pub boot: String,
}

impl EventTime {
    /// The time, and whether it can be trusted.
    pub fn claim(&self) -> WallTime {
        WallTime { time: self.time, trusted: self.trusted }
    }
}

/// A wall time as claimed, and whether the clock is reliable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WallTime {
    /// Claimed wall time.
    pub time: Timestamp,
    /// Whether the clock is reliable.
    pub trusted: bool,
}

/// The source of time. The daemon and the commands pass the machine's; tests pass their own.
pub trait Clock: Send + Sync {
    /// The time of an event that happens now.
    fn event_time(&self) -> EventTime;
    /// Time since some fixed point of this boot; it never jumps. For timers and for `settle`.
    fn since_boot(&self) -> Duration;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8 (check values 41 to 44).
    #[test]
    fn rfc_3339_examples() {
        let cases = [
            ("1985-04-12T23:20:50.52Z", Some((482_196_050, 520_000_000))),
            ("1996-12-19T16:39:57-08:00", Some((851_042_397, 0))),
            ("2024-02-30T00:00:00Z", None),
            ("2024-01-01 00:00", None),
        ];
        for (text, expected) in cases {
            let read = Timestamp::from_rfc3339(text).map(|m| (m.seconds, m.nanos));
            assert_eq!(read, expected, "{text}");
        }
        assert!(Timestamp::from_rfc3339("1990-12-31T23:59:60Z").is_some(), "leap second");
    }

    #[test]
    fn file_times_read_back_exactly() {
        for (seconds, nanos) in
            [(0, 0), (-1, 999_999_999), (-2, 0), (880_127_706, 5), (i64::MAX, 1), (i64::MIN, 0)]
        {
            let m = Timestamp { seconds, nanos };
            assert_eq!(Timestamp::from_text(&m.to_text()), Some(m));
        }
        assert_eq!(Timestamp::from_text("@1.5"), None);
        assert_eq!(Timestamp { seconds: 1, nanos: 0 }.to_text(), "1970-01-01T00:00:01Z");
    }
}
