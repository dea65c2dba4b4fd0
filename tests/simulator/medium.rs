//! What a stick contains, and what it may contain after a power failure: three images of it and the changes between
//! them. Knows nothing of counterfoil: only names, bytes and syncs. Loses anything that a stick was ever seen to lose.
//!
//! A change goes from the system's memory to the device, and from the device's own memory to the cells:
//!
//!     dirty --sync_all, or write_synced of that file--> handed --any write_synced--> durable
//!
//! A power failure leaves any part of what is dirty or handed, in sectors of 512 bytes, with junk where a file grew and
//! its bytes did not arrive.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

/// A device writes a sector whole: nothing smaller is torn on any device with such sectors (common practice, no
/// source).
pub(crate) const SECTOR: u64 = 512;
/// Durable images kept, for a device that loses what it reported durable.
const REMEMBERED: usize = 8;

/// What is read where a file grew and its bytes never arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Junk {
    /// Cells never written.
    Zeros,
    /// Cells erased.
    Ones,
    /// The earlier contents of these cells: another file's bytes.
    Stale,
}

/// A file: its bytes so far, and its length.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
struct File {
    bytes: Vec<u8>,
    /// Which of the bytes were ever written; one flag a sector.
    there: Vec<bool>,
    length: u64,
}

/// A whole file system.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub(crate) struct Image {
    folders: BTreeSet<String>,
    names: BTreeMap<String, u32>,
    files: BTreeMap<u32, Arc<File>>,
}

/// A change in flight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Change {
    /// A folder appears.
    Folder(String),
    /// A name appears, for a file without bytes.
    Name(String, u32),
    /// A sector of a file, or the written part of it.
    Bytes { file: u32, at: u64, bytes: Vec<u8> },
    /// A file gets longer.
    Length { file: u32, length: u64 },
}

impl Change {
    fn of_file(&self, file: u32) -> bool {
        match self {
            Self::Folder(_) => false,
            Self::Name(_, own) | Self::Bytes { file: own, .. } | Self::Length { file: own, .. } => {
                *own == file
            }
        }
    }
}

fn parent(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(above, _)| above)
}

impl Image {
    fn apply(&mut self, change: &Change) {
        match change {
            // Nothing can be found that has lost the folder above it.
            Change::Folder(path) if self.has_folder(parent(path)) => {
                self.folders.insert(path.clone());
            }
            Change::Name(path, file) if self.has_folder(parent(path)) => {
                self.names.insert(path.clone(), *file);
                self.files.entry(*file).or_default();
            }
            Change::Folder(_) | Change::Name(..) => {}
            Change::Bytes { file, at, bytes } => {
                let file = Arc::make_mut(self.files.entry(*file).or_default());
                let (from, to) = (*at as usize, *at as usize + bytes.len());
                if file.bytes.len() < to {
                    file.bytes.resize(to, 0);
                    file.there.resize(to.div_ceil(SECTOR as usize), false);
                }
                file.bytes[from..to].copy_from_slice(bytes);
                file.there[from / SECTOR as usize] = true;
            }
            Change::Length { file, length } => {
                let file = Arc::make_mut(self.files.entry(*file).or_default());
                file.length = file.length.max(*length);
            }
        }
    }

    pub(crate) fn has_folder(&self, path: &str) -> bool {
        path.is_empty() || self.folders.contains(path)
    }

    pub(crate) fn number(&self, path: &str) -> Option<u32> {
        self.names.get(path).copied()
    }

    pub(crate) fn length(&self, path: &str) -> Option<u64> {
        Some(self.files.get(self.names.get(path)?)?.length)
    }

    /// The bytes of a file; junk where they never arrived.
    pub(crate) fn file(&self, path: &str, junk: Junk) -> Option<Vec<u8>> {
        let file = *self.names.get(path)?;
        Some(self.bytes(file, self.files.get(&file)?.length, junk))
    }

    /// The first bytes of a file, with junk where they are missing.
    fn bytes(&self, file: u32, length: u64, junk: Junk) -> Vec<u8> {
        let none = Arc::default();
        let file = self.files.get(&file).unwrap_or(&none);
        let mut bytes = file.bytes.clone();
        bytes.resize(length as usize, 0);
        for sector in 0..bytes.len().div_ceil(SECTOR as usize) {
            if !file.there.get(sector).copied().unwrap_or(false) {
                let from = sector * SECTOR as usize;
                let to = bytes.len().min(from + SECTOR as usize);
                self.fill(&mut bytes[from..to], junk);
            }
        }
        bytes
    }

    fn fill(&self, gap: &mut [u8], junk: Junk) {
        match junk {
            Junk::Zeros => gap.fill(0),
            Junk::Ones => gap.fill(0xFF),
            Junk::Stale => {
                // The end of the longest file: on our sticks a ledger, which is the most dangerous to be mistaken for
                // new lines.
                let old =
                    self.files.values().map(|file| &file.bytes).max_by_key(|bytes| bytes.len());
                let old = old.map_or(&b"\n"[..], |bytes| bytes);
                for (at, byte) in gap.iter_mut().enumerate() {
                    *byte = old.get(at % old.len().max(1)).copied().unwrap_or(b'\n');
                }
            }
        }
    }

    /// Junk is fixed: bytes that stay the same at every read.
    fn settled(mut self, junk: Junk) -> Self {
        for path in self.names.keys().cloned().collect::<Vec<_>>() {
            let bytes = self.file(&path, junk).unwrap_or_default();
            let there = vec![true; bytes.len().div_ceil(SECTOR as usize)];
            let length = bytes.len() as u64;
            self.files.insert(self.names[&path], Arc::new(File { bytes, there, length }));
        }
        // A file without a name is freed.
        let named: BTreeSet<u32> = self.names.values().copied().collect();
        self.files.retain(|file, _| named.contains(file));
        self
    }

    /// Every file, by its path.
    pub(crate) fn all(&self) -> impl Iterator<Item = (&str, Vec<u8>)> {
        self.names
            .keys()
            .map(|path| (path.as_str(), self.file(path, Junk::Zeros).unwrap_or_default()))
    }

    /// The names directly in a folder, and whether each is a folder.
    pub(crate) fn entries(&self, folder: &str) -> Vec<(String, bool)> {
        let within = |path: &str| {
            (parent(path) == folder).then(|| path.rsplit('/').next().unwrap_or(path).to_owned())
        };
        let files = self.names.keys().filter_map(|path| Some((within(path)?, false)));
        let folders = self.folders.iter().filter_map(|path| Some((within(path)?, true)));
        files.chain(folders).collect()
    }
}

/// Which of the changes in flight survive a power failure.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kept {
    /// Which of the last ones: bit 0 is the very last.
    pub(crate) last: u64,
    /// How many changes `last` covers.
    pub(crate) count: usize,
    /// Whether those before them survive.
    pub(crate) earlier: bool,
    /// What is read in gaps.
    pub(crate) junk: Junk,
}

/// A stick's memory.
#[derive(Debug, Clone, Default)]
pub(crate) struct Medium {
    /// As the system sees it.
    memory: Image,
    /// As the device would report it.
    device: Image,
    /// As it is after a power failure that takes everything in flight.
    durable: Image,
    dirty: Vec<Change>,
    handed: Vec<Change>,
    /// Earlier durable images, the oldest first.
    before: VecDeque<Image>,
    next_file: u32,
    /// A worn stick: it accepts writes and keeps nothing of them.
    pub(crate) discards: bool,
}

impl Medium {
    /// The image the system works with.
    pub(crate) fn memory(&self) -> &Image {
        &self.memory
    }

    /// The durable image.
    pub(crate) fn durable(&self) -> &Image {
        &self.durable
    }

    /// Whether the system, the device and the cells agree: otherwise pulling the stick takes something, if only what
    /// the system wrongly believes.
    pub(crate) fn is_at_rest(&self) -> bool {
        self.on_their_way() == 0 && self.memory == self.durable
    }

    /// Number of changes that a power failure may take.
    pub(crate) fn on_their_way(&self) -> usize {
        self.dirty.len() + self.handed.len()
    }

    /// What a reader gets who asks for the medium: the system drops pages that are not dirty; names and lengths stay
    /// cached.
    pub(crate) fn as_the_medium_has_it(&mut self, path: &str) -> Option<Vec<u8>> {
        let file = self.memory.number(path)?;
        if !self.dirty.iter().any(|change| change.of_file(file)) {
            let length = self.memory.length(path)?;
            let bytes = self.device.bytes(file, length, Junk::Zeros);
            let there = vec![true; bytes.len().div_ceil(SECTOR as usize)];
            self.memory.files.insert(file, Arc::new(File { bytes, there, length }));
        }
        self.memory.file(path, Junk::Zeros)
    }

    pub(crate) fn make_folder(&mut self, path: &str) {
        let above: Vec<_> = path.match_indices('/').map(|(at, _)| &path[..at]).collect();
        for folder in above.into_iter().chain([path]) {
            if !self.memory.has_folder(folder) {
                self.change(Change::Folder(folder.to_owned()));
            }
        }
    }

    /// Creates a file and returns its number.
    pub(crate) fn create(&mut self, path: &str) -> u32 {
        self.next_file += 1;
        self.change(Change::Name(path.to_owned(), self.next_file));
        self.next_file
    }

    /// Writes into a file, sector by sector: a sector goes out whole, including its earlier contents.
    pub(crate) fn write(&mut self, file: u32, at: u64, bytes: &[u8]) {
        let end = at + bytes.len() as u64;
        let first = at - at % SECTOR;
        let length = self.memory.files.get(&file).map_or(0, |file| file.length);
        let mut all =
            self.memory.bytes(file, length.max(end), Junk::Zeros).split_off(first as usize);
        all[(at - first) as usize..(end - first) as usize].copy_from_slice(bytes);
        let last = ((end - first).next_multiple_of(SECTOR) as usize).min(all.len());
        for (sector, bytes) in (0..).zip(all[..last].chunks(SECTOR as usize)) {
            let bytes = bytes.to_vec();
            self.change(Change::Bytes { file, at: first + sector * SECTOR, bytes });
        }
        self.change(Change::Length { file, length: end });
    }

    fn change(&mut self, change: Change) {
        self.memory.apply(&change);
        self.dirty.push(change);
    }

    /// Hands changes to the device: all, or those of one file.
    pub(crate) fn hand_over(&mut self, only: Option<u32>) {
        for change in std::mem::take(&mut self.dirty) {
            match only.is_none_or(|file| change.of_file(file)) {
                false => self.dirty.push(change),
                true if self.discards => {}
                true => {
                    self.device.apply(&change);
                    self.handed.push(change);
                }
            }
        }
    }

    /// A sync that fails: changes on their way to the device arrived or did not, and the system marks all of them
    /// clean, so no later sync hands them over. `lost` says which did not arrive.
    pub(crate) fn fail_to_hand_over(&mut self, only: Option<u32>, mut lost: impl FnMut() -> bool) {
        for change in std::mem::take(&mut self.dirty) {
            match only.is_none_or(|file| change.of_file(file)) {
                false => self.dirty.push(change),
                true if lost() => {}
                true => {
                    self.device.apply(&change);
                    self.handed.push(change);
                }
            }
        }
    }

    /// Flushes the device's own memory to the cells: junk in gaps is fixed from now on.
    pub(crate) fn flush(&mut self) {
        self.handed.clear();
        for file in self.device.files.values_mut() {
            let length = file.bytes.len().max(file.length as usize);
            if length > file.bytes.len() || file.there.iter().any(|there| !there) {
                let file = Arc::make_mut(file);
                file.bytes.resize(length, 0);
                file.there = vec![true; length.div_ceil(SECTOR as usize)];
            }
        }
        self.before.push_back(std::mem::replace(&mut self.durable, self.device.clone()));
        if self.before.len() > REMEMBERED {
            self.before.pop_front();
        }
    }

    /// The power fails, or the stick is pulled.
    pub(crate) fn lose_power(&mut self, kept: Kept) {
        let changes: Vec<Change> = self.handed.drain(..).chain(self.dirty.drain(..)).collect();
        let mut image = self.durable.clone();
        for (back, change) in changes.iter().enumerate().map(|(at, c)| (changes.len() - 1 - at, c))
        {
            let keep = match back < kept.count.min(64) {
                true => kept.last >> back & 1 == 1,
                false => kept.earlier,
            };
            if keep && !self.discards {
                image.apply(change);
            }
        }
        self.stand(image.settled(kept.junk));
    }

    /// An orderly unmount: everything is written and nothing is in flight.
    pub(crate) fn settle(&mut self) {
        self.hand_over(None);
        self.stand(self.device.clone().settled(Junk::Zeros));
    }

    /// A device that lied: of what it had reported durable in its last `flushes` it lost, file by file, what `lost`
    /// says. Returns how many flushes it went back.
    pub(crate) fn lose_flushes(&mut self, flushes: usize, mut lost: impl FnMut() -> bool) -> usize {
        let back = flushes.min(self.before.len());
        let Some(earlier) = self.before.len().checked_sub(back).and_then(|at| self.before.get(at))
        else {
            return 0;
        };
        let mut image = self.durable.clone();
        for (path, file) in &self.durable.names {
            if lost() {
                match earlier.names.get(path) {
                    Some(old) => image.files.insert(*file, Arc::clone(&earlier.files[old])),
                    None => {
                        image.names.remove(path);
                        None
                    }
                };
            }
        }
        self.before.clear();
        self.dirty.clear();
        self.handed.clear();
        self.stand(image.settled(Junk::Zeros));
        back
    }

    fn stand(&mut self, image: Image) {
        if image != self.durable {
            self.before.push_back(std::mem::replace(&mut self.durable, image.clone()));
        }
        self.memory = image.clone();
        self.device = image;
    }

    /// Changes a file in its cells, unnoticed.
    pub(crate) fn tamper(&mut self, path: &str, change: impl FnOnce(&mut Vec<u8>)) {
        let Some(mut bytes) = self.durable.file(path, Junk::Zeros) else { return };
        change(&mut bytes);
        let there = vec![true; bytes.len().div_ceil(SECTOR as usize)];
        let file = Arc::new(File { length: bytes.len() as u64, bytes, there });
        for image in [&mut self.memory, &mut self.device, &mut self.durable] {
            if let Some(number) = image.number(path) {
                image.files.insert(number, Arc::clone(&file));
            }
        }
        self.before.clear();
    }

    /// Removes a name from its folder, unnoticed.
    pub(crate) fn remove(&mut self, path: &str) {
        for image in [&mut self.memory, &mut self.device, &mut self.durable] {
            image.names.remove(path);
        }
        self.before.clear();
    }
}
