//! The config's tables on what messages cost: the link and the supply.
//! Never fills in what the operator did not say: that stays unknown.

use super::span;
use crate::model::airtime::{Power, RadioLink};
use serde::{Deserialize, Deserializer, Serialize};
use std::time::Duration;

/// The radio link.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct LinkTable {
    /// Bits a second; unknown if it is not above 0.
    #[serde(deserialize_with = "rate")]
    bits_per_second: Option<f64>,
    /// The share of them that carries messages.
    #[serde(deserialize_with = "share_above_zero")]
    efficiency: f64,
    /// The longest transmission before the link turns round; `0s`: it never does.
    #[serde(serialize_with = "span::serialize", deserialize_with = "part_of_a_contact")]
    burst: Duration,
    /// What a turn costs.
    #[serde(serialize_with = "span::serialize", deserialize_with = "part_of_a_contact")]
    turnaround: Duration,
    /// The share that is sent again.
    #[serde(deserialize_with = "share_below_one")]
    loss: f64,
}

impl Default for LinkTable {
    fn default() -> Self {
        let (burst, turnaround) = (Duration::ZERO, Duration::ZERO);
        Self { bits_per_second: None, efficiency: 1.0, burst, turnaround, loss: 0.0 }
    }
}

impl LinkTable {
    pub(super) fn link(&self) -> RadioLink {
        RadioLink {
            bits_per_second: self.bits_per_second,
            efficiency: self.efficiency,
            burst: Some(self.burst.as_secs_f64()).filter(|burst| *burst > 0.0),
            turnaround: self.turnaround.as_secs_f64(),
            loss: self.loss,
        }
    }
}

/// The supply; what is not there is unknown.
#[derive(Debug, Default, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct PowerTable {
    /// Current while receiving, in amperes.
    #[serde(deserialize_with = "amount")]
    receive_amps: Option<f64>,
    /// Current while sending, in amperes.
    #[serde(deserialize_with = "amount")]
    transmit_amps: Option<f64>,
    /// The share of the airtime in which this side sends.
    #[serde(deserialize_with = "share")]
    duty: Option<f64>,
    /// What the battery holds.
    #[serde(deserialize_with = "amount")]
    battery_amp_hours: Option<f64>,
    /// The share of it that may be taken.
    #[serde(deserialize_with = "usable_share")]
    usable_depth: Option<f64>,
    /// What the panels bring on a day.
    #[serde(deserialize_with = "amount")]
    daily_amp_hours: Option<f64>,
}

impl PowerTable {
    pub(super) fn power(&self) -> Power {
        Power {
            receive_amps: self.receive_amps,
            transmit_amps: self.transmit_amps,
            duty: self.duty,
            battery_amp_hours: self.battery_amp_hours,
            usable_depth: self.usable_depth,
            daily_amp_hours: self.daily_amp_hours,
        }
    }
}

fn rate<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    let rate = Option::<f64>::deserialize(from)?;
    Ok(rate.filter(|rate| rate.is_finite() && *rate > 0.0))
}

fn checked<'de, D: Deserializer<'de>>(
    from: D,
    holds: impl Fn(f64) -> bool,
    what: &str,
) -> Result<f64, D::Error> {
    let number = f64::deserialize(from)?;
    match number.is_finite() && holds(number) {
        true => Ok(number),
        false => Err(serde::de::Error::custom(format!("{number} is not {what}"))),
    }
}

fn share<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(from, |n| (0.0..=1.0).contains(&n), "a share: use 0 to 1, as 0.25 for a quarter")
        .map(Some)
}

fn share_above_zero<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    checked(
        from,
        |n| n > 0.0 && n <= 1.0,
        "a share above 0: use 0.01 to 1, as 0.75 for three quarters",
    )
}

fn usable_share<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    share_above_zero(from).map(Some)
}

fn share_below_one<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    checked(from, |n| (0.0..1.0).contains(&n), "a share below 1: use 0 to 0.99, as 0.1 for a tenth")
}

/// A span within a contact: a day at most, which no contact lasts.
fn part_of_a_contact<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    match span::deserialize(from)? {
        given if given <= Duration::from_secs(86_400) => Ok(given),
        long => {
            let why = format!("{} s is longer than any contact: use 24h at most", long.as_secs());
            Err(serde::de::Error::custom(why))
        }
    }
}

fn amount<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(from, |n| n >= 0.0, "an amount: use 0 or more").map(Some)
}
