//! How each event is applied to the program: as mail programs, people and hardware cause it.

use super::{Program, Socket, describe, station};
use crate::event::Event;
use crate::files::{bytes_of, content_of};
use crate::model::Location;
use crate::support::memory::MemoryDrive;
use crate::world::World;
use counterfoil::job::JobError;
use counterfoil::job::acknowledge::{acknowledge_lacking, acknowledge_missing, lacking_messages};
use counterfoil::job::catalogue::Catalogue;
use counterfoil::model::limits::RESERVE_BYTES;
use counterfoil::model::{Clock as _, DriveLoss, RelName};
use std::fs;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;

/// What was seen as it happened, by mailbox.
#[derive(Default)]
pub(super) struct Seen {
    pub(super) gone: Vec<(u8, RelName)>,
    pub(super) changed: Vec<(u8, RelName)>,
}

impl Program {
    /// Something happens to the mailboxes, seen or not.
    fn happens(
        &mut self,
        watched: bool,
        first: u8,
        seen: impl FnOnce(&mut Self) -> Result<Seen, String>,
    ) -> Result<(), String> {
        if watched {
            self.scan_all()?;
        }
        let seen = seen(self)?;
        match watched {
            // The mailbox it went to is scanned first, as the service achieves by waiting a little.
            true => self.scan(&[first, 1 - first], &seen).map_err(|e| describe(&e)),
            false => Ok(()),
        }
    }

    /// The path of a file relative to its mailbox.
    fn rel(&self, mailbox: u8, file: &Path) -> Result<RelName, String> {
        let path = file.strip_prefix(self.folder(mailbox)).map_err(|e| describe(&e))?;
        RelName::new(path.as_os_str().as_bytes()).map_err(|e| describe(&e))
    }

    pub(super) fn change(
        &mut self,
        before: &World,
        after: &World,
        event: Event,
    ) -> Result<(), String> {
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
                    fs::remove_file(&file).map_err(|e| describe(&e))?;
                    let gone = vec![(at.mailbox, program.rel(at.mailbox, &file)?)];
                    Ok(Seen { gone, ..Seen::default() })
                })
            }
            Event::Move { from, to, watched } => {
                let (file, into) = (self.file(from, mail[&from])?, self.file(to, mail[&from])?);
                self.happens(watched, to.mailbox, |program| {
                    fs::rename(&file, &into).map_err(|e| describe(&e))?;
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
                self.scan_all()?;
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
                // Lines and calls do not correspond: a different part is cut off each time.
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
                // A stick that no card has ever seen cannot be given up.
                if !self.sockets[stick].unmet
                    && let Some(id) = self.id(stick)?
                    && let Some(row) = self.catalogue().drive(id).map_err(|e| describe(&e))?
                {
                    let now = self.clock.event_time().time;
                    let catalogue = self.catalogue();
                    catalogue
                        .forget_drive(row.row, DriveLoss::Lost, None, now)
                        .map_err(|e| describe(&e))?;
                }
                self.sockets[stick] = self.socket(MemoryDrive::default());
                Ok(())
            }
            Event::Restore { sticks, removed } => {
                self.scan_all()?;
                let all = self.chosen(sticks);
                self.read(&all)?;
                self.put_back(&all, removed, &self.place.join("card"))?;
                self.scan_all()
            }
            Event::Acknowledge => self.acknowledge(),
            _ => Err(format!("{event:?} is none of sticks")),
        }
    }

    fn acknowledge(&mut self) -> Result<(), String> {
        self.scan_all()?;
        let catalogue = self.catalogue();
        let all = || -> Result<(), JobError> {
            acknowledge_missing(catalogue, |_| true, &self.clock)?;
            for drive in catalogue.drives()? {
                let lacked = lacking_messages(catalogue, &station(), drive.id)?;
                acknowledge_lacking(catalogue, &lacked, &self.clock)?;
            }
            Ok(())
        };
        all().map_err(|e| describe(&e))
    }

    /// Exchanges the folder of the card in use for another's.
    fn use_card(&mut self, card: usize) -> Result<(), String> {
        let live = self.place.join("card");
        let stash = |card: usize| self.place.join(format!("card-{card}"));
        fs::rename(&live, stash(self.here)).map_err(|e| describe(&e))?;
        match stash(card).exists() {
            true => fs::rename(stash(card), live).map_err(|e| describe(&e))?,
            false => fs::create_dir(live).map_err(|e| describe(&e))?,
        }
        self.here = card;
        self.make_mailboxes();
        self.start()
    }

    /// Starts another process.
    fn start(&mut self) -> Result<(), String> {
        self.cards[self.here] = self.catalogue().copied().map_err(|e| describe(&e))?;
        Ok(())
    }

    fn copy_of_card(&self, to: &Path) -> Result<Catalogue, String> {
        copy_folder(&self.place.join("card"), to)?;
        self.catalogue().copied().map_err(|e| describe(&e))
    }

    pub(super) fn whole_cards(&mut self, event: Event) -> Result<(), String> {
        let live = self.place.join("card");
        let number = self.cards.len();
        match event {
            Event::Clone => {
                let copy = self.copy_of_card(&self.place.join(format!("card-{number}")))?;
                self.cards.push(copy);
                self.start()
            }
            Event::NewCard => {
                self.cards.push(Catalogue::in_memory().map_err(|e| describe(&e))?);
                self.use_card(number)
            }
            Event::Boot(card) => self.use_card(card),
            Event::LoseState => {
                self.cards[self.here] = Catalogue::in_memory().map_err(|e| describe(&e))?;
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
                let catalogue = catalogue.copied().map_err(|e| describe(&e))?;
                if event == Event::PutImage {
                    fs::remove_dir_all(&live).map_err(|e| describe(&e))?;
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
    fs::create_dir_all(to).map_err(|e| describe(&e))?;
    for entry in fs::read_dir(from).map_err(|e| describe(&e))?.flatten() {
        let (path, into) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy_folder(&path, &into)?;
            continue;
        }
        // Keeping its time, as a copy of a whole card does.
        let copy = || -> std::io::Result<()> {
            fs::copy(&path, &into)?;
            let time = fs::metadata(&path)?.modified()?;
            fs::OpenOptions::new().write(true).open(&into)?.set_modified(time)
        };
        copy().map_err(|e| describe(&e))?;
    }
    Ok(())
}
