//! A sentence for each finding, with what to do.
//! Never shows a name or a text from a drive or a message without escaping it.

use super::which_drive;
use crate::model::limits::PATH_BYTES_MAX;
use crate::model::{Finding, RelName};

/// What a finding says, in one sentence, with what to do.
pub(super) fn finding(finding: &Finding) -> String {
    match finding {
        Finding::CopiedDrive { .. }
        | Finding::ForgottenDrive { .. }
        | Finding::NewDrive { .. }
        | Finding::IdRecognised { .. }
        | Finding::IdRestored { .. }
        | Finding::IdUnknown { .. }
        | Finding::Replaces { .. }
        | Finding::HasLedgerOf { .. }
        | Finding::PerhapsReformatted { .. }
        | Finding::SeenAgain => which_drive::finding(finding),
        Finding::FolderUnreadable { path: Some(path), why } => {
            format!("{path} cannot be read ({why}); what is known below it stays as it was")
        }
        Finding::FolderUnreadable { path: None, why } => {
            format!(
                "a part of the mailbox cannot be read ({why}); what is known of it stays as it was"
            )
        }
        Finding::MessageUnreadable { path, why } => {
            format!(
                "{path} cannot be read ({why}): give the user who runs counterfoil the right to it"
            )
        }
        Finding::Excluded { path } => {
            let new = path.parent().map_or("new".to_owned(), |maildir| format!("{maildir}/new"));
            format!(
                "left out: {path} (unfinished deliveries of a Maildir); to have a file in it copied, move it to {new}"
            )
        }
        Finding::MessageAltered { path } => format!(
            "{path} has other bytes than it had, though nobody wrote to it: the card is failing. The good \
             version is on a drive: counterfoil restore --repair"
        ),
        Finding::LedgerTorn { .. }
        | Finding::LedgerAltered { .. }
        | Finding::LedgerOversizedGarbage { .. }
        | Finding::LedgerShorter { .. }
        | Finding::LedgerOther { .. }
        | Finding::LedgerLinesLost { .. }
        | Finding::ManifestLinesLost { .. }
        | Finding::ManifestTorn { .. }
        | Finding::LogUnreadable { .. } => log_finding(finding),
        Finding::Pruned { copies, bytes } => format!(
            "there was no room: {} removed, for {}, each with its newer one proven on this drive",
            super::report::count(*copies, "older version"),
            super::report::size(*bytes)
        ),
        Finding::NumbersUsedUp => {
            "the numbers of this drive are used up: begin another drive; what is on it stays good"
                .to_owned()
        }
        Finding::Adopted { .. }
        | Finding::Debris { .. }
        | Finding::Damaged { .. }
        | Finding::Missing { .. } => copy_finding(finding),
        Finding::PathsTooLong { folder, names } => paths_too_long(folder, *names),
        Finding::NowIgnored { messages } => now_ignored(*messages),
        Finding::More { count } => format!("and {count} more problems of this kind"),
    }
}

/// The same of what was found of a copy.
fn copy_finding(finding: &Finding) -> String {
    match finding {
        Finding::Adopted { payload } => {
            format!(
                "{payload} was copied just before a power failure and is right: it is recorded now"
            )
        }
        Finding::Debris { payload } => {
            format!(
                "{payload} was cut short when it was written: it is recorded as debris and stays"
            )
        }
        Finding::Damaged { payload, found, .. } => match found {
            Some(_) => format!("{payload} is not what was written; the message is copied again"),
            None => format!(
                "{payload} cannot be read; the message is copied again: replace this drive soon"
            ),
        },
        Finding::Missing { payload } => {
            format!("{payload} is not there any more; the message is copied again")
        }
        _ => "a copy is not as it was".to_owned(),
    }
}

/// The same of what was found of a ledger or a manifest.
fn log_finding(finding: &Finding) -> String {
    match finding {
        Finding::LedgerTorn { offset, bytes } => format!(
            "the ledger's end was torn by a power failure ({bytes} bytes from {offset}); everything before it stands"
        ),
        Finding::LedgerAltered { offset, whole_lines } => format!(
            "the ledger is damaged or was changed at byte {offset}; the {whole_lines} lines after it are \
             checked against their copies one by one"
        ),
        Finding::LedgerOversizedGarbage { offset } => format!(
            "the ledger goes on without lines from byte {offset}, which no power failure can do: it is read up to \
             there and not written to; use another drive"
        ),
        Finding::LedgerShorter { known, found } => format!(
            "the ledger has {found} bytes and had {known}: an old state of this drive, or a repair \
             tool's work; messages it lost are copied again"
        ),
        Finding::LedgerOther { known, found } => format!(
            "the ledger has {found} bytes and does not go on from the {known} that were known: another state of \
             this drive, or a copy of it that went its own way. It was read anew, from its beginning"
        ),
        Finding::LedgerLinesLost { offset, lines } => format!(
            "{} of the ledger cannot be read any more (from byte {offset}): what they said is written again by \
             counterfoil mirror",
            super::report::count(*lines, "line")
        ),
        Finding::ManifestLinesLost { offset, lines } => format!(
            "{} of manifest-sha256.txt {} not what was written (from byte {offset}): the next counterfoil mirror \
             writes the list right again; no copy is concerned",
            super::report::count(*lines, "line"),
            super::report::is_or_are(*lines)
        ),
        Finding::LogUnreadable { log, offset } => format!(
            "{log} cannot be read from byte {offset} on: copies stay good, and a restore from this drive alone may \
             lose their names. Use another drive as well, and replace this one"
        ),
        Finding::ManifestTorn { bytes } => {
            format!(
                "the manifest had {bytes} bytes of a torn line at its end; they were written over"
            )
        }
        _ => "the ledger or the manifest is damaged".to_owned(),
    }
}

fn paths_too_long(folder: &RelName, names: u64) -> String {
    let names = super::report::count(names, "name");
    format!(
        "{names} in {folder} cannot be copied, since the path would be longer than {PATH_BYTES_MAX} bytes: move it to \
         a folder with a shorter path"
    )
}

fn now_ignored(messages: u64) -> String {
    let messages = super::report::count(messages, "message");
    format!(
        "{messages} at paths that the config ignores now: not looked after any more. What is on the sticks stays \
         there, and a restore gives it back"
    )
}
