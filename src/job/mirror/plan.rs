//! Decides what one change of the mailbox means for one drive: a copy, a line, or nothing. Reads nothing from the drive
//! except what `damage` compares there.

use super::batch::{BatchPlan, CopyItem};
use super::damage;
use super::pass::Pass;
use crate::job::JobError;
use crate::job::catalogue::{
    AssertedRow, ContentAt, ContentRowId, CopyStatus, DepartedRow, FileRow, FileState, MissingRow,
};
use crate::job::replica::Replica;
use crate::job::scan::OpenMailbox;
use crate::model::ledger::{Assertion, Departed, Departure, Event, Location};
use crate::model::limits::SUCCESSORS_FOLLOWED;
use crate::model::{Identity, Reason, RelName};

/// What a change requires on the drive.
pub(super) enum PlanStep {
    /// Nothing: the ledger says so already.
    Skip,
    /// Nothing yet: something else has to be recorded first, and a later run decides.
    Defer,
    /// A line that asserts a content at a location; no copy is needed.
    Assert(Event, ContentAt),
    /// A line that a content has left; if a location is given, only together with the copy of this batch that goes
    /// there.
    Depart(Event, Option<ContentAt>),
    /// The ledger asserts it, but not as of its last change: one line may renew all such assertions.
    Renew,
    /// A copy.
    Copy(Box<CopyItem>),
    /// The message cannot be copied to this drive.
    Reject(Reason),
}

/// What is known of a message of the mailbox, and of its copy on a drive.
pub(super) struct KnownMessage {
    content: ContentRowId,
    identity: Identity,
    /// What the ledger asserts at its location.
    assertions: Vec<AssertedRow>,
    held: CopyStatus,
}

/// Looks up messages, all in one state of the catalogue. The result holds until the next commit on the drive. `None`
/// for a message that is not to be recorded: an unstable file is recorded once it is stable, with the number of a later
/// change.
pub(super) fn look_up(
    pass: &Pass<'_>,
    drive: &Replica,
    rows: &[FileRow],
) -> Result<Vec<Option<KnownMessage>>, JobError> {
    let (catalogue, replica) = (pass.catalogue, drive.state.row);
    let known = |row: &FileRow| {
        let content = row.content.filter(|_| row.state == FileState::Present);
        let look_up = |content| {
            Ok(KnownMessage {
                content,
                identity: catalogue.identity(content)?,
                assertions: catalogue.current_assertions(replica, row.mailbox, &row.key)?,
                held: catalogue.copy_status(replica, content)?,
            })
        };
        content.filter(|_| pass.mailbox(row.mailbox).is_some()).map(look_up).transpose()
    };
    catalogue.read_transaction(|| rows.iter().map(known).collect())
}

/// Decides what a message of the mailbox requires.
pub(super) fn arrival(
    pass: &Pass<'_>,
    drive: &Replica,
    (row, known): (&FileRow, Option<KnownMessage>),
    batch: &mut BatchPlan,
    renew_by_line: bool,
) -> Result<PlanStep, JobError> {
    let (Some(mailbox), Some(known)) = (pass.mailbox(row.mailbox), known) else {
        return Ok(PlanStep::Skip);
    };
    let KnownMessage { content, identity, assertions, held } = known;
    let current = assertions.iter().find(|known| known.content == content);
    // The drive may know what the catalogue does not, for example when that was built anew. The copies are compared,
    // since anybody may have written a line that calls good mail damaged.
    let suspect = match (row.suspect, current) {
        (Some(why), _) => Some(why),
        (None, Some(known)) if known.suspect.is_none() => None,
        (None, _) => damage::suspicion(pass, (drive, &assertions), row, content, &identity, batch)?,
    };
    if let (CopyStatus::Good(_), Some(known)) = (held, current) {
        let same = known.suspect == suspect
            && !known.missing
            && (known.modified, known.mode) == (row.modified, row.mode);
        match same && known.as_of >= row.assert_from() {
            true => return Ok(PlanStep::Skip),
            false if same && !renew_by_line => return Ok(PlanStep::Renew),
            false => {}
        }
    }
    let content_at = (row.mailbox, row.key.clone(), content);
    if batch.asserts(&content_at) {
        return Ok(PlanStep::Skip);
    }
    let assertion = Assertion {
        location: location(mailbox, row.path()?),
        modified: row.modified,
        mode: row.mode,
        first_seen: row.first_seen,
        suspect,
        as_of: batch.position,
    };
    let replaces = match held {
        CopyStatus::Good(_) => {
            return Ok(PlanStep::Assert(Event::Placed { identity, assertion }, content_at));
        }
        CopyStatus::Lost(payload) => Some(payload),
        CopyStatus::No => None,
    };
    if batch.contents.contains(&identity) {
        return Ok(PlanStep::Defer);
    }
    if identity.bytes > drive.volume.facts().longest_file {
        return Ok(PlanStep::Reject(Reason::TooLarge));
    }
    let (row, assertion) = (row.clone(), Some(assertion));
    Ok(PlanStep::Copy(Box::new(CopyItem {
        row: Some(row),
        identity,
        assertion,
        replaces,
        peer_copy: None,
    })))
}

/// Decides what a content that is missing from the mailbox requires. It is a location of its own, so that no departure
/// elsewhere takes away the last one from which a restore would give it back.
pub(super) fn missing(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &MissingRow,
    batch: &BatchPlan,
) -> Result<PlanStep, JobError> {
    let (replica, content) = (drive.state.row, row.content);
    let Some(mailbox) = pass.mailbox(row.mailbox) else { return Ok(PlanStep::Skip) };
    let CopyStatus::Good(_) = pass.catalogue.copy_status(replica, content)? else {
        return Ok(match batch.copied_location_of(content) {
            // Another location has it too, and is copied first.
            Some(_) => PlanStep::Defer,
            None => PlanStep::Skip,
        });
    };
    let current = pass.catalogue.current_assertion(replica, row.mailbox, &row.key, content)?;
    if current.is_some_and(|known| known.as_of >= row.change_no) {
        return Ok(PlanStep::Skip);
    }
    let known = pass.catalogue.attributes(row.mailbox, &row.key, content)?;
    let (modified, mode) = known.unwrap_or((row.modified, row.mode));
    let assertion = Assertion {
        location: location(mailbox, row.path()?),
        modified,
        mode,
        first_seen: row.first_seen.time,
        suspect: None,
        as_of: batch.position,
    };
    let identity = pass.catalogue.identity(content)?;
    let content_at = (row.mailbox, row.key.clone(), content);
    Ok(PlanStep::Assert(Event::Missing { identity, assertion }, content_at))
}

/// Decides what a content that was seen to leave a location requires. A departure is written only where it makes a
/// difference, and only after everything that a restore needs instead.
pub(super) fn departure(
    pass: &Pass<'_>,
    drive: &Replica,
    row: &DepartedRow,
    batch: &BatchPlan,
) -> Result<PlanStep, JobError> {
    let (catalogue, replica, content) = (pass.catalogue, drive.state.row, row.content);
    if pass.mailbox(row.mailbox).is_none() {
        return Ok(PlanStep::Skip);
    }
    let Some(position) = catalogue.position_at(row.change_no)? else { return Ok(PlanStep::Skip) };
    if drive.state.cannot_record_departure(row.change_no) {
        return Ok(PlanStep::Skip);
    }
    // What this card saw before withholds nothing that another card asserted meanwhile.
    let uncovered = catalogue.uncovered_positions(replica, (row.mailbox, &row.key, content))?;
    let mut withholds = false;
    for stamp in uncovered {
        withholds |= catalogue.covers(position, stamp)?;
    }
    if !withholds {
        return Ok(PlanStep::Skip);
    }
    let FinalOutcome { successor, why } = final_outcome(pass, row)?;
    let mut needs = match successor_state(pass, drive, batch, row, successor.as_ref())? {
        SuccessorState::NotYet => return Ok(PlanStep::Defer),
        SuccessorState::With(copied) => Some(copied),
        SuccessorState::Already => None,
    };
    let mut to = match &successor {
        Some(successor) => location_on_drive(pass, drive, batch, successor, needs.as_ref())?,
        None => None,
    };
    if catalogue.is_somewhere(content)? {
        let known = any_location_on_drive(pass, drive, batch, content)?;
        let copied = needs.clone().or_else(|| batch.copied_location_of(content));
        let same = match (known, copied) {
            (Some(known), _) => known,
            (None, Some(copied)) if copied.2 == content => {
                needs = Some(copied.clone());
                copied
            }
            _ => return Ok(PlanStep::Defer),
        };
        to = to.or(Some(same));
    }
    let (to, successor) = catalogue.successor_for_line(to.as_ref(), content)?;
    let departure = Departure {
        identity: catalogue.identity(content)?,
        location: catalogue.location(row.mailbox, &row.key)?,
        position,
        why,
        to,
        successor,
        gaps: drive.state.gaps,
    };
    Ok(PlanStep::Depart(Event::Removed(departure), needs))
}

/// Whether a drive has what came after a message that left.
enum SuccessorState {
    /// It has, or nothing came after it.
    Already,
    /// It will have once this copy is made.
    With(ContentAt),
    /// It has not.
    NotYet,
}

/// Whether a drive has the later version or location before the old one is given up: both what came after it in the
/// end, and what is at the location now.
fn successor_state(
    pass: &Pass<'_>,
    drive: &Replica,
    batch: &BatchPlan,
    row: &DepartedRow,
    successor: Option<&ContentAt>,
) -> Result<SuccessorState, JobError> {
    let now = match content_there_now(pass, row)? {
        SuccessorState::With(now) => Some(now),
        SuccessorState::Already => None,
        SuccessorState::NotYet => return Ok(SuccessorState::NotYet),
    };
    let mut followed = SuccessorState::Already;
    for (content_at, elsewhere) in
        successor.map(|h| (h, true)).into_iter().chain(now.as_ref().map(|n| (n, false)))
    {
        if is_on_drive(pass, drive, batch, content_at, elsewhere)? {
            continue;
        }
        let copied = match elsewhere && !batch.copies_to(content_at) {
            true => batch.copied_location_of(content_at.2),
            false => Some(content_at.clone()).filter(|content_at| batch.copies_to(content_at)),
        };
        followed = match (followed, copied) {
            (SuccessorState::Already, Some(copied)) => SuccessorState::With(copied),
            // The line can wait for one copy only.
            (SuccessorState::With(other), Some(copied)) if other == copied => {
                SuccessorState::With(copied)
            }
            _ => return Ok(SuccessorState::NotYet),
        };
    }
    Ok(followed)
}

/// Whether the drive has a content, and its ledger says that it is at a location, or at (or missing from) `elsewhere`.
fn is_on_drive(
    pass: &Pass<'_>,
    drive: &Replica,
    batch: &BatchPlan,
    content_at: &ContentAt,
    elsewhere: bool,
) -> Result<bool, JobError> {
    let (mailbox, key, content) = content_at;
    let (catalogue, replica) = (pass.catalogue, drive.state.row);
    if batch.asserts(content_at) || elsewhere && batch.location_of(*content).is_some() {
        return Ok(true);
    }
    if !matches!(catalogue.copy_status(replica, *content)?, CopyStatus::Good(_)) {
        return Ok(false);
    }
    Ok(catalogue.current_assertion(replica, *mailbox, key, *content)?.is_some()
        || elsewhere && catalogue.asserted_location(replica, *content)?.is_some())
}

/// The location by which a ledger says what followed a message, or will say so once a copy is made: the message's own,
/// or another one that has the content.
fn location_on_drive(
    pass: &Pass<'_>,
    drive: &Replica,
    batch: &BatchPlan,
    successor: &ContentAt,
    copied: Option<&ContentAt>,
) -> Result<Option<ContentAt>, JobError> {
    let (mailbox, key, content) = successor;
    let (catalogue, replica) = (pass.catalogue, drive.state.row);
    if batch.asserts(successor)
        || catalogue.current_assertion(replica, *mailbox, key, *content)?.is_some()
    {
        return Ok(Some(successor.clone()));
    }
    if let Some(copied) = copied.filter(|copied| copied.2 == *content) {
        return Ok(Some(copied.clone()));
    }
    any_location_on_drive(pass, drive, batch, *content)
}

/// Any location that a ledger, or a line of this batch, asserts for a content, present or missing.
fn any_location_on_drive(
    pass: &Pass<'_>,
    drive: &Replica,
    batch: &BatchPlan,
    content: ContentRowId,
) -> Result<Option<ContentAt>, JobError> {
    let known = pass.catalogue.asserted_location(drive.state.row, content)?;
    let known = known.or_else(|| batch.location_of(content));
    Ok(known.map(|(mailbox, key)| (mailbox, key, content)))
}

/// What is at the location of a replaced message now, if anything is: without it, the version before is all there is.
fn content_there_now(pass: &Pass<'_>, row: &DepartedRow) -> Result<SuccessorState, JobError> {
    if row.why != Departed::Replaced {
        return Ok(SuccessorState::Already);
    }
    let file = pass.catalogue.file(row.mailbox, &row.key)?;
    let Some(file) = file.filter(|file| file.state.is_there()) else {
        return Ok(SuccessorState::Already);
    };
    let content = if file.suspect.is_some() { file.good } else { file.content };
    // An unstable file has no content to record yet: the departure waits for it.
    Ok(match content.filter(|_| file.state == FileState::Present) {
        Some(content) => SuccessorState::With((row.mailbox, row.key.clone(), content)),
        None => SuccessorState::NotYet,
    })
}

/// What became of a message in the end, after all its moves and later versions.
struct FinalOutcome {
    /// What followed it; none if it was deleted then. The follower may be missing: as long as no copy of it is on a
    /// drive, that drive keeps the version before.
    successor: Option<ContentAt>,
    /// Why it left. For a drive that knows nothing of the steps between, a message that was deleted in the end was
    /// deleted.
    why: Departed,
}

fn final_outcome(pass: &Pass<'_>, row: &DepartedRow) -> Result<FinalOutcome, JobError> {
    let why = row.why;
    let Some(mut last) = row.successor.clone() else {
        return Ok(FinalOutcome { successor: None, why });
    };
    for _ in 0..SUCCESSORS_FOLLOWED {
        let Some(departed) = pass.catalogue.departed(last.0, &last.1, last.2)? else { break };
        match departed.successor {
            Some(next) => last = next,
            None if departed.why == Departed::Replaced => {
                return Ok(FinalOutcome { successor: None, why });
            }
            None => return Ok(FinalOutcome { successor: None, why: departed.why }),
        }
    }
    Ok(FinalOutcome { successor: Some(last), why })
}

fn location(mailbox: &OpenMailbox, path: RelName) -> Location {
    Location { mailbox: mailbox.name.clone(), path }
}
