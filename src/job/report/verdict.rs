//! The one verdict on a station's mail, and the counts that it rests on: every command, page and script gives the same.
//! Never greener than its worst part, and never made of answers from two states of the catalogue.

use crate::job::JobError;
use crate::job::catalogue::{
    Catalogue, Contradiction, DriveRow, DriveRowId, LackingCount, Log, MailboxNotInForce,
    MessageTotals, WithheldCounts,
};
use crate::job::scan::mailboxes::{ConfirmedMailbox, MailboxState};
use crate::model::{DriveId, MailboxName, StationName};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The verdict, the worst last. Its texts are part of the JSON format.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Every message is on enough drives, nothing is missing or damaged on the card.
    #[default]
    Safe,
    /// Every message is on a drive, not all on as many as the config asks for.
    FewerCopies,
    /// A mailbox cannot be scanned, messages are on a drive only by a claim that nothing here has confirmed, or drives
    /// contradict each other.
    NotKnown,
    /// Some messages are only on the card, or may be.
    NotSafe,
    /// Messages are missing from the card, or damaged on it, or a stick has some that the card lacks.
    DamagedOrMissing,
}

impl Verdict {
    /// The text used in JSON.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Safe => "safe",
            Self::FewerCopies => "fewer-copies",
            Self::NotKnown => "not-known",
            Self::NotSafe => "not-safe",
            Self::DamagedOrMissing => "damaged-or-missing",
        }
    }
}

/// A mailbox of the config, as it was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailboxStatus {
    /// As the config names it, or a ledger.
    pub name: MailboxName,
    /// Its folder.
    pub path: PathBuf,
    /// Whether it could be scanned.
    pub state: MailboxState,
    /// Messages that are there, or were at its last scan.
    pub messages: u64,
    /// Messages known to be missing from it.
    pub missing: u64,
    /// Messages taken out of the list, since the config ignores their paths now.
    pub ignored: u64,
    /// The folder in which it was before, if that was another one.
    pub was_at: Option<PathBuf>,
}

/// Everything that is counted, from one state of the catalogue.
#[derive(Debug, Clone, Default)]
pub struct Counts {
    /// The messages of the mailboxes in force.
    pub messages: MessageTotals,
    /// Copies a message needs to be called safe.
    pub wanted_copies: u32,
    /// The mailboxes.
    pub mailboxes: Vec<MailboxStatus>,
    /// Mailboxes that the config does not name any more, and of which the drives hold messages.
    pub not_in_config: Vec<MailboxNotInForce>,
    /// The drives that have messages which this card's mailboxes lack, by label.
    pub lacking: Vec<(String, LackingCount)>,
    /// What drives hold and a restore leaves out.
    pub held_back: WithheldCounts,
    /// How many of the missing messages each set of drives would give back; drives by row.
    pub missing_on: BTreeMap<Vec<DriveRowId>, u64>,
    /// The drives known that are not here; empty until [`note_here`](Self::note_here) is called.
    pub absent: Vec<DriveRow>,
    /// The drives with copies on the device of a mailbox.
    pub on_same_device: Vec<OnSameDevice>,
    /// The drives whose ledgers have lost lines, by label.
    pub damaged_ledgers: Vec<String>,
    /// Messages that are safe only as far as one of these ledgers is believed.
    pub resting_on_damaged: u64,
    /// The drives that something else stands in the place of, and of which nobody has said what became of them.
    pub in_question: Vec<InQuestion>,
    /// Messages that are safe only as far as these drives still hold what they did.
    pub resting_on_questions: u64,
    /// Drives that contradict each other, or what this card remembers.
    pub contradictions: Vec<Contradiction>,
    /// Nothing that is found out is kept: what this rests on may be older than the mailbox.
    pub is_unkept: bool,
}

/// A drive that may have been wiped, or may be kept in another place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InQuestion {
    /// How it is called.
    pub label: String,
    /// The random id in its `drive.json`.
    pub id: DriveId,
    /// Where it was, raw.
    pub path: Vec<u8>,
    /// The drive that is there now; `None`: nothing of ours.
    pub by: Option<DriveId>,
}

/// A drive whose copies die with the card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnSameDevice {
    /// How the drive is called.
    pub label: String,
    /// The mailbox that lies on the same device.
    pub mailbox: String,
    /// Whether its copies count, as the operator asks.
    pub is_counted: bool,
}

impl Counts {
    /// Counts everything. To be called within [`Catalogue::read_transaction`], with whatever else is reported.
    pub fn count(
        catalogue: &Catalogue,
        station: &StationName,
        wanted_copies: u32,
        mailboxes: &[ConfirmedMailbox],
    ) -> Result<Self, JobError> {
        catalogue.read_transaction(|| {
            let mailboxes = mailboxes.iter().map(|confirmed| status(catalogue, confirmed));
            let mut counts = Self {
                messages: catalogue.totals(station, wanted_copies)?,
                wanted_copies,
                mailboxes: mailboxes.collect::<Result<_, _>>()?,
                not_in_config: catalogue.left_mailboxes(station)?,
                ..Self::default()
            };
            counts.held_back = catalogue.held_back(station)?;
            if counts.messages.missing > counts.messages.missing_on_none {
                counts.missing_on = catalogue.missing_by_drives(station)?;
            }
            counts.contradictions = catalogue.contradictions()?;
            counts.look_at_drives(catalogue, station)?;
            Ok(counts)
        })
    }

    /// Notes which of the drives known are not here, by the rows of those that are.
    pub fn note_here(
        &mut self,
        catalogue: &Catalogue,
        here: &[DriveRowId],
    ) -> Result<(), JobError> {
        self.absent = catalogue.drives()?;
        self.absent.retain(|drive| !here.contains(&drive.row));
        Ok(())
    }

    /// What is to be said of drives in addition to their copies.
    fn look_at_drives(
        &mut self,
        catalogue: &Catalogue,
        station: &StationName,
    ) -> Result<(), JobError> {
        let damaged = catalogue.damaged_logs(station)?;
        for drive in catalogue.drives()? {
            let label = &drive.label;
            if damaged.iter().any(|(row, found)| *row == drive.row && found.log == Log::Ledger) {
                self.damaged_ledgers.push(label.clone());
            }
            let replicas = catalogue.replicas_of(drive.row)?;
            let Some((row, _)) = replicas.into_iter().find(|(_, of)| of == station) else {
                continue;
            };
            if let Some(mailbox) = &drive.same_device
                && catalogue.has_good_copies(row)?
            {
                let (label, mailbox) = (label.clone(), mailbox.clone());
                self.on_same_device.push(OnSameDevice { label, mailbox, is_counted: drive.counts });
            }
            if let Some(replaced) =
                drive.replaced.as_ref().filter(|r| drive.counts && !r.how.is_sure())
            {
                self.in_question.push(InQuestion {
                    label: label.clone(),
                    id: drive.id,
                    path: drive.path.clone(),
                    by: replaced.by,
                });
            }
            let is_gone = drive.replaced.as_ref().is_some_and(|replaced| replaced.how.is_sure());
            if drive.forgotten.is_none() && !is_gone {
                let lacking = catalogue.lacking_now(&catalogue.replica(drive.row, station)?)?;
                if lacking.messages > 0 {
                    self.lacking.push((label.clone(), lacking));
                }
            }
        }
        if !self.damaged_ledgers.is_empty() {
            self.resting_on_damaged =
                catalogue.resting_on_damaged_ledgers(station, self.wanted_copies)?;
        }
        if !self.in_question.is_empty() {
            self.resting_on_questions =
                catalogue.resting_on_questions(station, self.wanted_copies)?;
        }
        Ok(())
    }

    /// Messages without enough copies.
    pub fn unmirrored(&self) -> u64 {
        self.messages.messages - self.messages.mirrored
    }

    /// Of them, messages that are safe on some drive: number and bytes.
    pub fn fewer_copies(&self) -> (u64, u64) {
        let MessageTotals { on_none, unconfirmed, unmirrored_bytes, .. } = self.messages;
        let bytes = self.messages.on_none_bytes + self.messages.unconfirmed_bytes;
        (
            self.unmirrored().saturating_sub(on_none + unconfirmed),
            unmirrored_bytes.saturating_sub(bytes),
        )
    }

    /// Whether some mailbox was scanned: otherwise nothing could be done.
    pub fn could_be_judged(&self) -> bool {
        self.mailboxes.is_empty() || self.mailboxes.iter().any(|m| m.state.was_scanned())
    }

    /// The verdict: the worst that applies.
    pub fn verdict(&self) -> Verdict {
        let MessageTotals { missing, damaged, on_none, unconfirmed, .. } = self.messages;
        match () {
            () if missing + damaged > 0 || !self.lacking.is_empty() => Verdict::DamagedOrMissing,
            () if on_none + self.resting_on_damaged > 0 => Verdict::NotSafe,
            () if unconfirmed + self.resting_on_questions > 0 || self.is_unkept => {
                Verdict::NotKnown
            }
            () if !self.mailboxes.iter().all(|m| m.state.is_whole()) => Verdict::NotKnown,
            () if !self.contradictions.is_empty() => Verdict::NotKnown,
            () if self.unmirrored() > 0 => Verdict::FewerCopies,
            () => Verdict::Safe,
        }
    }
}

fn status(catalogue: &Catalogue, confirmed: &ConfirmedMailbox) -> Result<MailboxStatus, JobError> {
    let (messages, missing) = match confirmed.row {
        Some(row) => catalogue.mailbox_counts(row)?,
        None => (0, 0),
    };
    let state = match &confirmed.state {
        MailboxState::Ok if messages == 0 && missing > 0 => MailboxState::Emptied,
        state => state.clone(),
    };
    Ok(MailboxStatus {
        name: confirmed.name.clone(),
        path: confirmed.path.clone(),
        state,
        messages,
        missing,
        ignored: confirmed.report.ignored,
        was_at: confirmed.was_at.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(messages: MessageTotals, states: &[MailboxState]) -> Counts {
        let mailbox = |state: &MailboxState| MailboxStatus {
            name: "mail".parse().unwrap(),
            path: PathBuf::from("/mail"),
            state: state.clone(),
            messages: 0,
            missing: 0,
            ignored: 0,
            was_at: None,
        };
        let mailboxes = states.iter().map(mailbox).collect();
        Counts { messages, wanted_copies: 2, mailboxes, ..Counts::default() }
    }

    #[test]
    fn the_worst_that_applies_is_the_verdict() {
        use Verdict::{DamagedOrMissing, FewerCopies, NotKnown, NotSafe, Safe};
        let all = MessageTotals { messages: 4, mirrored: 4, ..MessageTotals::default() };
        let fewer = MessageTotals { mirrored: 3, ..all };
        let none = MessageTotals { on_none: 1, ..fewer };
        let (missing, damaged) =
            (MessageTotals { missing: 1, ..all }, MessageTotals { damaged: 1, ..all });
        let (ok, away) = (MailboxState::Ok, MailboxState::Away);
        let part = MailboxState::ReadInPart("EIO".into());
        for (totals, states, verdict) in [
            (all, vec![ok.clone()], Safe),
            (all, vec![MailboxState::Emptied], Safe),
            (fewer, vec![ok.clone()], FewerCopies),
            (fewer, vec![ok.clone(), away.clone()], NotKnown),
            (MessageTotals { unconfirmed: 1, ..fewer }, vec![ok.clone()], NotKnown),
            (MessageTotals { unconfirmed: 1, ..none }, vec![ok.clone()], NotSafe),
            (all, vec![part.clone()], NotKnown),
            (none, vec![away.clone()], NotSafe),
            (MessageTotals { missing: 1, ..none }, vec![away.clone()], DamagedOrMissing),
            (missing, vec![ok.clone()], DamagedOrMissing),
            (damaged, vec![ok.clone()], DamagedOrMissing),
        ] {
            assert_eq!(counts(totals, &states).verdict(), verdict, "{totals:?} {states:?}");
        }
        assert!(Safe < FewerCopies && FewerCopies < NotKnown);
        assert!(NotKnown < NotSafe && NotSafe < DamagedOrMissing);
        assert!(!counts(all, std::slice::from_ref(&away)).could_be_judged());
        assert!(counts(all, &[away, part]).could_be_judged());
        assert_eq!(counts(fewer, std::slice::from_ref(&ok)).fewer_copies().0, 1);
        assert_eq!(counts(none, std::slice::from_ref(&ok)).fewer_copies().0, 0);
        let of_drive = LackingCount { messages: 1, ..LackingCount::default() };
        let lacking = vec![("amber".to_owned(), of_drive)];
        let known = counts(all, std::slice::from_ref(&ok));
        assert_eq!(Counts { lacking, ..known.clone() }.verdict(), DamagedOrMissing);
        assert_eq!(Counts { resting_on_damaged: 1, ..known.clone() }.verdict(), NotSafe);
        assert_eq!(Counts { resting_on_questions: 1, ..known.clone() }.verdict(), NotKnown);
        assert_eq!(Counts { is_unkept: true, ..known }.verdict(), NotKnown);
    }
}
