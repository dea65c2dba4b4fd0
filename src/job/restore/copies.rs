//! Reads messages back from the drives: of each the first copy that proves right, piece by piece, ahead of whoever
//! writes them. Never writes anything, and never calls a message right before its last octet was hashed.

use super::Gathered;
use crate::disk::{DiskError, ReadFrom, Staged, Trouble, Volume, read_known};
use crate::job::JobError;
use crate::model::limits::{COPY_BUFFER_BYTES, READ_AHEAD_COPIES};
use crate::model::{Hasher, Identity, RelName};
use std::cell::{Cell, RefCell};
use std::sync::mpsc::{Receiver, Sender, channel, sync_channel};
use std::thread::Scope;

/// The copies there are of one message, those known good first.
pub(super) struct Copies<'a> {
    identity: Identity,
    at: Vec<(&'a dyn Volume, RelName)>,
}

/// What comes of reading one message, until its end.
pub(super) enum Piece {
    /// Some octets of a copy. Where it `begins`, those of the copy before were not right.
    Octets { begins: bool, octets: Vec<u8> },
    /// Nothing more comes.
    End(End),
}

/// How reading one message ended.
pub(super) enum End {
    /// The octets since the last beginning are the message; whether they are those of the first copy.
    Right { first: bool },
    /// No copy is right; whether there is one at all.
    NotToBeHad { seen: bool },
}

/// Writes the octets of a piece behind those of the same copy.
pub(super) fn write(staged: &mut Staged, begins: bool, octets: &[u8]) -> Result<(), DiskError> {
    if begins {
        staged.begin_anew()?;
    }
    staged.write(octets)
}

impl<'a> Copies<'a> {
    /// The copies of a content on the drives of a restore.
    pub(super) fn of(
        gathered: &'a Gathered,
        content: i64,
        identity: Identity,
    ) -> Result<Self, JobError> {
        let told = gathered.catalogue.copies_of(&gathered.station, content)?;
        let at = told.iter().filter_map(|(book, copy)| {
            let drive = gathered.drives.iter().find(|drive| drive.book.row == *book)?;
            Some((&*drive.volume, drive.dir.join(&copy.name.to_rel())))
        });
        Ok(Self { identity, at: at.collect() })
    }

    /// Reads the first copy that is right. `give` takes each piece, and says whether more is wanted.
    pub(super) fn read(&self, give: &mut impl FnMut(Piece) -> bool) -> bool {
        let mut seen = false;
        for (tried, (volume, at)) in self.at.iter().enumerate() {
            match self.read_one(*volume, at, give) {
                Read::Right => return give(Piece::End(End::Right { first: tried == 0 })),
                Read::Wrong => seen = true,
                Read::Gone => {}
                Read::NotWanted => return false,
            }
        }
        give(Piece::End(End::NotToBeHad { seen }))
    }

    fn read_one(
        &self,
        volume: &dyn Volume,
        at: &RelName,
        give: &mut impl FnMut(Piece) -> bool,
    ) -> Read {
        let mut source = match volume.read(at, 0, ReadFrom::Anywhere) {
            Ok(source) => source,
            Err(error) if error.trouble == Trouble::Gone => return Read::Gone,
            Err(_) => return Read::Wrong,
        };
        let expected = self.identity.bytes;
        let mut hasher = Hasher::default();
        let mut left = expected;
        loop {
            // One octet more than is expected tells a copy that is too long.
            let room = left.saturating_add(1).min(COPY_BUFFER_BYTES as u64) as usize;
            let mut octets = vec![0; room];
            // A copy that cannot be read to its end is a bad one, and the next is tried.
            let Ok(got) = read_known(|into| source.read(into), &mut octets, left) else {
                return Read::Wrong;
            };
            if got as u64 > left {
                return Read::Wrong;
            }
            octets.truncate(got);
            hasher.update(&octets);
            let begins = left == expected;
            left -= got as u64;
            let ends = got < room;
            if (got > 0 || begins) && !give(Piece::Octets { begins, octets }) {
                return Read::NotWanted;
            }
            if ends {
                break;
            }
        }
        match left == 0 && hasher.finish() == self.identity {
            true => Read::Right,
            false => Read::Wrong,
        }
    }
}

enum Read {
    Right,
    Wrong,
    Gone,
    NotWanted,
}

/// Messages handed to the reader together: waking it for each takes longer than reading it.
const TOGETHER: usize = READ_AHEAD_COPIES / 2;

/// A thread that reads messages in the order in which they are asked for.
pub(super) struct Ahead<'a> {
    asked: Sender<Vec<Copies<'a>>>,
    pieces: Receiver<Piece>,
    /// Asked for, and not handed to the reader yet.
    in_hand: RefCell<Vec<Copies<'a>>>,
    /// Messages that the reader was handed and that were not taken from it to their end.
    with_reader: Cell<usize>,
}

impl<'a> Ahead<'a> {
    /// Starts it; it ends when this is dropped.
    pub(super) fn begin<'scope>(scope: &'scope Scope<'scope, '_>) -> Result<Self, JobError>
    where
        'a: 'scope,
    {
        let (asked, wanted) = channel::<Vec<Copies<'a>>>();
        // Bounded, so that a quick drive does not fill the memory ahead of a slow card: two pieces are a short
        // message, sixty-four the most octets, 8 MiB.
        let (send, pieces) = sync_channel(2 * READ_AHEAD_COPIES);
        let work = move || {
            while let Ok(together) = wanted.recv() {
                let mut give = |piece| send.send(piece).is_ok();
                if !together.iter().all(|copies| copies.read(&mut give)) {
                    return;
                }
            }
        };
        std::thread::Builder::new()
            .name("read-ahead".to_owned())
            .spawn_scoped(scope, work)
            .map_err(|e| JobError::Broken(format!("no thread could be started: {e}")))?;
        Ok(Self { asked, pieces, in_hand: RefCell::default(), with_reader: Cell::default() })
    }

    /// Asks for a message.
    pub(super) fn ask(&self, copies: Copies<'a>) -> Result<(), JobError> {
        self.in_hand.borrow_mut().push(copies);
        let enough = self.in_hand.borrow().len() >= TOGETHER;
        if enough { self.hand_over() } else { Ok(()) }
    }

    fn hand_over(&self) -> Result<(), JobError> {
        let together = self.in_hand.take();
        self.with_reader.set(self.with_reader.get() + together.len());
        self.asked.send(together).map_err(|_| ended())
    }

    /// The next piece of the message asked for first.
    pub(super) fn piece(&self) -> Result<Piece, JobError> {
        if self.with_reader.get() == 0 {
            self.hand_over()?;
        }
        let piece = self.pieces.recv().map_err(|_| ended())?;
        if matches!(piece, Piece::End(_)) {
            self.with_reader.set(self.with_reader.get() - 1);
        }
        Ok(piece)
    }
}

fn ended() -> JobError {
    JobError::Broken("a reader ended in a fault of the program".into())
}
