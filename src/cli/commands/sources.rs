//! Which sticks a restore reads: those that are named, and of those that are mounted the ones this card knows or a
//! person believes.
//! Never reads a stick that the config refuses, unless it is named.

use super::select_station;
use super::state::state_to_read;
use super::typed_again::typed_again;
use crate::cli::args::RestoreArgs;
use crate::cli::config::Accept;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::cli::shell::option;
use crate::daemon::clock::SystemClock;
use crate::disk::Access;
use crate::job::catalogue::Catalogue;
use crate::job::{DriveRef, JobError, replica};
use crate::model::{StationName, escape};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;

/// The sticks of a restore.
pub(super) struct Sources {
    pub drives: Vec<DriveRef>,
    /// Those of them that nobody named and this card does not know: a person has to say that they are trusted.
    unconfirmed: Vec<Vec<u8>>,
}

impl Sources {
    /// What is read, as far as it can be said without asking; at a terminal, of several strange sticks those that a
    /// person has chosen.
    pub(super) fn of(
        resolved: &Resolved,
        args: &RestoreArgs,
        output: &Output,
    ) -> Result<Self, CliError> {
        let mut drives = resolved.folder_refs();
        let mounted: Vec<_> = resolved.find()().into_iter().map(|(_, drive)| drive).collect();
        if drives.is_empty() && mounted.is_empty() {
            return Err(notices::no_drive_here(resolved.config.drives.accept));
        }
        let card = card(resolved)?;
        let strange = match card.knows_drives()? {
            // A rehearsal writes nothing.
            false if !args.rehearse => {
                // One that holds nothing of ours, or cannot be read, has nothing to be believed.
                let (strange, others): (Vec<_>, Vec<_>) = mounted.into_iter().partition(|drive| {
                    !select_station::stations_on(std::slice::from_ref(drive)).is_empty()
                });
                drives.extend(others);
                match strange.len() {
                    2.. if may_ask(args, output) => {
                        drives.extend(ask_which(strange, output)?);
                        Vec::new()
                    }
                    _ => strange,
                }
            }
            _ => {
                drives.extend(accepted(resolved, args, &card, mounted, output)?);
                Vec::new()
            }
        };
        let unconfirmed = strange.iter().map(|stick| stick.path.clone()).collect();
        drives.extend(strange);
        Ok(Self { drives, unconfirmed })
    }

    /// A person saw what they hold, and confirmed them.
    pub(super) fn are_confirmed(&mut self) {
        self.unconfirmed.clear();
    }

    /// As options: those that have to be named where nobody can be asked.
    pub(super) fn options(&self) -> String {
        self.unconfirmed.iter().map(|at| option("--drive", OsStr::from_bytes(at))).collect()
    }

    /// The question that is left: whether strange sticks are believed.
    pub(super) fn confirm(
        &mut self,
        resolved: &Resolved,
        args: &RestoreArgs,
        station: &StationName,
        output: &Output,
    ) -> Result<(), CliError> {
        if self.unconfirmed.is_empty() {
            return Ok(());
        }
        let shown = self.unconfirmed.iter().map(|at| escape::shown(at));
        let shown = shown.collect::<Vec<_>>().join(", ");
        let question = format!(
            "This card knows no stick yet. Put back the mail of station {station} from {shown}? Type yes: "
        );
        let typed = if may_ask(args, output) { output.ask(&question) } else { None };
        if is_yes(typed.as_deref()) {
            self.are_confirmed();
            return Ok(());
        }
        let command = typed_again(resolved, args, &self.options());
        Err(CliError::usage(format!(
            "this card knows no stick yet, so it does not know whether {shown} is the station's own. Nothing was \
             written. If it is, type:\n  {command}"
        )))
    }
}

/// Whether somebody is there to be asked, and wants to be.
pub(super) fn may_ask(args: &RestoreArgs, output: &Output) -> bool {
    !args.scope.json && output.can_ask()
}

/// Whether what was typed means yes. Nothing does not.
pub(super) fn is_yes(typed: Option<&str>) -> bool {
    matches!(typed, Some("yes" | "y"))
}

/// What this card knows of drives. Where its catalogue is lost, what is kept next to it.
fn card(resolved: &Resolved) -> Result<Catalogue, CliError> {
    let (state, _) = state_to_read(resolved);
    if let Some(catalogue) = Catalogue::read_only(&state) {
        return Ok(catalogue);
    }
    let anew = Catalogue::in_memory()?;
    anew.recall_forgotten(&state)?;
    anew.recall_known(&state)?;
    Ok(anew)
}

/// Of the mounted ones those that the config accepts, and that the operator has not refused. Of each other it is said
/// how to read it all the same.
fn accepted(
    resolved: &Resolved,
    args: &RestoreArgs,
    card: &Catalogue,
    mounted: Vec<DriveRef>,
    output: &Output,
) -> Result<Vec<DriveRef>, CliError> {
    let mut accepted = Vec::new();
    let mut is_one_left = false;
    for stick in mounted {
        let Some(why) = why_not(resolved, card, &stick) else {
            accepted.push(stick);
            continue;
        };
        is_one_left = true;
        let named = option("--drive", OsStr::from_bytes(&stick.path));
        output.warn(format!(
            "{} is not read: {why}. To read it all the same: {}",
            stick.volume_source.shown(),
            typed_again(resolved, args, &named)
        ));
    }
    match accepted.is_empty() && resolved.folders.is_empty() && is_one_left {
        true => Err(CliError::failed("no known stick is here. Nothing was written".to_owned())),
        false => Ok(accepted),
    }
}

/// Why a stick is not read, if it is not. One that cannot be opened fails when it is read.
fn why_not(resolved: &Resolved, card: &Catalogue, stick: &DriveRef) -> Option<&'static str> {
    let only_known = resolved.config.drives.accept == Accept::Known;
    let not_known = "the config takes known sticks only, and this one is not added";
    let Ok(volume) = stick.volume_source.open(Access::Read) else {
        return only_known.then_some(not_known);
    };
    if replica::is_refused(card, stick, &*volume).unwrap_or(false) {
        return Some("it is refused (counterfoil drives refuse)");
    }
    // By id and serial number of the file system together, as where mail is copied: the id alone anybody can write.
    let comes = || {
        let clock = SystemClock::new();
        replica::check_acceptance(card, stick, &*volume, Access::Read, &Vec::new, &clock)
    };
    match comes() {
        Err(JobError::NoSerial { .. }) if only_known => Some(
            "the config takes known sticks only, and its file system has no serial number to know it by",
        ),
        Err(_) if only_known => Some(not_known),
        _ => None,
    }
}

/// Asks a person which of several strange sticks are believed.
fn ask_which(strange: Vec<DriveRef>, output: &Output) -> Result<Vec<DriveRef>, CliError> {
    output.notice("this card knows no stick yet. These are here:");
    for (number, stick) in (1..).zip(&strange) {
        let stations = select_station::stations_on(std::slice::from_ref(stick));
        let stations: Vec<_> = stations.iter().map(StationName::as_str).collect();
        let (at, stations) = (stick.volume_source.shown(), stations.join(", "));
        output.notice(format!("{number}: {at}, with mail of station {stations}"));
    }
    let typed = output.ask("Which are yours? Type their numbers, or yes for all: ");
    chosen(strange, typed.as_deref()).ok_or_else(|| {
        CliError::usage(
            "no stick was chosen. Nothing was written. Run the command again and type their numbers, or yes for all",
        )
    })
}

/// Those with the numbers that were typed. `None`: what was typed is not understood.
fn chosen<T>(all: Vec<T>, typed: Option<&str>) -> Option<Vec<T>> {
    if is_yes(typed) {
        return Some(all);
    }
    let numbers = typed?.split([' ', ',']).filter(|part| !part.is_empty());
    let numbers: Vec<usize> = numbers.map(str::parse).collect::<Result<_, _>>().ok()?;
    if numbers.is_empty() || numbers.iter().any(|number| !(1..=all.len()).contains(number)) {
        return None;
    }
    let numbered = (1..).zip(all).filter(|(number, _)| numbers.contains(number));
    Some(numbered.map(|(_, one)| one).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_sticks_that_were_chosen_are_read() {
        let all = || vec!["a", "b", "c"];
        for (typed, expected) in [
            (Some("yes"), Some(vec!["a", "b", "c"])),
            (Some("2"), Some(vec!["b"])),
            (Some("3, 1"), Some(vec!["a", "c"])),
            (Some("1 1"), Some(vec!["a"])),
            (Some("0"), None),
            (Some("4"), None),
            (Some("no"), None),
            (Some(","), None),
            (None, None),
        ] {
            assert_eq!(chosen(all(), typed), expected, "{typed:?}");
        }
    }
}
