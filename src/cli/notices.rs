//! Sentences in addition to reports: what went wrong, what was found, what to do next.
//! Never shows a name or a text from a drive or a message without escaping it.

use super::Exit;
use super::config::Accept;
pub(super) use super::findings::finding;
use super::output::Output;
pub(super) use super::report::drive_state;
use super::report::{count, is_or_are, it_or_them, was_or_were};
use super::span;
use crate::daemon::Notice;
use crate::disk::{DiskError, ErrorKind, trouble};
use crate::job::catalogue::{MailboxNotInForce, SetAside};
use crate::job::report::verdict::MailboxStatus;
use crate::job::scan::mailboxes::{MailboxState, state_of};
use crate::job::{DriveRef, JobError};
use crate::model::limits::{DRIVES_MAX, STALLED_AFTER};
use crate::model::{Finding, MailboxName, Reason, RelName, StationName, escape};
use std::fmt;
use std::path::Path;

/// Why a command ended without doing its work.
#[derive(Debug)]
pub(super) struct CliError {
    text: String,
    exit: Exit,
}

impl CliError {
    /// The command line or the config is wrong.
    pub(super) fn usage(text: impl Into<String>) -> Self {
        Self { text: text.into(), exit: Exit::Usage }
    }

    /// It could not be done.
    pub(super) fn failed(text: impl Into<String>) -> Self {
        Self { text: text.into(), exit: Exit::Failed }
    }

    /// The exit code.
    pub(super) fn exit(&self) -> Exit {
        self.exit
    }
}

impl fmt::Display for CliError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl From<JobError> for CliError {
    fn from(error: JobError) -> Self {
        match error {
            JobError::OtherStation { .. } | JobError::OtherMailbox { .. } => {
                Self::usage(error.to_string())
            }
            error if error.state_trouble().is_some() => {
                not_remembered(StateNotKept::by(None, &error), Some(&error))
            }
            error => Self::failed(error.to_string()),
        }
    }
}

impl From<DiskError> for CliError {
    fn from(error: DiskError) -> Self {
        Self::failed(error.to_string())
    }
}

/// The state of a mailbox that could not be scanned, or that holds nothing any more.
pub(super) fn mailbox(mailbox: &MailboxStatus) -> String {
    mailbox_state(&mailbox.name, &mailbox.path, &mailbox.state, mailbox.missing)
}

fn mailbox_state(name: &MailboxName, path: &Path, state: &MailboxState, missing: u64) -> String {
    let found = mailbox_found(name, path, state);
    let kept = "What is known of it stays as it was";
    match state {
        MailboxState::Ok => found,
        MailboxState::Emptied => format!(
            "The folder of mailbox {name} is empty, and {} {} in it: {}. Is its card or partition mounted?",
            count(missing, "message"),
            was_or_were(missing),
            escape::shown_path(path)
        ),
        MailboxState::Away => {
            format!("{found}. {kept}. Mount its card, or correct its path in the config.")
        }
        MailboxState::NotAFolder => format!("{found}. {kept}. Correct its path in the config."),
        MailboxState::Unreadable(_) => format!(
            "{found}. {kept}. Give the user who runs counterfoil the right to read it; with an input/output error, \
             replace the card."
        ),
        MailboxState::ReadInPart(_) => {
            format!(
                "{found}. What is known of the rest stays as it was. Perhaps the card is failing."
            )
        }
    }
}

/// The same without what to do.
pub(super) fn mailbox_found(name: &MailboxName, path: &Path, state: &MailboxState) -> String {
    let at = escape::shown_path(path);
    match state {
        MailboxState::Ok => format!("mailbox {name}: {at}"),
        MailboxState::Emptied => format!("the folder of mailbox {name} is empty: {at}"),
        MailboxState::Away => format!("the folder of mailbox {name} does not exist: {at}"),
        MailboxState::NotAFolder => format!("mailbox {name} is not a folder: {at}"),
        MailboxState::Unreadable(why) => {
            format!("the folder of mailbox {name} cannot be read ({why}): {at}")
        }
        MailboxState::ReadInPart(why) => {
            format!("the folder of mailbox {name} cannot be read to its end ({why}): {at}")
        }
    }
}

/// A station that has the name of its host, and whose host is called otherwise now.
pub(super) fn host_renamed(station: &StationName, host: &str) -> String {
    format!(
        "the host is called {} now; the station stays {station}, as its state folder has it. For another station: \
         --station NAME --state DIR",
        escape::shown(host.as_bytes())
    )
}

/// A mailbox whose folder is another one than before.
pub(super) fn moved(name: &MailboxName, was_at: &Path, is_at: &Path) -> String {
    format!(
        "mailbox {name} was in {} and is in {} now",
        escape::shown_path(was_at),
        escape::shown_path(is_at)
    )
}

/// A mailbox that the config does not name any more.
pub(super) fn not_in_config(left: &MailboxNotInForce) -> String {
    let MailboxNotInForce { name, messages } = left;
    format!(
        "{} of mailbox {name} {} on the sticks and no longer in the config. A restore still gives {} back.",
        count(*messages, "message"),
        is_or_are(*messages),
        it_or_them(*messages)
    )
}

/// What a mirror pass ends with where not everything is safe.
pub(super) fn see_audit(options: &str) -> String {
    format!("not everything is safe. What it is, and why: counterfoil audit{options}")
}

/// The files in addition to the copies could not be brought up to date.
pub(super) fn not_carried(label: &str, error: &JobError) -> String {
    format!(
        "{label}: the list of messages and the program on it could not be brought up to date: {error}"
    )
}

/// Another process holds the state.
pub(super) fn state_in_use(state: &std::path::Path) -> CliError {
    CliError::failed(format!(
        "{}: another counterfoil is writing here, probably the daemon: it does this work by itself; \
         to do it by hand, stop it first",
        escape::shown_path(state)
    ))
}

/// Why nothing is remembered on the card. Its texts are part of the JSON format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum StateNotKept {
    /// It is full.
    Full,
    /// It may only be read.
    ReadOnly,
    /// It fails.
    Failing,
}

impl StateNotKept {
    const ALL: [Self; 3] = [Self::Full, Self::ReadOnly, Self::Failing];

    /// The text used in JSON.
    pub(super) fn as_str(self) -> &'static str {
        match self {
            Self::Full => "full",
            Self::ReadOnly => "read-only",
            Self::Failing => "failing",
        }
    }

    /// Reads [`as_str`](Self::as_str) back.
    pub(super) fn from_text(text: &str) -> Self {
        Self::ALL.into_iter().find(|why| why.as_str() == text).unwrap_or(Self::Failing)
    }

    /// What the trouble with a state folder is called.
    pub(super) fn of(trouble: ErrorKind) -> Self {
        match trouble {
            ErrorKind::Full => Self::Full,
            ErrorKind::ReadOnly => Self::ReadOnly,
            _ => Self::Failing,
        }
    }

    /// By what the file system reports of itself, else by the error that was found.
    pub(super) fn by(reported: Option<&DiskError>, found: &JobError) -> Self {
        let reported = reported.map(|error| error.trouble);
        Self::of(reported.or(found.state_trouble()).unwrap_or(ErrorKind::Failing))
    }
}

/// The state folder cannot be written.
pub(super) fn unkept(why: StateNotKept, state: &Path) -> String {
    let (what, advice) = match why {
        StateNotKept::Full => ("is full", "Make room on the card"),
        StateNotKept::ReadOnly => {
            ("may only be read", "Perhaps it is failing: have a new card ready")
        }
        StateNotKept::Failing => {
            ("cannot be written", "Perhaps it is failing: have a new card ready")
        }
    };
    format!(
        "The card {what}: nothing is remembered in {}, and copying goes on. {advice}.",
        escape::shown_path(state)
    )
}

/// Nothing was ever kept on the drives that are here.
pub(super) fn nothing_kept(station: &StationName) -> CliError {
    CliError::failed(format!(
        "there is nothing to bring back: no stick here holds a message of station {station} yet. The service \
         copies new mail by itself; without the service, type: counterfoil mirror"
    ))
}

/// Versions were asked for of a message that no drive knows.
pub(super) fn no_versions_of(mailbox: &MailboxName, path: &RelName) -> String {
    format!(
        "{mailbox}/{path}: no stick here lists a message of this name, so no versions of it were restored"
    )
}

/// A path on the command line leads to no message that could be meant.
pub(super) fn in_no_mailbox(typed: &Path) -> CliError {
    CliError::usage(format!(
        "{} lies in no mailbox that the config or --mailbox NAME=DIR names: name its mailbox, and give its file or \
         MAILBOX/PATH",
        escape::shown_path(typed)
    ))
}

/// What a command is to keep cannot be kept: it was not done.
fn not_remembered(why: StateNotKept, error: Option<&JobError>) -> CliError {
    let cause = match error {
        Some(JobError::Catalogue(error)) => format!(" ({error})"),
        Some(error) => format!(" ({error})"),
        None => String::new(),
    };
    let (what, advice) = match why {
        StateNotKept::Full => {
            ("The card is full", "Make room on it, and type the same command again")
        }
        StateNotKept::ReadOnly => {
            ("The card may only be read", "Perhaps it is failing: have a new card ready")
        }
        StateNotKept::Failing => (
            "The state folder cannot be written",
            "Type df to see whether the card is full. If it is not, it may be failing: have a new card ready",
        ),
    };
    CliError::failed(format!("{what}{cause}: this cannot be remembered. {advice}."))
}

/// A decision is not taken where it could not be kept.
pub(super) fn must_be_remembered(state: &Path) -> Result<(), CliError> {
    match trouble(state) {
        Some(error) => Err(not_remembered(StateNotKept::of(error.trouble), None)),
        None => Ok(()),
    }
}

/// A damaged catalogue was moved away.
pub(super) fn set_aside(aside: Option<&SetAside>) -> String {
    let (why, path) = match aside {
        Some(aside) => (aside.why.as_str(), escape::shown_path(&aside.path)),
        None => ("unknown", "nothing".to_owned()),
    };
    format!(
        "the catalogue was damaged ({why}) and is set aside as {path}; it is built anew from mailbox \
         and drives"
    )
}

/// No drive was named, and none is mounted.
pub(super) fn no_drive_here(accept: Accept) -> CliError {
    CliError::failed(match accept {
        Accept::Named => {
            "no drive is known: give --drive DIR, or name folders under [drives] in the config"
        }
        Accept::Any | Accept::Known => {
            "no removable drive is mounted here: plug one in and mount it, or give --drive DIR"
        }
    })
}

/// A daemon works, and did not let go of a drive in time.
pub(super) fn not_let_go(name: &str) -> CliError {
    CliError::failed(format!(
        "{name}: the daemon has not let go of it: it is still writing, or the drive does not answer. See \
         counterfoil status, and try again before you pull it"
    ))
}

/// No drive has this name.
pub(super) fn no_such_drive(name: &str, drives: &[DriveRef]) -> CliError {
    let here: Vec<_> = drives.iter().map(|drive| drive.label.as_str()).collect();
    CliError::usage(match here.as_slice() {
        [] => format!("no drive {name} is here, nor any other"),
        here => format!("no drive {name} is here; there are: {}", here.join(", ")),
    })
}

/// A sentence on something found, and whether it is only a notice.
pub(super) struct Note {
    text: String,
    is_notice: bool,
}

impl Note {
    /// What is said as it is.
    pub(super) fn plain(text: String) -> Self {
        Self { text, is_notice: false }
    }

    /// What is found at a place: a drive, a mailbox.
    pub(super) fn of_finding(at: impl fmt::Display, found: &Finding) -> Self {
        Self { text: format!("{at}: {}", finding(found)), is_notice: found.is_notice() }
    }

    /// Why a place cannot be used.
    pub(super) fn failed(at: impl fmt::Display, error: &JobError) -> Self {
        Self { text: format!("{at}: {error}"), is_notice: false }
    }

    pub(super) fn say(&self, output: &Output) {
        match self.is_notice {
            true => output.notice(&self.text),
            false => output.warn(&self.text),
        }
    }
}

/// What to do about a message that is not mirrored.
pub(super) fn next_step(reason: Reason) -> &'static str {
    match reason {
        Reason::NoDrive => "plug in a drive",
        Reason::NotYet => "run counterfoil mirror, or wait for the daemon",
        Reason::TooLarge => "use a drive with exFAT or ext4",
        Reason::Unreadable => "give counterfoil's user the right to read it, or see to the card",
        Reason::NotAFile => "links, pipes and devices are not messages: move it out of the mailbox",
        Reason::DriveFull => "plug in another drive",
        Reason::DriveFailed => "see counterfoil status; use another drive",
        Reason::Changing => "it is copied once it stays the same",
        Reason::PathTooLong => "move it to a folder with a shorter path",
        Reason::MailboxAway => "its mailbox cannot be scanned: see to its folder first",
    }
}

/// A notice of the daemon, in one sentence.
pub(super) fn daemon_notice(notice: &Notice<'_>) -> String {
    match notice {
        Notice::Mirrored { label, messages, bytes } => format!(
            "{label}: {} mirrored, {}",
            count(*messages, "message"),
            super::report::size(*bytes)
        ),
        Notice::NotCopied { label, messages } => format!(
            "{label}: {} not copied; counterfoil audit says why",
            count(*messages, "message")
        ),
        Notice::Drive { label, state, error: None } => {
            format!("{label}: {}", drive_state(state.as_str()))
        }
        Notice::Drive { label, error: Some(error), .. } => format!("{label}: {error}"),
        Notice::Mounted { label, at } => {
            format!("{label}: mounted at {}", crate::model::escape::shown(at))
        }
        Notice::FullSoon { label, days } => format!(
            "{label}: full in {} at the present rate: have another drive ready",
            count(*days, "day")
        ),
        Notice::Unmounted(label) => format!("{label}: unmounted or pulled out"),
        Notice::TooMany(label) => {
            format!(
                "{label}: not used, {DRIVES_MAX} drives are in use already: pull out one of them"
            )
        }
        Notice::Stalled(label) => format!(
            "{label}: at work for more than {} s without getting anywhere; the other drives go on. Wait, \
             or pull it out and use another drive",
            STALLED_AFTER.as_secs()
        ),
        Notice::DriveFinding(label, found) => format!("{label}: {}", finding(found)),
        Notice::MailboxFinding(name, found) => format!("{name}: {}", finding(found)),
        Notice::MailboxAway(away, JobError::Disk(error)) => {
            mailbox_state(&away.name, &away.path, &state_of(error), 0)
        }
        Notice::MailboxAway(away, error) => {
            format!("mailbox {}: {error}; what is known of it stays as it was", away.name)
        }
        Notice::Unwatched(name, why) => {
            format!("mailbox {name} cannot be watched ({why}); the timer alone has it scanned")
        }
        Notice::NextLetIn(within) => {
            format!("the next new stick is let in, if it comes within {}", span::written(*within))
        }
        Notice::Reloaded => "the config was read again".to_owned(),
        Notice::ReloadRefused(why) => format!("the config is refused and the old one kept: {why}"),
        Notice::LeftWorking(label) => {
            format!(
                "{label}: still at work when the daemon ended; the next start mends what is left"
            )
        }
    }
}
