//! Sentences on sticks that contradict each other, or what this card remembers: what, which, in which line, what to do.
//! Never says which of two is right where this card does not know.

use crate::cli::shell::option;
use crate::cli::which_drive::Advice;
use crate::job::catalogue::{Contradicting, Contradiction};
use crate::model::KnownDrive;
use serde::Serialize;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;

/// What differs, in a sentence.
pub(in crate::cli) fn sentence(found: &Contradiction) -> String {
    let Contradiction { what, line, .. } = found;
    let (drive, other) = (drive_name(&found.drive), found.other.as_ref().map(drive_name));
    match other {
        None => match what {
            Contradicting::Line => format!(
                "{drive} is not as this card remembers it: line {line} of its ledger is another one now."
            ),
            Contradicting::Change => format!(
                "{drive} contradicts what is known here: line {line} of its ledger names another message for a change."
            ),
            Contradicting::Writer => format!(
                "{drive} contradicts what is known here: line {line} of its ledger gives a writer another beginning."
            ),
        },
        Some(other) => {
            let differ = match what {
                Contradicting::Line => "on what a line of a ledger is",
                Contradicting::Change => "on which message a change is about",
                Contradicting::Writer => "on where a writer began",
            };
            format!("{drive} and {other} contradict each other {differ} (line {line} on {drive}).")
        }
    }
}

/// The same for the line of the drive that it is about.
pub(in crate::cli) fn sentence_for_drive(found: &Contradiction) -> String {
    let counts =
        if found.disqualified { "Its copies count for nothing." } else { "Its copies count." };
    format!("{} {counts}", sentence(found))
}

/// What follows from it.
pub(in crate::cli) fn consequence(all: &[Contradiction], found: &Contradiction) -> String {
    let both = counterpart(all, found).is_some_and(|other| other.disqualified);
    match (found.disqualified, both) {
        (true, true) => "The copies of both count for nothing".to_owned(),
        (true, false) => format!("The copies of {} count for nothing", drive_name(&found.drive)),
        (false, _) => "This card knows both, and their copies count".to_owned(),
    }
}

/// The entry of the other of the two drives on the same contradiction.
fn counterpart<'a>(all: &'a [Contradiction], found: &Contradiction) -> Option<&'a Contradiction> {
    let is_it = |other: &&Contradiction| {
        other.what == found.what
            && Some(&other.drive) == found.other.as_ref()
            && other.other.as_ref() == Some(&found.drive)
    };
    all.iter().find(is_it)
}

/// Each contradiction once, though both drives have an entry.
pub(in crate::cli) fn each_once(all: &[Contradiction]) -> impl Iterator<Item = &Contradiction> {
    all.iter().filter(|found| counterpart(all, found).is_none_or(|other| found.row < other.row))
}

/// What to do.
pub(in crate::cli) fn advice(found: &Contradiction) -> Advice {
    let refuse = option("counterfoil drives refuse", OsStr::new(&found.drive.id.to_string()));
    Advice {
        text: format!(
            "Somebody may have changed it. Mail is copied as before. Keep \
             these sticks. If {} is not yours, type:{refuse}. If it is yours and right, type:",
            drive_name(&found.drive)
        ),
        command: Some(
            option("counterfoil drives add", OsStr::from_bytes(&found.path)).trim().into(),
        ),
    }
}

/// What it means for a restore.
pub(in crate::cli) fn sentence_for_restore(found: &Contradiction) -> String {
    format!(
        "{} What one of them alone calls deleted comes back. Keep these sticks",
        sentence(found)
    )
}

/// A contradiction and what follows from it.
pub(in crate::cli) fn sentence_with_consequence(
    all: &[Contradiction],
    found: &Contradiction,
) -> String {
    format!("{} {}.", sentence(found), consequence(all, found))
}

fn drive_name(drive: &KnownDrive) -> String {
    match drive.label.is_empty() {
        true => drive.id.to_string(),
        false => drive.label.clone(),
    }
}

/// The JSON of a contradiction.
#[derive(Serialize)]
pub(in crate::cli) struct ContradictionJson<'a> {
    drive: &'a KnownDrive,
    with: Option<&'a KnownDrive>,
    about: &'static str,
    line: u64,
    counts: bool,
}

pub(in crate::cli) fn json(all: &[Contradiction]) -> Vec<ContradictionJson<'_>> {
    all.iter()
        .map(|found| ContradictionJson {
            drive: &found.drive,
            with: found.other.as_ref(),
            about: found.what.as_str(),
            line: found.line,
            counts: !found.disqualified,
        })
        .collect()
}
