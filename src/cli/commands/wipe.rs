//! `drives wipe`: deletes all mail on a drive and writes over what is free on it, before it leaves its operator.
//! Never begins without the drive's name typed again, and never takes the last copy of a message unless that is
//! asked.

use super::drive_location::one_of;
use super::inspect::{Depth, Inspection};
use super::state::{State, state_to_read};
use crate::cli::Exit;
use crate::cli::config::Accept;
use crate::cli::notices::{self, CliError};
use crate::cli::output::Output;
use crate::cli::progress::Bar;
use crate::cli::report::size;
use crate::cli::resolved::Resolved;
use crate::cli::shell::{option, quoted};
use crate::daemon::clock::SystemClock;
use crate::daemon::control::{Answer, Request, ask};
use crate::disk::{Access, Volume, host};
use crate::job::catalogue::{Catalogue, DriveRow, LastCopies};
use crate::job::replica::{self, wipe};
use crate::job::{DriveRef, JobError, Progress};
use crate::model::limits::{ANSWER_PATIENCE, RELEASE_PATIENCE};
use crate::model::{Clock as _, DriveId, DriveLoss, StationName, escape};
use serde::Serialize;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

/// Somebody has ended the process: it ends at the next safe point.
static STOPPED: AtomicBool = AtomicBool::new(false);

/// What was typed.
pub(super) struct WipeRequest<'a> {
    pub name: &'a str,
    pub confirmed: Option<&'a str>,
    pub lose_last_copies: bool,
}

pub(super) fn run(
    resolved: &Resolved,
    asked: &WipeRequest<'_>,
    as_json: bool,
    output: &Output,
) -> Result<Exit, CliError> {
    let (inspection, last) =
        Inspection::inspect_with(resolved, Depth::Counts, output, &|catalogue, _| {
            last_copies(catalogue, resolved, asked.name)
        })?;
    let (row, id, known) = one_of(&inspection.drives, asked.name)?;
    let label = escape::shown(known.row.label.as_bytes());
    let row = &DriveRow { row, id, facts: known.row.clone() };
    let drive = find_present(resolved, row, &label)?;
    let mut others = check_drive(&drive, row, &label)?;
    others.retain(|station| *station != resolved.station);
    // One that a wipe was begun on counts for nothing already.
    let last = if row.is_wiped() { LastCopies::default() } else { last };
    if !asked.lose_last_copies {
        refuse_last(last, &others, &label)?;
    }
    if let Some(unkept) = inspection.unkept {
        let why = notices::unkept(unkept, &resolved.state);
        return Err(CliError::failed(format!(
            "{label} is not wiped, for that could not be kept in mind: {why}"
        )));
    }
    confirm(asked, &label, known.messages, known.bytes, output)?;
    super::when_stopped(|| STOPPED.store(true, Ordering::Relaxed))?;
    // From the state that nobody else writes while this works: without a daemon, none may begin.
    let fills = is_whole_file_system(resolved, &drive);
    let held = give_up(resolved, row, &label, output)?;
    let bar = StoppableBar(Bar::new(output, "deleting", known.messages));
    let wiped = {
        let volume = drive.volume_source.open(Access::Write)?;
        may_be_wiped(&*volume, row, &label)?;
        wipe(&*drive.volume_source, volume, fills, &bar)
    };
    bar.0.end();
    let wiped = wiped.map_err(|error| unfinished(&label, row, &error.to_string()))?;
    if wiped.stopped {
        return Err(unfinished(&label, row, "it was stopped"));
    }
    let catalogue = match held {
        Some(state) => state.catalogue,
        None => Catalogue::open(&resolved.state)?.0,
    };
    catalogue.drop_copies(row.row)?;
    let zeros = fills.then_some(wiped.zeros);
    print((row, &label, resolved.config.drives.accept), zeros, wiped.files, as_json, output);
    Ok(Exit::Safe)
}

/// Whether all that is free there is the drive's: a folder among other things has no room of its own, and to fill it
/// would stop the mail.
fn is_whole_file_system(resolved: &Resolved, drive: &DriveRef) -> bool {
    let path = Path::new(std::ffi::OsStr::from_bytes(&drive.path));
    let device = host::device_of(path);
    let mailboxes = resolved.mailboxes.iter().map(|mailbox| mailbox.path.as_path());
    let others = mailboxes.chain([resolved.state.as_path(), Path::new("/")]);
    let mut others = others.map(host::device_of);
    host::is_mount_point(path) && device.is_some() && others.all(|other| other != device)
}

fn last_copies(
    catalogue: &Catalogue,
    resolved: &Resolved,
    name: &str,
) -> Result<LastCopies, JobError> {
    let is_called = |row: &&DriveRow| row.label == name || row.id.to_string() == name;
    let mut last = LastCopies::default();
    for row in catalogue.drives()?.iter().filter(is_called) {
        for (_, station) in catalogue.replicas_of(row.row)? {
            if station == resolved.station {
                last = catalogue.last_copies(row.row, &catalogue.replica(row.row, &station)?)?;
            }
        }
    }
    Ok(last)
}

/// Where the drive is now.
fn find_present(resolved: &Resolved, row: &DriveRow, label: &str) -> Result<DriveRef, CliError> {
    let drives = resolved.drives_here().into_iter();
    let mut there = drives.filter(|drive| drive.path == row.path);
    there.next().ok_or_else(|| {
        CliError::usage(format!(
            "{label} is not plugged in here. Nothing was done. Plug it in and type it again"
        ))
    })
}

/// Checks that it is that drive indeed, and whose mail is on it in addition to this station's.
fn check_drive(
    drive: &DriveRef,
    row: &DriveRow,
    label: &str,
) -> Result<Vec<StationName>, CliError> {
    let volume = drive.volume_source.open(Access::Read)?;
    may_be_wiped(&*volume, row, label)?;
    Ok(replica::stations(&*volume)?)
}

fn may_be_wiped(volume: &dyn Volume, row: &DriveRow, label: &str) -> Result<(), CliError> {
    if replica::drive_id(volume)? != Some(row.id) {
        let at = &volume.facts().shown;
        return Err(CliError::usage(format!(
            "what is in {at} does not say that it is drive {} ({label}): it is left as it is",
            row.id
        )));
    }
    match volume.facts().read_only {
        true => Err(CliError::failed(format!(
            "{label} may only be read: look at its switch. Nothing was done"
        ))),
        false => Ok(()),
    }
}

fn refuse_last(last: LastCopies, stations: &[StationName], label: &str) -> Result<(), CliError> {
    let mut why = Vec::new();
    if last.on_card > 0 {
        why.push(format!("{} on the card, safe on {label} alone", messages(last.on_card)));
    }
    if last.unrecoverable > 0 {
        why.push(format!(
            "{} not on the card, with the last copy on {label}",
            messages(last.unrecoverable)
        ));
    }
    let others: Vec<_> = stations.iter().map(ToString::to_string).collect();
    if !others.is_empty() {
        why.push(format!(
            "the mail of station {}, of which nothing is known here",
            others.join(", ")
        ));
    }
    if why.is_empty() {
        return Ok(());
    }
    Err(CliError::usage(format!(
        "{label} is not wiped: these would lose their copy: {}. Nothing was done. Have them copied to another \
         stick first (counterfoil audit says what is safe). To lose them: counterfoil drives wipe {} \
         --lose-last-copies",
        why.join("; "),
        quoted(label.as_ref())
    )))
}

fn messages(count: u64) -> String {
    if count == 1 { "1 message".to_owned() } else { format!("{count} messages") }
}

/// The drive's name typed once more: at a terminal, or as an option.
fn confirm(
    asked: &WipeRequest<'_>,
    label: &str,
    count: u64,
    bytes: u64,
    output: &Output,
) -> Result<(), CliError> {
    let what = format!("{} ({})", messages(count), size(bytes));
    let typed = match asked.confirmed {
        Some(typed) => Some(typed.to_owned()),
        None => output.ask(&format!(
            "All of ours on {label} will be deleted: {what}. This cannot be undone.\nType the name of the stick to go \
             on: "
        )),
    };
    match typed {
        Some(typed) if typed == label => Ok(()),
        Some(typed) => Err(CliError::usage(format!(
            "{} is not the name of the stick, which is {label}. Nothing was done",
            escape::shown(typed.as_bytes())
        ))),
        None => Err(CliError::usage(format!(
            "nobody was asked. Nothing was done. To delete {what} on {label}, type its name twice:\n  \
             counterfoil drives wipe {}{}",
            quoted(label.as_ref()),
            option("--confirm", label.as_ref())
        ))),
    }
}

/// The drive is given up before anything on it is deleted: its copies count for nothing, whatever happens now.
/// Without a daemon, the state is locked until all is done.
fn give_up(
    resolved: &Resolved,
    row: &DriveRow,
    label: &str,
    output: &Output,
) -> Result<Option<State>, CliError> {
    let (state, _) = state_to_read(resolved);
    // One that was refused stays so.
    let why = if is_refused(row) { DriveLoss::Refused } else { DriveLoss::Wiped };
    let forget =
        Request::Forget { id: row.id.to_string(), why: why.as_str().to_owned(), place: None };
    let refused = |why| CliError::failed(format!("{label} is not wiped: {why}"));
    match ask(&state, &forget, ANSWER_PATIENCE)? {
        Some(Answer::Refused(why)) => return Err(refused(why)),
        Some(_) => {}
        None => {
            let state = State::open(resolved, output)?;
            if let Some(unkept) = state.unkept {
                return Err(refused(notices::unkept(unkept, &resolved.state)));
            }
            let now = SystemClock::new().event_time().time;
            state.catalogue.forget_drive(row.row, why, None, now)?;
            return Ok(Some(state));
        }
    }
    let place = escape::shown(&row.path);
    match ask(&state, &Request::Release(place), RELEASE_PATIENCE)? {
        Some(Answer::Released(_)) => Ok(None),
        Some(Answer::Refused(why)) => Err(refused(why)),
        _ => Err(notices::not_let_go(label)),
    }
}

fn unfinished(label: &str, row: &DriveRow, why: &str) -> CliError {
    CliError::failed(format!(
        "{label} is not wiped whole: {why}. Its copies count for nothing any more. To go on: counterfoil drives \
         wipe {}",
        row.id
    ))
}

/// The JSON of `drives wipe`.
#[derive(Serialize)]
struct WipedJson<'a> {
    id: DriveId,
    label: &'a str,
    deleted_files: u64,
    written_over_bytes: Option<u64>,
}

fn print(
    (row, label, accept): (&DriveRow, &str, Accept),
    zeros: Option<u64>,
    files: u64,
    as_json: bool,
    output: &Output,
) {
    if as_json {
        return output.json(&WipedJson {
            id: row.id,
            label: &row.label,
            deleted_files: files,
            written_over_bytes: zeros,
        });
    }
    output.say(match zeros {
        Some(zeros) => format!(
            "{label} is wiped: {files} files are deleted, {} of free space are written over.",
            size(zeros)
        ),
        None => format!(
            "{label} is wiped: {files} files are deleted. It is a folder among other things: what is free \
             there is not written over."
        ),
    });
    output.wrapped(
        "Flash keeps traces: a stick or card writes elsewhere than it is asked to, and who opens it may still read \
         some of what was there. Where that matters, destroy it.",
    );
    output.wrapped(match (is_refused(row), accept) {
        (true, _) => "Only our own folder was deleted. It stays refused.",
        (false, Accept::Known) => "Only our own folder was deleted. Plugged in again it gets no mail until you add it.",
        (false, _) => {
            "Only our own folder was deleted. Plugged in again it is a new stick, and gets mail again unless you keep \
             it out."
        }
    });
}

fn is_refused(row: &DriveRow) -> bool {
    row.forgotten.as_ref().is_some_and(|gone| gone.why == DriveLoss::Refused)
}

/// A bar through which a stop ends the work.
struct StoppableBar(Bar);

impl Progress for StoppableBar {
    fn advance(&self, messages: u64, bytes: u64) {
        self.0.advance(messages, bytes);
    }

    fn stop(&self) -> bool {
        STOPPED.load(Ordering::Relaxed)
    }
}
