//! The config's tables on what messages cost: the link and the supply, as written and as meant.
//! Never fills in what the operator did not say: that stays unknown.

use super::span;
use crate::model::airtime::{Link, Power};
use crate::model::escape::in_toml;
use serde::{Deserialize, Deserializer};
use std::time::Duration;

/// The radio link.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LinkTable {
    /// Bits a second; 0, or none, is unknown.
    bits_per_second: Option<f64>,
    /// The share of them that carries messages.
    #[serde(default, deserialize_with = "share_above_zero")]
    efficiency: Option<f64>,
    /// The longest transmission before the link turns round.
    #[serde(default, deserialize_with = "part_of_a_contact")]
    burst: Option<Duration>,
    /// What a turn costs.
    #[serde(default, deserialize_with = "part_of_a_contact")]
    turnaround: Option<Duration>,
    /// The share that is sent again.
    #[serde(default, deserialize_with = "share_below_one")]
    loss: Option<f64>,
}

impl LinkTable {
    pub(super) fn meant(&self) -> Link {
        Link {
            bits_per_second: self.bits_per_second.filter(|rate| rate.is_finite() && *rate > 0.0),
            efficiency: self.efficiency.unwrap_or(1.0),
            burst: self.burst.map(|burst| burst.as_secs_f64()).filter(|burst| *burst > 0.0),
            turnaround: self.turnaround.map_or(0.0, |turn| turn.as_secs_f64()),
            loss: self.loss.unwrap_or(0.0),
        }
    }
}

/// The supply.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PowerTable {
    /// Current while receiving, in amperes.
    #[serde(default, deserialize_with = "amount")]
    receive_amps: Option<f64>,
    /// Current while sending, in amperes.
    #[serde(default, deserialize_with = "amount")]
    transmit_amps: Option<f64>,
    /// The share of the airtime in which this side sends.
    #[serde(default, deserialize_with = "share")]
    duty: Option<f64>,
    /// What the battery holds.
    #[serde(default, deserialize_with = "amount")]
    battery_amp_hours: Option<f64>,
    /// The share of it that may be taken.
    #[serde(default, deserialize_with = "share_above_zero")]
    usable_depth: Option<f64>,
    /// What the panels bring on a day.
    #[serde(default, deserialize_with = "amount")]
    daily_amp_hours: Option<f64>,
}

impl PowerTable {
    pub(super) fn meant(&self) -> Power {
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

/// The tables of a link and a supply that mean the same: only what is known.
pub(super) fn in_force(link: &Link, power: &Power) -> Vec<String> {
    let seconds = |seconds: f64| in_toml(&span::written(Duration::from_secs_f64(seconds)));
    let link = [
        ("bits_per_second", link.bits_per_second.map(number)),
        ("efficiency", Some(number(link.efficiency))),
        ("burst", link.burst.map(seconds)),
        ("turnaround", Some(seconds(link.turnaround))),
        ("loss", Some(number(link.loss))),
    ];
    let power = [
        ("receive_amps", power.receive_amps),
        ("transmit_amps", power.transmit_amps),
        ("duty", power.duty),
        ("battery_amp_hours", power.battery_amp_hours),
        ("usable_depth", power.usable_depth),
        ("daily_amp_hours", power.daily_amp_hours),
    ];
    let power = power.map(|(key, value)| (key, value.map(number)));
    let table = |name: &str, keys: &[(&str, Option<String>)]| {
        let lines = keys.iter().map(|(key, value)| match value {
            Some(value) => format!("{key} = {value}"),
            None => format!("# {key}: not known"),
        });
        std::iter::once(format!("\n[{name}]")).chain(lines).collect::<Vec<_>>()
    };
    [table("link", &link), table("power", &power)].concat()
}

/// A number as TOML has it: what is whole gets its point.
fn number(number: f64) -> String {
    format!("{number:?}")
}

fn checked<'de, D: Deserializer<'de>>(
    from: D,
    holds: impl Fn(f64) -> bool,
    what: &str,
) -> Result<Option<f64>, D::Error> {
    let number = f64::deserialize(from)?;
    match number.is_finite() && holds(number) {
        true => Ok(Some(number)),
        false => Err(serde::de::Error::custom(format!("{number} is not {what}"))),
    }
}

fn share<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(from, |n| (0.0..=1.0).contains(&n), "a share: use 0 to 1, as 0.25 for a quarter")
}

fn share_above_zero<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(
        from,
        |n| n > 0.0 && n <= 1.0,
        "a share above 0: use 0.01 to 1, as 0.75 for three quarters",
    )
}

fn share_below_one<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(from, |n| (0.0..1.0).contains(&n), "a share below 1: use 0 to 0.99, as 0.1 for a tenth")
}

/// A span of a contact: of a day at most, which no contact lasts.
fn part_of_a_contact<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Duration>, D::Error> {
    let given = span::deserialize(from)?;
    match given.filter(|given| *given > Duration::from_secs(86_400)) {
        None => Ok(given),
        Some(long) => {
            let why = format!("{} s is longer than any contact: use 24h at most", long.as_secs());
            Err(serde::de::Error::custom(why))
        }
    }
}

fn amount<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    checked(from, |n| n >= 0.0, "an amount: use 0 or more")
}
