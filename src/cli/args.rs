//! Arguments as typed. What they mean, together with the config, is worked out in `resolved`.

use super::span;
use crate::model::DriveLoss;
use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;
use std::time::Duration;

const EXIT_CODES: &str = "\
Exit codes:
  0  done, and all is safe
  1  done, but something is not safe: unmirrored, damaged, not restorable
  2  the command line or the config is wrong; nothing was done
  3  it could not be done: no mailbox, no drive, an I/O error";

/// Keeps a proven second copy of every message of an off-grid mail station.
#[derive(Debug, Parser)]
#[command(version, about, after_help = EXIT_CODES, max_term_width = 100, disable_help_subcommand = true)]
pub struct Args {
    /// The config file [default: /etc/counterfoil/counterfoil.toml, else the user's]
    #[arg(short, long, value_name = "FILE", global = true)]
    pub config: Option<PathBuf>,
    /// Say more; twice for everything
    #[arg(short, long, action = clap::ArgAction::Count, global = true, conflicts_with = "quiet")]
    pub verbose: u8,
    /// Say only what went wrong
    #[arg(short, long, global = true)]
    pub quiet: bool,
    /// When to use colour
    #[arg(long, value_name = "WHEN", default_value = "auto", global = true)]
    pub color: Color,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// When to use colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Color {
    /// On a terminal, unless NO_COLOR is set
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Watch the mailbox and the drives, and keep them alike, until stopped
    Watch(Scope),
    /// Bring every drive up to date once
    Mirror(Scope),
    /// What is safe now, drive by drive
    Status(Scope),
    /// What is unmirrored, and why
    Audit(AuditArgs),
    /// The communications log of a period: what came in and what went out
    Traffic(TrafficArgs),
    /// Read every copy on the drives again and compare its hash
    Verify(Scope),
    /// Put the mailbox back from the drives
    Restore(RestoreArgs),
    /// Decide that messages which are missing, or which a stick alone has, are not wanted back
    Acknowledge(AcknowledgeArgs),
    /// The drives known, what each holds, when last seen, when last proven
    Drives(DrivesArgs),
    /// Look at the config
    Config(ConfigArgs),
    /// The whole job in a temporary folder, as a story
    Demo(DemoArgs),
}

/// What a command works on; anything given here takes the place of the config's.
#[derive(Debug, Clone, Default, ClapArgs)]
pub struct Scope {
    /// A mailbox, or NAME=DIR [default name: the folder's own]; may be repeated
    #[arg(long, value_name = "DIR")]
    pub mailbox: Vec<PathBuf>,
    /// A folder used as a drive, instead of any other; may be repeated
    #[arg(long, value_name = "DIR")]
    pub drive: Vec<PathBuf>,
    /// The name under which the copies are kept on a drive [default: the host's name]
    #[arg(long, value_name = "NAME")]
    pub station: Option<String>,
    /// Where the catalogue is kept
    #[arg(long, value_name = "DIR")]
    pub state: Option<PathBuf>,
    /// Count copies on the mailbox's own card or disk too, though they are lost with it: for trying things out
    #[arg(long)]
    pub count_same_device: bool,
    /// One JSON object on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
}

impl Scope {
    /// These values, and another's where these say nothing.
    pub(super) fn overriding(&self, other: &Self) -> Self {
        let either = |a: &Vec<PathBuf>, b: &Vec<PathBuf>| match a.is_empty() {
            true => b.clone(),
            false => a.clone(),
        };
        Self {
            mailbox: either(&self.mailbox, &other.mailbox),
            drive: either(&self.drive, &other.drive),
            station: self.station.clone().or_else(|| other.station.clone()),
            state: self.state.clone().or_else(|| other.state.clone()),
            count_same_device: self.count_same_device || other.count_same_device,
            json: self.json || other.json,
        }
    }
}

/// In which zone a log gives its times.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum LogTime {
    /// UTC
    #[default]
    Utc,
    /// The station's local time
    Local,
}

/// Arguments of `traffic`.
#[derive(Debug, ClapArgs)]
pub struct TrafficArgs {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// From then on: a date, a date and time, RFC 3339 or a date-time group
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Up to then, with all of the day or the minute named
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Write the log as a page, to be read and to be printed
    #[arg(long, value_name = "FILE", conflicts_with = "csv")]
    pub html: Option<PathBuf>,
    /// Write the log as a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Leave the subjects out
    #[arg(long)]
    pub without_subjects: bool,
    /// The incident's name
    #[arg(long, value_name = "TEXT")]
    pub incident: Option<String>,
    /// Its number
    #[arg(long, value_name = "TEXT")]
    pub activation: Option<String>,
    /// The radio operator: name and call sign
    #[arg(long, value_name = "TEXT")]
    pub operator: Option<String>,
    /// Who prepared the log: name and call sign
    #[arg(long, value_name = "TEXT")]
    pub prepared_by: Option<String>,
    /// The zone of its times [default: utc]
    #[arg(long, value_name = "ZONE")]
    pub time: Option<LogTime>,
    /// Folders with mail that came in; may be repeated
    #[arg(long, value_name = "GLOB")]
    pub received: Vec<String>,
    /// Folders with mail that went out; may be repeated
    #[arg(long, value_name = "GLOB")]
    pub sent: Vec<String>,
}

/// Arguments of `restore`.
#[derive(Debug, ClapArgs)]
pub struct RestoreArgs {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// Put it here instead of into the mailboxes that the config or --mailbox names: one mailbox directly, several
    /// each under its name
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Say what would be done, and do nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Bring back messages too whose deletion was seen
    #[arg(long)]
    pub with_removed: bool,
    /// Put back the good version of this one message (MAILBOX/PATH, or its file) that the card has damaged; the
    /// damaged file is kept next to it
    #[arg(long, value_name = "PATH", conflicts_with_all = ["into", "dry_run", "with_removed"])]
    pub repair: Option<PathBuf>,
    /// Bring back too, under recovered/, copies that look like what a power failure left
    #[arg(long)]
    pub with_doubtful: bool,
    /// Bring back the older versions of this one message too (MAILBOX/PATH), next to it
    #[arg(long, value_name = "PATH", conflicts_with = "repair")]
    pub versions: Option<PathBuf>,
    /// Put the station's config back too, as the drive carries it, without its [notify]: shows it and asks before;
    /// never over one that is there
    #[arg(long, conflicts_with = "dry_run")]
    pub with_config: bool,
    /// Put the config back without a question, after it was shown: you have seen it before
    #[arg(long, requires = "with_config")]
    pub config_seen: bool,
    /// Try it: restore into a temporary folder, compare with the drives and the mailbox, and keep the date
    #[arg(long, conflicts_with_all = ["into", "dry_run", "with_config", "with_removed", "with_doubtful"])]
    pub rehearse: bool,
}

/// Arguments of `acknowledge`.
#[derive(Debug, ClapArgs)]
#[group(required = true, multiple = true, args = ["paths", "missing", "only_on"])]
pub struct AcknowledgeArgs {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// Messages that are missing or damaged: MAILBOX/PATH, or the file
    #[arg(value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// All messages that are missing from the mailbox
    #[arg(long)]
    pub missing: bool,
    /// All messages that this drive has and the mailbox lacks: they shall stay away from it
    #[arg(long, value_name = "NAME")]
    pub only_on: Option<String>,
}

/// Arguments of `audit`.
#[derive(Debug, ClapArgs)]
pub struct AuditArgs {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// Write a page for a browser or for paper to FILE
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write audit.html and audit.json into DIR, as the daemon does in its state folder
    #[arg(long, value_name = "DIR")]
    pub save: Option<PathBuf>,
    /// Write every message that is not safe to FILE, a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
}

/// Arguments of `drives`.
#[derive(Debug, ClapArgs)]
pub struct DrivesArgs {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// What to do with drives [default: list them]
    #[command(subcommand)]
    pub action: Option<DrivesCommand>,
}

/// What to do with drives.
#[derive(Debug, Subcommand)]
pub enum DrivesCommand {
    /// Make a drive: of a mounted stick, or of a folder; or take back one that was forgotten or refused
    Add {
        /// Where it is mounted, or the folder
        #[arg(required_unless_present = "next", conflicts_with = "next")]
        dir: Option<PathBuf>,
        /// Let the next new stick in that comes within this time, as 10m; for accept = "known"
        #[arg(long, value_name = "TIME", value_parser = span::parse)]
        next: Option<Duration>,
        /// Options may stand before `add` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Say that a drive is kept elsewhere; only you know
    Away {
        /// The drive: its name or its id
        name: String,
        /// Options may stand before `away` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Say that a drive is not kept elsewhere any more; one that is plugged in says so itself
    Here {
        /// The drive: its name or its id
        name: String,
        /// Options may stand before `here` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Say that a drive is gone for good: its copies count for nothing any more, and it takes no mail
    Forget {
        /// The drive: its name or its id
        name: String,
        /// Why it is gone
        #[arg(long, value_name = "REASON")]
        why: Loss,
        /// Where it went, in your words, to be remembered
        #[arg(long = "where", value_name = "TEXT")]
        place: Option<String>,
        /// Options may stand before `forget` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Say that a stick is not yours: it gets nothing any more, and its copies count for nothing
    Refuse {
        /// The drive: its name or its id
        name: String,
        /// Options may stand before `refuse` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Delete all mail on a drive and write over what is free on it, before it leaves your hands
    Wipe {
        /// The drive: its name or its id
        name: String,
        /// The drive's name once more, where nobody can be asked
        #[arg(long, value_name = "NAME")]
        confirm: Option<String>,
        /// Wipe it even if it has the last copy of a message, or mail of another station
        #[arg(long)]
        lose_last_copies: bool,
        /// Options may stand before `wipe` and after it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Finish with a drive, unmount it where that is allowed, and say that it may be pulled
    Release {
        /// The drive: its name, its id or its path
        name: String,
        /// Options may stand before `release` and after it.
        #[command(flatten)]
        scope: Scope,
    },
}

/// Why a drive is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Loss {
    /// Nobody knows where it is, or nobody can get at it
    Lost,
    /// Somebody else has it now
    GivenAway,
    /// What was on it was deleted
    Reformatted,
    /// It does not work any more
    Broken,
}

impl Loss {
    /// What is meant by it.
    pub(super) fn as_loss(self) -> DriveLoss {
        match self {
            Self::Lost => DriveLoss::Lost,
            Self::GivenAway => DriveLoss::GivenAway,
            Self::Reformatted => DriveLoss::Reformatted,
            Self::Broken => DriveLoss::Broken,
        }
    }
}

/// Arguments of `config`.
#[derive(Debug, ClapArgs)]
pub struct ConfigArgs {
    #[command(subcommand)]
    pub(super) action: ConfigCommand,
}

/// What to do with the config.
#[derive(Debug, Subcommand)]
pub enum ConfigCommand {
    /// Check the config and print the values in force
    Check(Scope),
}

/// Arguments of `demo`.
#[derive(Debug, ClapArgs)]
pub struct DemoArgs {
    /// Keep the folder and say where it is
    #[arg(long)]
    pub keep: bool,
}
