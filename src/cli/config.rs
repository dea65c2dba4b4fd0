//! The config: every key with its default, as a file has it and as `config check` prints it.
//! Never guesses: an unknown key or an odd value is refused with its place.

use super::args::LogTime;
use super::link_config::{LinkTable, PowerTable};
use super::span;
use crate::model::limits::DRIVES_MAX;
use crate::model::{MailboxName, StationName, escape};
use serde::{Deserialize, Deserializer, Serialize};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The system's config file.
pub(super) const SYSTEM: &str = "/etc/counterfoil/counterfoil.toml";

/// What a file says, and the defaults where it says nothing. Tables stand last, as TOML requires.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Config {
    /// Name under which the copies are kept; none: the host's.
    pub station: Option<StationName>,
    /// Where the catalogue is kept; none: the service's folder, or the user's.
    pub state: Option<PathBuf>,
    /// How long a file must stay unchanged before it is copied.
    #[serde(with = "span")]
    pub settle: Duration,
    /// How often a file that keeps changing is copied at most.
    #[serde(with = "span")]
    pub churn: Duration,
    /// How often the whole mailbox is scanned, whatever was reported of its changes.
    #[serde(with = "span")]
    pub scan_every: Duration,
    /// Paths that are not copied, as globs from the mailbox's root.
    pub ignore: Vec<String>,
    pub mailbox: Vec<Mailbox>,
    pub drives: Drives,
    pub verify: Verify,
    pub log: Log,
    pub link: LinkTable,
    pub power: PowerTable,
    pub notify: Notify,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            station: None,
            state: None,
            // Common practice, no source; so is `churn`.
            settle: Duration::from_secs(2),
            churn: Duration::from_secs(600),
            // A scan of 100,000 messages takes a board a few seconds, and the kernel reports almost every change at
            // once.
            scan_every: Duration::from_secs(900),
            ignore: Vec::new(),
            mailbox: Vec::new(),
            drives: Drives::default(),
            verify: Verify::default(),
            log: Log::default(),
            link: LinkTable::default(),
            power: PowerTable::default(),
            notify: Notify::default(),
        }
    }
}

/// A mailbox.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Mailbox {
    /// Its name; none: that of its folder.
    pub name: Option<MailboxName>,
    /// The folder.
    pub path: PathBuf,
}

/// How drives are used.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Drives {
    /// Which of the removable drives that are mounted are used.
    pub accept: Accept,
    /// Folders used as drives, in addition to those.
    pub folders: Vec<PathBuf>,
    /// Copies a message needs to be called mirrored.
    #[serde(deserialize_with = "copies")]
    pub wanted_copies: u32,
    /// Whether copies on the device of a mailbox count too.
    pub count_same_device: bool,
    /// Whether superseded versions may be removed from a drive that is full.
    pub prune: bool,
    /// The age from which they may be.
    #[serde(with = "span")]
    pub prune_after: Duration,
    /// What a drive carries in addition to the copies.
    pub carry: Vec<Carry>,
}

impl Default for Drives {
    fn default() -> Self {
        Self {
            accept: Accept::default(),
            folders: Vec::new(),
            wanted_copies: 1,
            count_same_device: false,
            prune: false,
            // Common practice, no source.
            prune_after: Duration::from_secs(90 * 86_400),
            carry: vec![Carry::Program, Carry::Index, Carry::Config],
        }
    }
}

/// Which removable drives are used.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
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

/// What a drive may carry in addition to the copies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Carry {
    /// The program, for every architecture that is installed.
    Program,
    /// The list of messages.
    Index,
    /// The config in force.
    Config,
}

/// How the daemon reads copies again.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Verify {
    /// Every copy is read again within this span; `0s`: never.
    #[serde(with = "span")]
    pub every: Duration,
    /// Bytes a second at most.
    #[serde(with = "rate")]
    pub max_rate: u64,
}

impl Default for Verify {
    fn default() -> Self {
        // Common practice, no source: cells without power lose charge over months. The rate is well below what the
        // slowest bus of a board carries, so that new mail and the link are not delayed.
        Self { every: Duration::from_secs(30 * 86_400), max_rate: 4 << 20 }
    }
}

/// What stands at the head of a communications log, and which folders say which way mail went.
#[derive(Debug, Default, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
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
    pub time: LogTime,
    /// Folders with mail that came in, as globs from the mailbox's root.
    pub received: Vec<String>,
    /// Folders with mail that went out.
    pub sent: Vec<String>,
}

/// The program that is run for mail that stays unmirrored.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Notify {
    /// The program and its arguments; the report comes on its standard input. Empty: none.
    pub command: Vec<String>,
    /// How long a message may be unmirrored before.
    #[serde(with = "span")]
    pub after: Duration,
}

impl Default for Notify {
    fn default() -> Self {
        // Longer than it takes to change a stick. Common practice, no source.
        Self { command: Vec::new(), after: Duration::from_secs(1800) }
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

fn copies<'de, D: Deserializer<'de>>(from: D) -> Result<u32, D::Error> {
    let copies = u32::deserialize(from)?;
    if copies == 0 || copies as usize > DRIVES_MAX {
        let why = format!("{copies} copies: use 1 to {DRIVES_MAX}");
        return Err(serde::de::Error::custom(why));
    }
    Ok(copies)
}

/// A rate as a person writes it: `4 MiB/s`, `500 kB/s`.
mod rate {
    use serde::{Deserialize as _, Deserializer, Serializer};

    const UNITS: [(&str, u64); 5] =
        [("MiB/s", 1 << 20), ("KiB/s", 1 << 10), ("MB/s", 1_000_000), ("kB/s", 1000), ("B/s", 1)];

    pub(super) fn serialize<S: Serializer>(rate: &u64, to: S) -> Result<S::Ok, S::Error> {
        let (name, unit) = match UNITS.iter().take(2).find(|(_, unit)| rate.is_multiple_of(*unit)) {
            Some(binary) => *binary,
            None => ("B/s", 1),
        };
        to.collect_str(&format_args!("{} {name}", rate / unit))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<u64, D::Error> {
        parse(&String::deserialize(from)?).map_err(serde::de::Error::custom)
    }

    pub(super) fn parse(text: &str) -> Result<u64, String> {
        let wrong = || format!("{text:?} is not a rate: write it as 4 MiB/s or 500 KiB/s");
        let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
        let (number, name) = text.split_at(end);
        let unit = UNITS.iter().find(|(known, _)| *known == name.trim()).ok_or_else(wrong)?.1;
        match number.parse::<u64>().ok().and_then(|n| n.checked_mul(unit)).ok_or_else(wrong)? {
            0 => Err(format!(
                "{text:?}: nothing is ever read at that rate; every = \"0s\" turns it off"
            )),
            rate => Ok(rate),
        }
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
            assert_eq!(rate::parse(text), Ok(bytes), "{text}");
        }
        for text in ["", "4", "4 MiB", "0 MiB/s", "-1 B/s", "99999999999999999999 B/s", "1 Mb/s"] {
            assert!(rate::parse(text).is_err(), "{text}");
        }
    }
}
