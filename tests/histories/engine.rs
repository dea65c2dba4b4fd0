//! The program itself in the same histories: cards are folders in memory with a catalogue each, sticks are drives in
//! memory. Owns how an event is done to it, and what it answers. Never judges.

use crate::event::Event;
use crate::files::{bytes_of, content_of, name_of};
use crate::model::{Content, Location, Mail, Path as Place};
use crate::world::World;
use counterfoil::disk::{Access, MailboxDir, MemoryDrive, host};
use counterfoil::job::acknowledge::{acknowledge_lacking, acknowledge_missing};
use counterfoil::job::catalogue::{Catalogue, FileState, Held};
use counterfoil::job::drive::{Begin, Claims, drive_id};
use counterfoil::job::mirror::OpenMailbox;
use counterfoil::job::restore::{Goal, Plan, gather, restore};
use counterfoil::job::round::{self, mirror_drive};
use counterfoil::job::scan::{ScanRules, look_at, scan};
use counterfoil::job::verify::verify;
use counterfoil::job::{DriveRef, JobError, MailboxRef, Unwatched};
use counterfoil::model::limits::RESERVE_BYTES;
use counterfoil::model::{
    Clock, DriveId, DriveLoss, Identity, Moment, RelName, Stamp, StationName,
};
use globset::GlobSet;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// What a driver of histories asks of whatever is tried.
pub(crate) trait Engine {
    /// Does an event to it, by which one world becomes another.
    fn apply(&mut self, before: &World, after: &World, event: Event) -> Result<(), String>;

    /// What is in the mailboxes of the card in use; every name that a restore made up is one beside.
    fn mail(&self) -> Found;

    /// What the card in use calls safe, and on which stick.
    fn safe(&self) -> Result<BTreeSet<(usize, Location, Content)>, String>;

    /// What a restore from the sticks of these bits puts into an empty folder.
    fn restore(&mut self, sticks: u8) -> Result<Found, String>;
}

/// Messages in folders.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Found {
    /// At plain paths.
    pub(crate) in_place: BTreeMap<Location, Content>,
    /// At others, of each mailbox.
    pub(crate) beside: BTreeSet<(u8, Content)>,
}

impl Found {
    /// The model's mailboxes as these.
    pub(crate) fn of(mail: &Mail) -> Self {
        let mut found = Self::default();
        for (at, content) in mail {
            match at.path {
                Place::Plain(_) => drop(found.in_place.insert(*at, *content)),
                Place::Beside(..) | Place::Numbered(_) => {
                    found.beside.insert((at.mailbox, *content));
                }
            }
        }
        found
    }

    pub(crate) fn contents(&self) -> BTreeSet<Content> {
        let beside = self.beside.iter().map(|(_, content)| *content);
        self.in_place.values().copied().chain(beside).collect()
    }
}

/// A clock that goes on by itself, so that no two looks are at one time.
#[derive(Debug, Default)]
struct OwnClock(AtomicU64);

impl Clock for OwnClock {
    fn stamp(&self) -> Stamp {
        let seconds = 1_800_000_000 + (self.0.fetch_add(1, Ordering::Relaxed) / 1_000) as i64;
        Stamp { time: Moment { seconds, nanos: 0 }, trusted: false, boot: "boot-1".to_owned() }
    }

    fn since_boot(&self) -> Duration {
        Duration::from_millis(self.0.fetch_add(1, Ordering::Relaxed))
    }
}

struct Socket {
    drive: MemoryDrive,
    /// Another each time another stick is there.
    label: String,
    /// Copies on it have rotted since they were last read.
    unread: bool,
    /// It was copied from another, and no card has met it.
    unmet: bool,
}

/// What happened is beyond what the two have in common.
pub(crate) const BEYOND: &str = "beyond the model";

/// The program.
pub(crate) struct Program {
    place: PathBuf,
    clock: OwnClock,
    /// Catalogues; the folder of the card in use is `card`, those of the others carry their numbers.
    cards: Vec<Catalogue>,
    here: usize,
    sockets: Vec<Socket>,
    image: Option<(PathBuf, Catalogue)>,
    written: u64,
    made: u64,
}

fn told(error: &impl ToString) -> String {
    error.to_string()
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
            clock: OwnClock(AtomicU64::new(60_000)),
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

    fn drive(&self, stick: usize, begin: Begin) -> DriveRef {
        let Socket { drive, label, .. } = &self.sockets[stick];
        let at = label.clone().into_bytes();
        DriveRef { door: Arc::new(drive.door()), label: label.clone(), at, begin }
    }

    /// Where in the folders of the card a message of the model is.
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
            .ok_or_else(|| format!("{content:?} is nowhere beside {at:?}"))
    }

    /// Puts a message there as a mail program does: written beside, then named.
    fn write(&mut self, to: &Path, bytes: &[u8]) -> Result<(), String> {
        self.written += 1;
        let passing = self.place.join("passing");
        let put = || -> std::io::Result<()> {
            fs::write(&passing, bytes)?;
            let time = std::time::UNIX_EPOCH + Duration::from_secs(1_700_000_000 + self.written);
            fs::OpenOptions::new().write(true).open(&passing)?.set_modified(time)?;
            fs::rename(&passing, to)
        };
        put().map_err(|e| told(&e))
    }

    fn open(&self, mailbox: u8) -> Result<OpenMailbox, JobError> {
        let name = mailbox_name(mailbox).parse().expect("a name");
        let mailbox = MailboxRef { name, path: self.folder(mailbox) };
        OpenMailbox::open(self.catalogue(), &mailbox)
    }

    /// Takes mailboxes in, in this order, after what was seen to happen.
    fn look(&self, mailboxes: &[u8], seen: &Seen) -> Result<(), JobError> {
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
                settle: 0,
                seen_gone: &gone,
                hold: &|_, _| false,
                clock: &self.clock,
            };
            look_at(catalogue, open.row, &dir, &changed, &rules)?;
            scan(catalogue, open.row, &dir, &rules)?;
        }
        Ok(())
    }

    fn look_unseen(&self, mailboxes: u8) -> Result<(), String> {
        let all: Vec<u8> = (0..2).filter(|mailbox| mailboxes & (1 << mailbox) != 0).collect();
        self.look(&all, &Seen::default()).map_err(|e| told(&e))
    }

    fn look_all(&self) -> Result<(), String> {
        self.look_unseen(3)
    }

    /// Reads what is new in the ledgers of some sticks, as `status` does.
    fn read(&self, sticks: &[usize]) -> Result<(), String> {
        let drives: Vec<_> = sticks.iter().map(|stick| self.drive(*stick, Begin::Never)).collect();
        for looked in round::look_at_drives(self.catalogue(), &station(), &drives, &self.clock)
            .map_err(|e| told(&e))?
        {
            match looked.drive {
                Ok(_)
                | Err(
                    JobError::NoDrive { .. }
                    | JobError::NotAccepted { .. }
                    // It gets an id of its own, and is read, when it is next written to.
                    | JobError::CopiedDrive { .. },
                ) => {}
                Err(error) => return Err(told(&error)),
            }
        }
        Ok(())
    }

    fn id(&self, stick: usize) -> Result<Option<DriveId>, String> {
        let door = self.drive(stick, Begin::Never).door;
        let volume = door.open(Access::Read).map_err(|e| told(&e))?;
        drive_id(&*volume).map_err(|e| told(&e))
    }

    fn mirror(&mut self, stick: usize, mailboxes: u8, cut: bool) -> Result<(), String> {
        self.look_unseen(mailboxes)?;
        let drive = self.drive(stick, Begin::OnDevice);
        let claims = Claims::default();
        let work = || -> Result<(), JobError> {
            if self.sockets[stick].unread {
                let mut admitted = round::open(
                    self.catalogue(),
                    &station(),
                    &drive,
                    Access::Write,
                    &claims,
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
                &claims,
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
            Err(error) => return Err(told(&error)),
        }
        (self.sockets[stick].unread, self.sockets[stick].unmet) = (false, false);
        Ok(())
    }

    fn goals(&self, catalogue: &Catalogue, into: &Path) -> Result<Vec<Goal>, JobError> {
        let goal = |mailbox| {
            let name = mailbox_name(mailbox).parse().expect("a name");
            let row = catalogue.mailbox(&name, None)?;
            Ok(Goal { row, name, path: into.join(mailbox_name(mailbox)) })
        };
        (0..2).map(goal).collect()
    }

    fn put_back(&self, sticks: &[usize], removed: bool, into: &Path) -> Result<(), String> {
        let drives: Vec<_> = sticks.iter().map(|stick| self.drive(*stick, Begin::Never)).collect();
        let work = || -> Result<Vec<String>, JobError> {
            let gathered = gather(&drives, &station(), &self.clock)?;
            let plan = Plan {
                goals: self.goals(&gathered.catalogue, into)?,
                with_removed: removed,
                versions: None,
                with_doubtful: false,
                dry_run: false,
                progress: &Unwatched,
            };
            restore(&gathered, &plan)?;
            Ok(gathered.failed.iter().map(|(_, error)| error.to_string()).collect())
        };
        match work().map_err(|e| told(&e))?.first() {
            Some(error) => Err(error.clone()),
            None => Ok(()),
        }
    }
}

/// What was seen as it happened, by mailbox.
#[derive(Default)]
struct Seen {
    gone: Vec<(u8, RelName)>,
    changed: Vec<(u8, RelName)>,
}

/// Every file below a folder.
fn below(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        match entry.path() {
            path if path.is_dir() => files.extend(below(&path)),
            path => files.push(path),
        }
    }
    files
}

/// The plain path that a file is at.
fn plain(file: &Path) -> Option<u8> {
    (0..4).find(|path| file.file_name().is_some_and(|name| *name == *name_of(*path)))
}

impl Program {
    /// What the folders of a card or of a restore have.
    fn found(&self, root: &Path) -> Found {
        let mut found = Found::default();
        for mailbox in 0..2 {
            let folder = root.join(mailbox_name(mailbox));
            for file in below(&folder) {
                let content = fs::read(&file).ok().and_then(|bytes| content_of(&bytes));
                // What is no message that there ever was is one that nobody can miss: it is seen as a lost one.
                let Some(content) = content else { continue };
                match plain(&file).filter(|_| file.parent() == Some(&folder)) {
                    Some(path) => {
                        let at = Location { mailbox, path: Place::Plain(path) };
                        found.in_place.insert(at, content);
                    }
                    None => drop(found.beside.insert((mailbox, content))),
                }
            }
        }
        found
    }

    /// Something happens to the mailboxes, seen or not.
    fn happens(
        &mut self,
        watched: bool,
        first: u8,
        seen: impl FnOnce(&mut Self) -> Result<Seen, String>,
    ) -> Result<(), String> {
        if watched {
            self.look_all()?;
        }
        let seen = seen(self)?;
        match watched {
            // Where it went to is looked at first, as the service does by waiting a little.
            true => self.look(&[first, 1 - first], &seen).map_err(|e| told(&e)),
            false => Ok(()),
        }
    }

    /// The path of a file below its mailbox.
    fn rel(&self, mailbox: u8, file: &Path) -> Result<RelName, String> {
        let path = file.strip_prefix(self.folder(mailbox)).map_err(|e| told(&e))?;
        RelName::new(path.as_os_str().as_bytes()).map_err(|e| told(&e))
    }

    fn change(&mut self, before: &World, after: &World, event: Event) -> Result<(), String> {
        let mail = &before.card().mail;
        let new = |at: &Location| after.card().mail.get(at).copied();
        let lacks = || "the worlds have come apart".to_owned();
        match event {
            Event::Deliver(at) | Event::Damage(at) | Event::Copy { to: at, .. } => {
                let content = new(&at).ok_or_else(lacks)?;
                let file = self.file(at, content)?;
                self.write(&file, &bytes_of(content))
            }
            Event::Delete(at) | Event::Vanish(at) => {
                let file = self.file(at, mail[&at])?;
                let watched = matches!(event, Event::Delete(_));
                self.happens(watched, at.mailbox, |program| {
                    fs::remove_file(&file).map_err(|e| told(&e))?;
                    let gone = vec![(at.mailbox, program.rel(at.mailbox, &file)?)];
                    Ok(Seen { gone, ..Seen::default() })
                })
            }
            Event::Move { from, to, watched } => {
                let (file, into) = (self.file(from, mail[&from])?, self.file(to, mail[&from])?);
                self.happens(watched, to.mailbox, |program| {
                    fs::rename(&file, &into).map_err(|e| told(&e))?;
                    let gone = vec![(from.mailbox, program.rel(from.mailbox, &file)?)];
                    Ok(Seen { gone, ..Seen::default() })
                })
            }
            Event::Edit { at, watched } | Event::Exchange { at, watched } => {
                let content = new(&at).ok_or_else(lacks)?;
                let file = self.file(at, mail[&at])?;
                self.happens(watched, at.mailbox, |program| {
                    program.write(&file, &bytes_of(content))?;
                    let changed = vec![(at.mailbox, program.rel(at.mailbox, &file)?)];
                    Ok(Seen { changed, ..Seen::default() })
                })
            }
            Event::Repair { at, stick } => {
                self.look_all()?;
                self.read(&[stick])?;
                let file = self.file(at, mail[&at])?;
                self.write(&file, &bytes_of(new(&at).ok_or_else(lacks)?))
            }
            _ => Err(format!("{event:?} is none of the mailboxes")),
        }
    }

    fn hardware(&mut self, event: Event) -> Result<(), String> {
        match event {
            Event::Mirror { stick, mailboxes } => self.mirror(stick, mailboxes, false),
            Event::Cut { stick, lines, .. } => {
                // Lines and calls do not correspond: what is cut off is another part each time.
                let calls = (lines as u64 * 7 + self.written * 5 + self.made * 3) % 40;
                self.sockets[stick].drive.pull_after(calls);
                let cut = self.mirror(stick, 3, true);
                self.sockets[stick].drive.replug(calls.is_multiple_of(2));
                cut
            }
            Event::Full { stick, .. } => {
                self.sockets[stick].drive.set_room(RESERVE_BYTES);
                let full = self.mirror(stick, 3, false);
                self.sockets[stick].drive.set_room(u64::MAX / 2);
                full
            }
            Event::Rot { stick, content } => {
                let socket = &mut self.sockets[stick];
                socket.unread = true;
                for path in socket.drive.files() {
                    let bytes = socket.drive.file(&path).unwrap_or_default();
                    if path.contains("/data/") && content_of(&bytes) == Some(content) {
                        socket.drive.tamper(&path, |bytes| bytes[20] ^= 1);
                    }
                }
                Ok(())
            }
            Event::CopyStick { from, to } => {
                let copy = self.sockets[from].drive.copied();
                let unread = self.sockets[from].unread;
                self.sockets[to] = Socket { unread, unmet: true, ..self.socket(copy) };
                Ok(())
            }
            Event::LoseStick { stick } => {
                // What no card has met nobody can give up.
                if !self.sockets[stick].unmet
                    && let Some(id) = self.id(stick)?
                    && let Some(row) = self.catalogue().drive(id).map_err(|e| told(&e))?
                {
                    let now = self.clock.stamp().time;
                    let catalogue = self.catalogue();
                    catalogue
                        .forget_drive(row.row, DriveLoss::Lost, None, now)
                        .map_err(|e| told(&e))?;
                }
                self.sockets[stick] = self.socket(MemoryDrive::default());
                Ok(())
            }
            Event::Restore { sticks, removed } => {
                self.look_all()?;
                let all: Vec<usize> =
                    (0..self.sockets.len()).filter(|at| sticks & (1 << at) != 0).collect();
                self.read(&all)?;
                self.put_back(&all, removed, &self.place.join("card"))?;
                self.look_all()
            }
            Event::Acknowledge => self.acknowledge(),
            _ => Err(format!("{event:?} is none of sticks")),
        }
    }

    fn acknowledge(&mut self) -> Result<(), String> {
        self.look_all()?;
        let catalogue = self.catalogue();
        let all = || -> Result<(), JobError> {
            acknowledge_missing(catalogue, |_| true, &self.clock)?;
            for drive in catalogue.drives()? {
                acknowledge_lacking(catalogue, &station(), drive.id, &self.clock)?;
            }
            Ok(())
        };
        all().map_err(|e| told(&e))
    }

    /// The folder of the card in use makes way for another's.
    fn use_card(&mut self, card: usize) -> Result<(), String> {
        let live = self.place.join("card");
        let stash = |card: usize| self.place.join(format!("card-{card}"));
        fs::rename(&live, stash(self.here)).map_err(|e| told(&e))?;
        match stash(card).exists() {
            true => fs::rename(stash(card), live).map_err(|e| told(&e))?,
            false => fs::create_dir(live).map_err(|e| told(&e))?,
        }
        self.here = card;
        self.make_mailboxes();
        self.start()
    }

    /// Another process.
    fn start(&mut self) -> Result<(), String> {
        self.cards[self.here] = self.catalogue().copied().map_err(|e| told(&e))?;
        Ok(())
    }

    fn copy_of_card(&self, to: &Path) -> Result<Catalogue, String> {
        copy_folder(&self.place.join("card"), to)?;
        self.catalogue().copied().map_err(|e| told(&e))
    }

    fn whole_cards(&mut self, event: Event) -> Result<(), String> {
        let live = self.place.join("card");
        let number = self.cards.len();
        match event {
            Event::Clone => {
                let copy = self.copy_of_card(&self.place.join(format!("card-{number}")))?;
                self.cards.push(copy);
                self.start()
            }
            Event::NewCard => {
                self.cards.push(Catalogue::in_memory().map_err(|e| told(&e))?);
                self.use_card(number)
            }
            Event::Boot(card) => self.use_card(card),
            Event::LoseState => {
                self.cards[self.here] = Catalogue::in_memory().map_err(|e| told(&e))?;
                Ok(())
            }
            Event::TakeImage => {
                let image = self.place.join("image");
                drop(fs::remove_dir_all(&image));
                let catalogue = self.copy_of_card(&image)?;
                self.image = Some((image, catalogue));
                Ok(())
            }
            Event::PutImage | Event::FallBack => {
                let Some((image, catalogue)) = &self.image else { return Ok(()) };
                let catalogue = catalogue.copied().map_err(|e| told(&e))?;
                if event == Event::PutImage {
                    fs::remove_dir_all(&live).map_err(|e| told(&e))?;
                    copy_folder(image, &live)?;
                }
                self.cards[self.here] = catalogue;
                Ok(())
            }
            _ => self.hardware(event),
        }
    }
}

fn copy_folder(from: &Path, to: &Path) -> Result<(), String> {
    fs::create_dir_all(to).map_err(|e| told(&e))?;
    for entry in fs::read_dir(from).map_err(|e| told(&e))?.flatten() {
        let (path, into) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy_folder(&path, &into)?;
            continue;
        }
        // With its time, as a copy of a whole card has it.
        let copy = || -> std::io::Result<()> {
            fs::copy(&path, &into)?;
            let time = fs::metadata(&path)?.modified()?;
            fs::OpenOptions::new().write(true).open(&into)?.set_modified(time)
        };
        copy().map_err(|e| told(&e))?;
    }
    Ok(())
}

impl Drop for Program {
    fn drop(&mut self) {
        // What is left is in memory, and goes with the next history.
        drop(fs::remove_dir_all(&self.place));
    }
}

impl Engine for Program {
    fn apply(&mut self, before: &World, after: &World, event: Event) -> Result<(), String> {
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
            _ => self.whole_cards(event),
        }
    }

    fn mail(&self) -> Found {
        self.found(&self.place.join("card"))
    }

    fn safe(&self) -> Result<BTreeSet<(usize, Location, Content)>, String> {
        let mut safe = BTreeSet::new();
        let catalogue = self.catalogue();
        for stick in (0..self.sockets.len()).filter(|stick| !self.sockets[*stick].unmet) {
            let Some(id) = self.id(stick)? else { continue };
            let ask = || -> Result<Vec<(Location, Content)>, JobError> {
                let mut all = Vec::new();
                let Some(drive) = catalogue.drive(id)? else { return Ok(all) };
                let book = catalogue.book(drive.row, &station())?;
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
                    let stands = catalogue.standing(book.row, mailbox, &name.key(), known)?;
                    let held = matches!(catalogue.held(book.row, known)?, Held::Good(_));
                    if held && stands.is_some_and(|stands| stands.as_of >= row.since) {
                        all.push((at, content));
                    }
                }
                Ok(all)
            };
            let all = ask().map_err(|e| told(&e))?;
            safe.extend(all.into_iter().map(|(at, content)| (stick, at, content)));
        }
        Ok(safe)
    }

    fn restore(&mut self, sticks: u8) -> Result<Found, String> {
        let into = self.place.join("back");
        drop(fs::remove_dir_all(&into));
        fs::create_dir_all(&into).map_err(|e| told(&e))?;
        let all: Vec<usize> =
            (0..self.sockets.len()).filter(|at| sticks & (1 << at) != 0).collect();
        self.put_back(&all, false, &into)?;
        Ok(self.found(&into))
    }
}
