//! What messages cost in airtime and charge, by formulas that anyone can check with a pencil. Guesses no rate: what is
//! unknown stays unknown, and is never zero.

use serde::Serialize;

/// A radio data link as its operator knows it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RadioLink {
    /// Bits a second that the link carries; `None`, or a value not above zero, is unknown.
    pub bits_per_second: Option<f64>,
    /// The share of them that carries messages, above 0 and up to 1; the rest is the protocol's overhead.
    pub efficiency: f64,
    /// How long the sending side sends before it listens, in seconds; `None`: without a break.
    #[serde(rename = "burst_seconds")]
    pub burst: Option<f64>,
    /// The cost of each such change of direction, in seconds.
    #[serde(rename = "turnaround_seconds")]
    pub turnaround: f64,
    /// The share that is lost and sent again, from 0 to below 1.
    pub loss: f64,
}

impl Default for RadioLink {
    fn default() -> Self {
        Self { bits_per_second: None, efficiency: 1.0, burst: None, turnaround: 0.0, loss: 0.0 }
    }
}

impl RadioLink {
    /// Seconds on the air for this many bytes, as they are stored; `None` if the link is not known.
    ///
    /// With R bits a second, efficiency e, bursts of t seconds, a turnaround of u seconds and a loss p:
    /// n = ceil(8B / (R e t)), T = (8B / (R e) + n u) / (1 - p).
    pub fn seconds(&self, bytes: u64) -> Option<f64> {
        let rate = self.bits_per_second.filter(|rate| rate.is_finite() && *rate > 0.0)?;
        let sound = |share: f64| share.is_finite() && (0.0..=1.0).contains(&share);
        if !sound(self.efficiency)
            || self.efficiency == 0.0
            || !sound(self.loss)
            || self.loss == 1.0
        {
            return None;
        }
        let plain = 8.0 * bytes as f64 / (rate * self.efficiency);
        let bursts = match self.burst.filter(|burst| *burst > 0.0) {
            Some(burst) => (plain / burst).ceil(),
            None => 0.0,
        };
        let seconds = (plain + bursts * self.turnaround.max(0.0)) / (1.0 - self.loss);
        seconds.is_finite().then_some(seconds)
    }
}

/// The station's supply as its operator knows it.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Power {
    /// Current while receiving, in amperes.
    pub receive_amps: Option<f64>,
    /// Current while sending, in amperes.
    pub transmit_amps: Option<f64>,
    /// The share of the airtime in which this side sends; while receiving mail it only acknowledges.
    pub duty: Option<f64>,
    /// The battery's capacity, in ampere-hours.
    pub battery_amp_hours: Option<f64>,
    /// The share of the capacity that may be used.
    pub usable_depth: Option<f64>,
    /// The yield of the panels on a day, in ampere-hours.
    pub daily_amp_hours: Option<f64>,
}

impl Power {
    /// Ampere-hours for this many seconds on the air: I = I_tx d + I_rx (1 - d), Q = I T.
    pub fn amp_hours(&self, seconds: f64) -> Option<f64> {
        let duty = self.duty.filter(|duty| (0.0..=1.0).contains(duty))?;
        let receive = at_least_zero(self.receive_amps)?;
        let transmit = match duty > 0.0 {
            true => at_least_zero(self.transmit_amps)?,
            false => 0.0,
        };
        Some((transmit * duty + receive * (1.0 - duty)) * seconds / 3600.0)
    }

    /// Days of sun that yield this many ampere-hours.
    pub fn days_of_sun(&self, amp_hours: f64) -> Option<f64> {
        let daily = at_least_zero(self.daily_amp_hours).filter(|daily| *daily > 0.0)?;
        Some(amp_hours / daily)
    }

    /// Ampere-hours that may be taken from the battery: its capacity, times the depth to which it may be discharged
    /// (the method of IEEE Std 1013; the operator chooses that depth).
    pub fn usable_amp_hours(&self) -> Option<f64> {
        let depth = self.usable_depth.filter(|depth| *depth > 0.0 && *depth <= 1.0)?;
        Some(at_least_zero(self.battery_amp_hours)? * depth).filter(|usable| *usable > 0.0)
    }
}

fn at_least_zero(amount: Option<f64>) -> Option<f64> {
    amount.filter(|amount| amount.is_finite() && *amount >= 0.0)
}

/// Minutes, rounded up: nobody plans a contact by the second.
pub fn minutes(seconds: f64) -> u64 {
    (seconds / 60.0).ceil() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(rate: f64) -> RadioLink {
        RadioLink { bits_per_second: Some(rate), ..RadioLink::default() }
    }

    fn close(found: Option<f64>, expected: f64) {
        let found = found.expect("a known link");
        assert!((found - expected).abs() < 0.006, "{found} instead of {expected}");
    }

    /// T = 8B/R (check values 55, 56 and 59).
    #[test]
    fn bytes_by_the_rate() {
        close(at(300.0).seconds(10_240), 273.07);
        for (rate, expected) in [(75.0, 1092.27), (600.0, 136.53), (2400.0, 34.13)] {
            close(at(rate).seconds(10_240), expected);
        }
        close(at(300.0).seconds(1 << 20), 27_962.03);
        assert_eq!(minutes(27_962.03), 7 * 60 + 47, "7 h 46 min 3 s, rounded up");
        assert_eq!(minutes(273.07), 5);
        assert_eq!(minutes(0.0), 0);
    }

    /// T = 8B/(R e), and with bursts of 127.5 s, the longest that STANAG 5066 allows, and 15 s to turn round
    /// (check values 57 and 58); T/(1 - p).
    #[test]
    fn what_the_protocol_takes() {
        close(RadioLink { efficiency: 0.75, ..at(300.0) }.seconds(10_240), 364.09);
        let bursts = RadioLink { burst: Some(127.5), turnaround: 15.0, ..at(300.0) };
        close(bursts.seconds(10_240), 318.07);
        close(RadioLink { loss: 0.5, ..bursts }.seconds(10_240), 636.13);
    }

    /// Check value 61.
    #[test]
    fn an_unknown_rate_is_unknown_and_never_nothing() {
        for rate in [None, Some(0.0), Some(-300.0), Some(f64::NAN), Some(f64::INFINITY)] {
            let link = RadioLink { bits_per_second: rate, ..RadioLink::default() };
            assert_eq!(link.seconds(10_240), None, "{rate:?}");
        }
        assert_eq!(RadioLink { efficiency: 0.0, ..at(300.0) }.seconds(1), None);
        assert_eq!(RadioLink { loss: 1.0, ..at(300.0) }.seconds(1), None);
        assert_eq!(at(300.0).seconds(0), Some(0.0), "no octets take no time");
    }

    /// Common practice, no source: on a best day one panel of 30 W brings a little over 4 Ah and two bring 8 to 9,
    /// so that neither fills a battery of 10 Ah in a day.
    #[test]
    fn panels_as_operators_know_them() {
        for (panels, days) in [(4.2, 2.38), (8.5, 1.18)] {
            let power = Power { daily_amp_hours: Some(panels), ..Power::default() };
            close(power.days_of_sun(10.0), days);
        }
    }

    /// Common practice, no source: an attachment of 29 kB at 300 bit/s takes about 13 minutes.
    #[test]
    fn an_attachment_as_operators_know_it() {
        assert_eq!(minutes(at(300.0).seconds(29_000).expect("known")), 13);
    }

    /// Q = I t and the sum over duty (check values 62 and 63); the usable part of a battery (64).
    #[test]
    fn charge() {
        let only = |amps: f64, duty: f64| Power {
            receive_amps: Some(if duty == 0.0 { amps } else { 0.0 }),
            transmit_amps: Some(amps),
            duty: Some(duty),
            ..Power::default()
        };
        close(only(10.0, 1.0).amp_hours(273.07), 0.7585);
        close(only(10.0, 1.0).amp_hours(273.07).map(|q| q * 12.8), 9.709);
        let listening = only(0.8, 0.0).amp_hours(3.0 * 3600.0).expect("known");
        let half = only(10.0, 0.5).amp_hours(3600.0).expect("known");
        close(Some(listening + half), 7.4);
        let battery =
            Power { battery_amp_hours: Some(20.0), usable_depth: Some(0.5), ..Power::default() };
        close(battery.usable_amp_hours(), 10.0);
        assert_eq!(Power::default().usable_amp_hours(), None);
        assert_eq!(Power::default().days_of_sun(1.0), None);
        assert_eq!(Power::default().amp_hours(60.0), None);
    }
}
