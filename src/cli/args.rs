//! Arguments as typed. What they mean, beside the config, is worked out in `setup`.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

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
    Audit(Scope),
    /// Read every copy on the drives again and compare its hash
    Verify(Scope),
    /// Put the mailbox back from the drives
    Restore(Restore),
    /// The drives known, what each holds, when last seen, when last proven
    Drives(Drives),
    /// Look at the config
    Config(ConfigArgs),
    /// The whole job in a temporary folder, told as a story
    Demo(Demo),
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
    /// One JSON object on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
}

impl Scope {
    /// These values, and another's where these say nothing.
    pub(super) fn over(&self, other: &Self) -> Self {
        let either = |a: &Vec<PathBuf>, b: &Vec<PathBuf>| match a.is_empty() {
            true => b.clone(),
            false => a.clone(),
        };
        Self {
            mailbox: either(&self.mailbox, &other.mailbox),
            drive: either(&self.drive, &other.drive),
            station: self.station.clone().or_else(|| other.station.clone()),
            state: self.state.clone().or_else(|| other.state.clone()),
            json: self.json || other.json,
        }
    }
}

/// Arguments of `restore`.
#[derive(Debug, ClapArgs)]
pub struct Restore {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// Put it here instead of where it was: one mailbox directly, several each under its name
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Say what would be done, and do nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Bring back messages too whose deletion was seen
    #[arg(long)]
    pub with_removed: bool,
    /// Put back the good version of this one message (MAILBOX/PATH, or its file) that the card has damaged; the
    /// damaged file is kept beside it
    #[arg(long, value_name = "PATH", conflicts_with_all = ["into", "dry_run", "with_removed"])]
    pub repair: Option<PathBuf>,
}

/// Arguments of `drives`.
#[derive(Debug, ClapArgs)]
pub struct Drives {
    #[command(flatten)]
    pub(super) scope: Scope,
    /// What to do with drives [default: list them]
    #[command(subcommand)]
    pub action: Option<DriveAction>,
}

/// What to do with drives.
#[derive(Debug, Subcommand)]
pub enum DriveAction {
    /// Make a drive: of a mounted stick, or of a folder
    Add {
        /// Where it is mounted, or the folder
        dir: PathBuf,
        /// Options may stand before `add` and behind it.
        #[command(flatten)]
        scope: Scope,
    },
    /// Finish with a drive, unmount it where that is allowed, and say that it may be pulled
    Release {
        /// The drive: its name, its id or its path
        name: String,
        /// Options may stand before `release` and behind it.
        #[command(flatten)]
        scope: Scope,
    },
}

/// Arguments of `config`.
#[derive(Debug, ClapArgs)]
pub struct ConfigArgs {
    #[command(subcommand)]
    pub(super) action: ConfigAction,
}

/// What to do with the config.
#[derive(Debug, Subcommand)]
pub enum ConfigAction {
    /// Check the config and print the values in force
    Check(Scope),
}

/// Arguments of `demo`.
#[derive(Debug, ClapArgs)]
pub struct Demo {
    /// Keep the folder and say where it is
    #[arg(long)]
    pub keep: bool,
}
