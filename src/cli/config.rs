//! The config file: TOML, every key known, every value checked as it is read.
//! Never guesses: an unknown key or an odd value is refused with its place.

use super::args::LogTime;
use super::link_config::{LinkTable, PowerTable};
use super::span;
use crate::model::limits::DRIVES_MAX;
use crate::model::{MailboxName, StationName, escape};
use serde::{Deserialize, Deserializer};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The system's config file.
pub(super) const SYSTEM: &str = "/etc/counterfoil/counterfoil.toml";

/// A config file as written.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Config {
    /// Name under which the copies are kept.
    #[serde(default, deserialize_with = "named")]
    pub station: Option<StationName>,
    /// Where the catalogue is kept.
    pub state: Option<PathBuf>,
    /// How long a file must be unchanged between two looks.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub settle: Option<Duration>,
    /// How often a file that keeps changing is copied at most.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub churn: Option<Duration>,
    /// How often the whole mailbox is looked over, whatever the hints say.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub scan_every: Option<Duration>,
    /// Paths never taken, as globs from the mailbox's root.
    #[serde(default)]
    pub ignore: Vec<String>,
    /// The mailboxes.
    #[serde(default)]
    pub mailbox: Vec<Mailbox>,
    /// The drives.
    #[serde(default)]
    pub drives: Drives,
    /// The communications log.
    #[serde(default)]
    pub log: Log,
    /// The radio link.
    #[serde(default)]
    pub link: LinkTable,
    /// The supply.
    #[serde(default)]
    pub power: PowerTable,
    /// Whom to tell.
    #[serde(default)]
    pub notify: Notify,
    /// How copies are re-read.
    #[serde(default)]
    pub verify: Verify,
}

/// Whom to tell of mail that stays unmirrored.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Notify {
    /// The program and its arguments; what there is to tell comes on its standard input.
    #[serde(default)]
    pub command: Vec<String>,
    /// How long a message may be unmirrored before.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub after: Option<Duration>,
}

/// How the daemon re-reads copies.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Verify {
    /// Every copy is re-read within this span; `0s`: never.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub every: Option<Duration>,
    /// Bytes a second at most.
    #[serde(default, deserialize_with = "rate")]
    pub max_rate: Option<u64>,
}

/// A mailbox.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mailbox {
    /// The folder.
    pub path: PathBuf,
    /// Its name; the folder's own if there is none.
    #[serde(default, deserialize_with = "named")]
    pub name: Option<MailboxName>,
}

/// How drives are used.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Drives {
    /// Which of the removable drives that are mounted are used.
    #[serde(default)]
    pub accept: Accept,
    /// Folders used as drives, beside those.
    #[serde(default)]
    pub folders: Vec<PathBuf>,
    /// Copies a message needs to be called mirrored.
    #[serde(default, deserialize_with = "copies")]
    pub wanted_copies: Option<u32>,
    /// Whether copies on the device of a mailbox count too.
    #[serde(default)]
    pub count_same_device: bool,
    /// Whether superseded versions may be removed from a drive that is full.
    #[serde(default)]
    pub prune: bool,
    /// Only those older than this.
    #[serde(default, deserialize_with = "span::deserialize")]
    pub prune_after: Option<Duration>,
    /// What a drive carries beside the copies; everything, if it is not said.
    pub carry: Option<Vec<Carry>>,
}

/// What a drive may carry beside the copies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Carry {
    /// The program, for every architecture that is installed.
    Program,
    /// The list of messages.
    Index,
    /// The config in force.
    Config,
}

impl Carry {
    /// Everything there is.
    pub(super) const ALL: [Self; 3] = [Self::Program, Self::Index, Self::Config];

    /// The word in the config.
    pub(super) fn as_str(self) -> &'static str {
        match self {
            Self::Program => "program",
            Self::Index => "index",
            Self::Config => "config",
        }
    }
}

/// What stands at the head of a communications log, and which folders tell which way mail went.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Log {
    /// The incident's name.
    pub incident: Option<String>,
    /// Its number.
    pub activation: Option<String>,
    /// The radio operator: name and call sign.
    pub operator: Option<String>,
    /// Who prepares the log: name and call sign.
    pub prepared_by: Option<String>,
    /// The zone of its times.
    #[serde(default)]
    pub time: LogTime,
    /// Folders with mail that came in, as globs from the mailbox's root.
    #[serde(default)]
    pub received: Vec<String>,
    /// Folders with mail that went out.
    #[serde(default)]
    pub sent: Vec<String>,
}

/// Which removable drives are used.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Accept {
    /// Any: one that is none of ours yet becomes one.
    #[default]
    Any,
    /// Only those that were made ours before, with `counterfoil drives add`.
    Known,
    /// None: only the folders that are named.
    Named,
}

impl Accept {
    /// The word in the config.
    pub(super) fn as_str(self) -> &'static str {
        match self {
            Self::Any => "any",
            Self::Known => "known",
            Self::Named => "named",
        }
    }
}

/// Reads a config file; `None` if it is not there. The error is ready to be shown.
pub(super) fn read(path: &Path) -> Result<Option<Config>, String> {
    let text = crate::disk::host::read_text(path).map_err(|e| e.to_string())?;
    text.map(|text| parse(&text, path)).transpose()
}

/// Reads the text of a config file.
pub(super) fn parse(text: &str, path: &Path) -> Result<Config, String> {
    let shown = escape::shown_path(path);
    toml::from_str(text).map_err(|e| format!("{shown}: {}", e.to_string().trim_end()))
}

fn named<'de, D, T>(from: D) -> Result<Option<T>, D::Error>
where
    D: Deserializer<'de>,
    T: std::str::FromStr<Err: std::fmt::Display>,
{
    let text = String::deserialize(from)?;
    text.parse().map(Some).map_err(serde::de::Error::custom)
}

fn copies<'de, D: Deserializer<'de>>(from: D) -> Result<Option<u32>, D::Error> {
    let copies = u32::deserialize(from)?;
    if copies == 0 || copies as usize > DRIVES_MAX {
        let why = format!("{copies} copies: use 1 to {DRIVES_MAX}");
        return Err(serde::de::Error::custom(why));
    }
    Ok(Some(copies))
}

fn rate<'de, D: Deserializer<'de>>(from: D) -> Result<Option<u64>, D::Error> {
    let text = String::deserialize(from)?;
    parse_rate(&text).map(Some).map_err(serde::de::Error::custom)
}

/// A rate as a person writes it: `4 MiB/s`, `500 kB/s`.
fn parse_rate(text: &str) -> Result<u64, String> {
    let wrong = || format!("{text:?} is not a rate: write it as 4 MiB/s or 500 KiB/s");
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let unit = match unit.trim() {
        "B/s" => 1,
        "kB/s" => 1000,
        "KiB/s" => 1 << 10,
        "MB/s" => 1_000_000,
        "MiB/s" => 1 << 20,
        _ => return Err(wrong()),
    };
    let rate = number.parse::<u64>().ok().and_then(|n| n.checked_mul(unit)).ok_or_else(wrong)?;
    match rate {
        0 => {
            Err(format!("{text:?}: nothing is ever read at that rate; every = \"0s\" turns it off"))
        }
        rate => Ok(rate),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_name_their_unit() {
        let good =
            [("4 MiB/s", 4 << 20), ("500KiB/s", 500 << 10), ("3 MB/s", 3_000_000), ("9 B/s", 9)];
        for (text, bytes) in good {
            assert_eq!(parse_rate(text), Ok(bytes), "{text}");
        }
        for text in ["", "4", "4 MiB", "0 MiB/s", "-1 B/s", "99999999999999999999 B/s", "1 Mb/s"] {
            assert!(parse_rate(text).is_err(), "{text}");
        }
    }
}
