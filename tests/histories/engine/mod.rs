//! The program itself in the same histories: cards are folders in memory with a catalogue each, sticks are drives in
//! memory. Owns how an event is applied to it, and its answers. Makes no assertions about them.

mod events;
mod lines;

use crate::event::Event;
use crate::files::{Found, below, bytes_of, content_of, found, name_of, plain};
use crate::model::{Content, Location, Path as Place};
use crate::support::clock::HandClock;
use crate::support::memory::MemoryDrive;
use crate::world::World;
use counterfoil::disk::{Access, MailboxDir, host};
use counterfoil::job::catalogue::{Catalogue, Contradiction, CopyStatus, FileState};
use counterfoil::job::mirror::OpenMailbox;
use counterfoil::job::replica::verify::verify;
use counterfoil::job::replica::{NewDrivePolicy, PresentDrives, drive_id};
use counterfoil::job::restore::{MailboxTarget, RestoreOptions, open_sources, restore};
use counterfoil::job::scan::{ScanRules, check_paths, scan};
use counterfoil::job::sync_drive::{self, mirror_drive};
use counterfoil::job::{DriveRef, JobError, MailboxRef, Unwatched};
use counterfoil::model::{DriveId, Identity, RelName, StationName};
use events::Seen;
use globset::GlobSet;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

struct Socket {
    drive: MemoryDrive,
    /// Changes each time another stick is there.
    label: String,
    /// Copies on it have rotted since they were last read.
    unread: bool,
    /// It was copied from another, or a stranger wrote to it, and no card has read it since.
    unmet: bool,
}

/// Reported where a history leaves the common ground of program and model.
pub(crate) const BEYOND: &str = "beyond the model";

/// The program under test.
pub(crate) struct Program {
    place: PathBuf,
    clock: HandClock,
    /// Catalogues; the folder of the card in use is `card`, those of the others have their numbers.
    cards: Vec<Catalogue>,
    here: usize,
    sockets: Vec<Socket>,
    image: Option<(PathBuf, Catalogue)>,
    written: u64,
    made: u64,
}

fn describe(error: &impl ToString) -> String {
    error.to_string()
}

/// No stick contradicts another, or the card, in an honest history.
fn expect_agreement(found: &[Contradiction]) -> Result<(), JobError> {
    match found {
        [] => Ok(()),
        found => Err(JobError::Broken(format!("a false alarm: {found:?}"))),
    }
}

fn station() -> StationName {
    "pier-4".parse().expect("a name")
}

fn mailbox_name(mailbox: u8) -> String {
    char::from(b'i' + mailbox).to_string()
}

impl Program {
    pub(crate) fn new(place: &Path, number: u64, sticks: usize) -> Self {
        host::draw_ids_from(number << 20);
        drop(fs::remove_dir_all(place));
        let mut program = Self {
            place: place.to_owned(),
            clock: HandClock::ticking(),
            cards: vec![Catalogue::in_memory().expect("a catalogue")],
            here: 0,
            sockets: Vec::new(),
            image: None,
            written: 0,
            made: 0,
        };
        program.make_mailboxes();
        for _ in 0..sticks {
            let socket = program.socket(MemoryDrive::default());
            program.sockets.push(socket);
        }
        program
    }

    fn socket(&mut self, drive: MemoryDrive) -> Socket {
        self.made += 1;
        drive.set_serial(&format!("{:04X}", self.made));
        Socket { drive, label: format!("stick-{}", self.made), unread: false, unmet: false }
    }

    fn make_mailboxes(&self) {
        for mailbox in 0..2 {
            fs::create_dir_all(self.folder(mailbox)).expect("room in memory");
        }
    }

    fn folder(&self, mailbox: u8) -> PathBuf {
        self.place.join("card").join(mailbox_name(mailbox))
    }

    fn catalogue(&self) -> &Catalogue {
        &self.cards[self.here]
    }

    fn drive(&self, stick: usize, begin: NewDrivePolicy) -> DriveRef {
        let Socket { drive, label, .. } = &self.sockets[stick];
        let at = label.clone().into_bytes();
        DriveRef {
            volume_source: Arc::new(drive.volume_source()),
            label: label.clone(),
            path: at,
            begin,
        }
    }

    /// The file of a message of the model, below the folders of the card.
    fn file(&self, at: Location, content: Content) -> Result<PathBuf, String> {
        if let Place::Plain(path) = at.path {
            return Ok(self.folder(at.mailbox).join(name_of(path)));
        }
        let all = [at.mailbox, 1 - at.mailbox]
            .into_iter()
            .flat_map(|mailbox| below(&self.folder(mailbox)));
        let mut others = all.filter(|file| plain(file).is_none());
        others
            .find(|file| fs::read(file).is_ok_and(|bytes| content_of(&bytes) == Some(content)))
            .ok_or_else(|| format!("{content:?} is nowhere next to {at:?}"))
    }

    /// Puts a message there as a mail program does: written under another name, then renamed.
    fn write(&mut self, to: &Path, bytes: &[u8]) -> Result<(), String> {
        self.written += 1;
        let passing = self.place.join("passing");
        let put = || -> std::io::Result<()> {
            fs::write(&passing, bytes)?;
            let time = std::time::UNIX_EPOCH + Duration::from_secs(1_700_000_000 + self.written);
            fs::OpenOptions::new().write(true).open(&passing)?.set_modified(time)?;
            fs::rename(&passing, to)
        };
        put().map_err(|e| describe(&e))
    }

    fn open(&self, mailbox: u8) -> Result<OpenMailbox, JobError> {
        let name = mailbox_name(mailbox).parse().expect("a name");
        let mailbox = MailboxRef { name, path: self.folder(mailbox) };
        OpenMailbox::open(self.catalogue(), &mailbox)
    }

    /// Scans mailboxes, in this order, after events that were seen.
    fn scan(&self, mailboxes: &[u8], seen: &Seen) -> Result<(), JobError> {
        let catalogue = self.catalogue();
        catalogue.begin_run(&self.clock)?;
        for mailbox in mailboxes {
            let open = self.open(*mailbox)?;
            let dir = MailboxDir::open(&self.folder(*mailbox))?;
            let of = |all: &[(u8, RelName)]| -> Vec<RelName> {
                let own = all.iter().filter(|(other, _)| other == mailbox);
                own.map(|(_, path)| path.clone()).collect()
            };
            let (gone, changed) = (of(&seen.gone), of(&seen.changed));
            let rules = ScanRules {
                ignore: &GlobSet::empty(),
                stable_for: 0,
                seen_gone: &gone,
                hold: &|_, _| false,
                clock: &self.clock,
            };
            check_paths(catalogue, open.row, &dir, &changed, &rules)?;
            scan(catalogue, open.row, &dir, &rules)?;
        }
        Ok(())
    }

    fn scan_unseen(&self, mailboxes: u8) -> Result<(), String> {
        let all: Vec<u8> = (0..2).filter(|mailbox| mailboxes & (1 << mailbox) != 0).collect();
        self.scan(&all, &Seen::default()).map_err(|e| describe(&e))
    }

    fn scan_all(&self) -> Result<(), String> {
        self.scan_unseen(3)
    }

    /// Reads what is new in the ledgers of some sticks, as `status` does.
    fn read(&self, sticks: &[usize]) -> Result<(), String> {
        let drives: Vec<_> =
            sticks.iter().map(|stick| self.drive(*stick, NewDrivePolicy::Never)).collect();
        for inspected in
            sync_drive::inspect_drives(self.catalogue(), &station(), &drives, &self.clock)
                .map_err(|e| describe(&e))?
        {
            match inspected.drive {
                Ok(_)
                | Err(
                    JobError::NoDrive { .. }
                    | JobError::NotAccepted { .. }
                    // It gets an id of its own, and is read, when it is next written to.
                    | JobError::CopiedDrive { .. },
                ) => {}
                Err(error) => return Err(describe(&error)),
            }
        }
        Ok(())
    }

    /// The sticks of these bits.
    fn chosen(&self, sticks: u8) -> Vec<usize> {
        (0..self.sockets.len()).filter(|at| sticks & (1 << at) != 0).collect()
    }

    fn id(&self, stick: usize) -> Result<Option<DriveId>, String> {
        let volume_source = self.drive(stick, NewDrivePolicy::Never).volume_source;
        let volume = volume_source.open(Access::Read).map_err(|e| describe(&e))?;
        drive_id(&*volume).map_err(|e| describe(&e))
    }

    fn mirror(&mut self, stick: usize, mailboxes: u8, cut: bool) -> Result<(), String> {
        self.scan_unseen(mailboxes)?;
        let drive = self.drive(stick, NewDrivePolicy::OnDevice);
        let present_drives = PresentDrives::default();
        let work = || -> Result<(), JobError> {
            if self.sockets[stick].unread {
                let mut admitted = sync_drive::open(
                    self.catalogue(),
                    &station(),
                    &drive,
                    Access::Write,
                    &present_drives,
                    &self.clock,
                )?;
                verify(self.catalogue(), &mut admitted, &self.clock, &Unwatched, true)?;
            }
            let all = (0..2).filter(|mailbox| mailboxes & (1 << mailbox) != 0);
            let open = all.map(|mailbox| self.open(mailbox)).collect::<Result<Vec<_>, _>>()?;
            let round = mirror_drive(
                self.catalogue(),
                &station(),
                &open,
                &drive,
                &present_drives,
                &self.clock,
                &Unwatched,
            );
            round.outcome.map(drop)
        };
        match work() {
            Ok(()) => {}
            Err(_) if cut => {}
            // A copy of a stick that was declared lost: its operator has to say that it is used again.
            Err(JobError::Forgotten { .. }) => return Err(BEYOND.to_owned()),
            Err(error) => return Err(describe(&error)),
        }
        (self.sockets[stick].unread, self.sockets[stick].unmet) = (false, false);
        Ok(())
    }

    fn mailbox_targets(
        &self,
        catalogue: &Catalogue,
        into: &Path,
    ) -> Result<Vec<MailboxTarget>, JobError> {
        let goal = |mailbox| {
            let name = mailbox_name(mailbox).parse().expect("a name");
            let row = catalogue.mailbox(&name, None)?;
            Ok(MailboxTarget { row, name, path: into.join(mailbox_name(mailbox)) })
        };
        (0..2).map(goal).collect()
    }

    fn put_back(&self, sticks: &[usize], removed: bool, into: &Path) -> Result<(), String> {
        let drives: Vec<_> =
            sticks.iter().map(|stick| self.drive(*stick, NewDrivePolicy::Never)).collect();
        let work = || -> Result<Vec<String>, JobError> {
            let sources = open_sources(&drives, &station(), &self.clock)?;
            let plan = RestoreOptions {
                mailbox_targets: self.mailbox_targets(&sources.catalogue, into)?,
                with_removed: removed,
                versions: None,
                with_doubtful: false,
                dry_run: false,
                progress: &Unwatched,
            };
            restore(&sources, &plan)?;
            expect_agreement(&sources.contradictions()?)?;
            Ok(sources.failed.iter().map(|(_, error)| error.to_string()).collect())
        };
        match work().map_err(|e| describe(&e))?.first() {
            Some(error) => Err(error.clone()),
            None => Ok(()),
        }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // The rest is in memory, and is deleted by the next history.
        drop(fs::remove_dir_all(&self.place));
    }
}

impl Program {
    /// Applies an event to it, by which one world becomes another.
    pub(crate) fn apply(
        &mut self,
        before: &World,
        after: &World,
        event: Event,
    ) -> Result<(), String> {
        match event {
            Event::Deliver(_)
            | Event::Damage(_)
            | Event::Copy { .. }
            | Event::Delete(_)
            | Event::Vanish(_)
            | Event::Move { .. }
            | Event::Edit { .. }
            | Event::Exchange { .. }
            | Event::Repair { .. } => self.change(before, after, event),
            Event::Unreadable { stick, line } => self.spoil(before, stick, line),
            Event::Forge { stick, replaced } => self.forge(before, stick, replaced),
            _ => self.whole_cards(event),
        }?;
        let found = self.catalogue().contradictions();
        found.and_then(|found| expect_agreement(&found)).map_err(|e| describe(&e))
    }

    /// The contents of the mailboxes of the card in use; every name invented by a restore counts as a conflict name.
    pub(crate) fn mail(&self) -> Found {
        found(&self.place.join("card"), mailbox_name)
    }

    /// What the card in use calls safe, and on which stick.
    pub(crate) fn safe(&self) -> Result<BTreeSet<(usize, Location, Content)>, String> {
        let mut safe = BTreeSet::new();
        let catalogue = self.catalogue();
        for stick in (0..self.sockets.len()).filter(|stick| !self.sockets[*stick].unmet) {
            let Some(id) = self.id(stick)? else { continue };
            let ask = || -> Result<Vec<(Location, Content)>, JobError> {
                let mut all = Vec::new();
                let Some(drive) = catalogue.drive(id)? else { return Ok(all) };
                let replica = catalogue.replica(drive.row, &station())?;
                if !catalogue.counts(drive.row)? {
                    return Ok(all);
                }
                for (at, content) in self.mail().in_place {
                    let Place::Plain(path) = at.path else { continue };
                    let name: RelName =
                        RelName::new(name_of(path)).map_err(|e| JobError::Broken(e.to_string()))?;
                    let mailbox = self.open(at.mailbox)?.row;
                    let Some(row) = catalogue.file(mailbox, &name.key())? else { continue };
                    let (FileState::Present, Some(known)) = (row.state, row.content) else {
                        continue;
                    };
                    let read = Identity::of(&bytes_of(content));
                    if catalogue.identity(known)? != read {
                        continue;
                    }
                    let stands =
                        catalogue.current_assertion(replica.row, mailbox, &name.key(), known)?;
                    let held =
                        matches!(catalogue.copy_status(replica.row, known)?, CopyStatus::Good(_));
                    if held && stands.is_some_and(|stands| stands.as_of >= row.assert_from()) {
                        all.push((at, content));
                    }
                }
                Ok(all)
            };
            let all = ask().map_err(|e| describe(&e))?;
            safe.extend(all.into_iter().map(|(at, content)| (stick, at, content)));
        }
        Ok(safe)
    }

    /// Sticks about which the program cannot be asked: another has the same id.
    pub(crate) fn unsure(&self) -> Result<BTreeSet<usize>, String> {
        let ids: Vec<Option<DriveId>> =
            (0..self.sockets.len()).map(|stick| self.id(stick)).collect::<Result<_, _>>()?;
        let twice = |id: &Option<DriveId>| ids.iter().filter(|other| *other == id).count() > 1;
        Ok((0..ids.len()).filter(|at| ids[*at].is_some() && twice(&ids[*at])).collect())
    }

    /// What a restore from the sticks of these bits puts into an empty folder.
    pub(crate) fn restore(&mut self, sticks: u8) -> Result<Found, String> {
        let into = self.place.join("back");
        drop(fs::remove_dir_all(&into));
        fs::create_dir_all(&into).map_err(|e| describe(&e))?;
        self.put_back(&self.chosen(sticks), false, &into)?;
        Ok(found(&into, mailbox_name))
    }
}
