//! A stick as the program sees it: `VolumeSource` and `Volume` over a [`Medium`], with every fault that a stick has
//! been seen to have. Counts every call; fails, is pulled or loses power at the planned one. Never sleeps and never
//! asks the machine for anything.

use crate::chance::Chance;
use crate::medium::{Junk, Kept, Medium};
use crate::sabotage::Sabotage;
use counterfoil::disk::{
    Access, DiskError, Entry, EntryKind, Lengths, ReadFrom, Sink, Source, Volume, VolumeFacts,
    VolumeSource,
};
use counterfoil::model::RelName;
use rustix::io::Errno;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The panic payload when the power fails.
pub(crate) struct PowerOff;

/// The panic payload when only the program is killed.
pub(crate) struct Killed;

/// A fault at a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mishap {
    /// The call fails with this error, once or from now on.
    Error(Errno, Lasting),
    /// The power of the whole station fails.
    PowerOff,
    /// The program is killed; the system and its memory survive.
    Kill,
    /// The stick is pulled.
    Pull,
}

/// How long an error lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Lasting {
    Once,
    ForEver,
}

/// The state of a stick.
pub(crate) struct State {
    pub(crate) medium: Medium,
    pub(crate) chance: Chance,
    /// It is plugged in.
    pub(crate) plugged: bool,
    /// Numbers of mount and device: different after every plugging.
    pub(crate) mount: u64,
    pub(crate) device: u64,
    pub(crate) serial: Option<String>,
    pub(crate) read_only: bool,
    /// Bytes that still fit.
    pub(crate) room: u64,
    /// Calls so far.
    pub(crate) calls: u64,
    /// Calls that changed something on it or on the way to it, if they are recorded.
    pub(crate) writing: Option<Vec<u64>>,
    /// The planned fault, and the call at which it occurs.
    pub(crate) mishap: Option<(u64, Mishap)>,
    /// An error that lasts.
    pub(crate) failing: Option<Errno>,
    /// Milliseconds that a call takes.
    pub(crate) slow: u64,
    /// The station's clock, in milliseconds.
    pub(crate) clock: Arc<AtomicU64>,
    /// Faults that occurred.
    pub(crate) mishaps: u64,
    /// A fingerprint of all calls.
    pub(crate) trace: u64,
    /// Somebody's change to the mailbox during a pass: between scan and copy, when no thread of the program reads
    /// messages.
    pub(crate) meddling: Option<Meddling>,
    /// The card's folder that is visible where this stick is named by its folder and is not there.
    pub(crate) mount_point: Option<Stick>,
    /// For one sabotage: what was read once.
    pub(crate) believed: BTreeMap<String, Vec<u8>>,
    pub(crate) sabotage: Option<Sabotage>,
}

/// A change to the mailbox meanwhile.
pub(crate) type Meddling = Box<dyn FnOnce() + Send>;

/// A stick; it outlives every volume opened on it.
#[derive(Clone)]
pub(crate) struct Stick(Arc<Mutex<State>>);

/// Room of a stick that is not full.
pub(crate) const AMPLE: u64 = 1 << 30;

impl Stick {
    pub(crate) fn new(number: u64, chance: Chance, clock: Arc<AtomicU64>) -> Self {
        Self(Arc::new(Mutex::new(State {
            medium: Medium::default(),
            chance,
            plugged: false,
            mount: 1,
            // Beyond those that the system below may have.
            device: 1 << 62 | number,
            serial: Some(format!("{number:04X}")),
            read_only: false,
            room: AMPLE,
            calls: 0,
            writing: None,
            mishap: None,
            failing: None,
            slow: 0,
            clock,
            mishaps: 0,
            trace: 0,
            meddling: None,
            mount_point: None,
            believed: BTreeMap::new(),
            sabotage: None,
        })))
    }

    pub(crate) fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Another stick with the same durable bytes.
    pub(crate) fn copied(&self, number: u64, same_serial: bool) -> Self {
        let from = self.state();
        let copy = Self::new(number, from.chance.clone(), Arc::clone(&from.clock));
        let mut to = copy.state();
        to.medium = from.medium.clone();
        to.medium.settle();
        to.sabotage = from.sabotage;
        if same_serial {
            to.serial = from.serial.clone();
        }
        drop(to);
        copy
    }

    /// The same stick in another world: changes there are not visible here.
    pub(crate) fn apart(&self) -> Self {
        let from = self.state();
        Self(Arc::new(Mutex::new(State {
            medium: from.medium.clone(),
            chance: from.chance.clone(),
            serial: from.serial.clone(),
            clock: Arc::clone(&from.clock),
            writing: None,
            meddling: None,
            mount_point: from.mount_point.clone(),
            believed: BTreeMap::new(),
            ..*from
        })))
    }

    /// Plugs the stick in again: another mount, and another device to the system.
    pub(crate) fn plug(&self) {
        self.plug_again();
        self.state().mishap = None;
    }

    /// The same, keeping the planned fault.
    pub(crate) fn plug_again(&self) {
        let mut state = self.state();
        if state.plugged {
            // It was unmounted first.
            state.medium.settle();
        }
        state.plugged = true;
        state.mount += 1;
        state.device += 1_000;
        state.failing = None;
    }

    /// Removes it after an orderly unmount.
    pub(crate) fn pull(&self) {
        let mut state = self.state();
        state.medium.settle();
        state.plugged = false;
    }

    /// Pulls it, or cuts its power; `kept` says what survives.
    pub(crate) fn lose_power(&self, kept: Kept) {
        let mut state = self.state();
        state.medium.lose_power(kept);
        state.plugged = false;
    }

    pub(crate) fn volume_source(&self) -> Arc<dyn VolumeSource> {
        Arc::new(SimVolumeSource(self.clone()))
    }

    /// Counts one call, and lets the planned fault occur at it.
    fn call(&self, operation: &'static str, at: &str) -> Result<MutexGuard<'_, State>, DiskError> {
        let mut state = self.state();
        state.calls += 1;
        state.clock.fetch_add(state.slow, Ordering::Relaxed);
        state.note(operation, at);
        if operation == "look for drive"
            && let Some(meddle) = state.meddling.take()
        {
            meddle();
        }
        if let Some((_, mishap)) = state.mishap.filter(|(call, _)| state.calls >= *call) {
            state.mishap = None;
            state.mishaps += 1;
            match mishap {
                Mishap::PowerOff => {
                    drop(state);
                    std::panic::resume_unwind(Box::new(PowerOff));
                }
                Mishap::Kill => {
                    drop(state);
                    std::panic::resume_unwind(Box::new(Killed));
                }
                Mishap::Pull => state.failing = Some(Errno::NODEV),
                Mishap::Error(errno, Lasting::ForEver) => state.failing = Some(errno),
                Mishap::Error(errno, Lasting::Once) => return Err(state.fail(operation, at, errno)),
            }
            if mishap == Mishap::Pull {
                state.plugged = false;
            }
        }
        match (state.plugged, state.failing) {
            (_, Some(errno)) => Err(state.fail(operation, at, errno)),
            (false, None) => Err(state.fail(operation, at, Errno::NODEV)),
            (true, None) => Ok(state),
        }
    }

    fn writing(
        &self,
        operation: &'static str,
        at: &str,
    ) -> Result<MutexGuard<'_, State>, DiskError> {
        let mut state = self.call(operation, at)?;
        state.changes();
        match state.read_only {
            true => Err(state.fail(operation, at, Errno::ROFS)),
            false => Ok(state),
        }
    }
}

impl State {
    /// Adds to the fingerprint of all calls, by which a replay is compared.
    fn note(&mut self, what: &str, at: &str) {
        for byte in what.bytes().chain(at.bytes()) {
            self.trace = (self.trace ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    fn changes(&mut self) {
        let call = self.calls;
        self.writing.iter_mut().for_each(|calls| calls.push(call));
    }

    fn fail(&mut self, operation: &'static str, at: &str, errno: Errno) -> DiskError {
        self.note("failed", operation);
        DiskError::new(operation, format!("{at} on stick"), errno)
    }

    fn name(&self) -> String {
        format!("{}.{}", self.device, self.mount)
    }

    /// Uses up room; a write that finds none leaves its first half.
    fn write(&mut self, file: u32, at: u64, bytes: &[u8], growth: u64) -> Result<(), Errno> {
        if growth > self.room {
            self.medium.write(file, at, &bytes[..bytes.len() / 2]);
            return Err(Errno::NOSPC);
        }
        self.room -= growth;
        self.medium.write(file, at, bytes);
        Ok(())
    }

    /// An error at a sync: the system marks lost pages clean.
    fn lose_pages(&mut self, only: Option<u32>) {
        let mut chance = self.chance.clone();
        self.medium.fail_to_hand_over(only, || chance.one_in(2));
        self.chance = chance;
    }
}

/// The volume source of a stick.
struct SimVolumeSource(Stick);

impl VolumeSource for SimVolumeSource {
    fn open_unlatched(&self, access: Access) -> Result<Box<dyn Volume>, DiskError> {
        let state = self.0.state();
        let mount_point = state.mount_point.clone().filter(|_| !state.plugged);
        let sabotage = state.sabotage;
        drop(state);
        let shown = mount_point.as_ref().unwrap_or(&self.0);
        let state = shown.call("open drive", "")?;
        let facts = VolumeFacts {
            shown: format!("stick {}", state.serial.as_deref().unwrap_or("?")),
            mount: state.name(),
            longest_file: u64::from(u32::MAX),
            read_only: state.read_only,
            readers: 1,
            device: state.device,
            root: 1,
            serial: state.serial.clone(),
            medium: counterfoil::model::Medium::Usb,
        };
        drop(state);
        let volume = Box::new(SimVolume { stick: shown.clone(), facts });
        Ok(match sabotage {
            Some(how) => how.wrap(volume, self.0.clone(), access),
            None => volume,
        })
    }

    fn still_present(&self, facts: &VolumeFacts) -> bool {
        let state = self.0.state();
        let shown = |stick: &Stick| stick.state().name() == facts.mount;
        match state.plugged {
            true => state.name() == facts.mount,
            false => state.mount_point.as_ref().is_some_and(shown),
        }
    }

    fn shown(&self) -> String {
        "stick".into()
    }
}

struct SimVolume {
    stick: Stick,
    facts: VolumeFacts,
}

impl SimVolume {
    /// Writes into an existing file and returns its number.
    fn write_over(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<u32, DiskError> {
        let at = at.to_string();
        let mut state = self.stick.writing("write", &at)?;
        let Some(file) = state.medium.memory().number(&at) else {
            return Err(state.fail("write", &at, Errno::NOENT));
        };
        let length = state.medium.memory().length(&at).unwrap_or(0);
        if offset > length {
            return Err(state.fail("write", &at, Errno::INVAL));
        }
        let growth = (offset + bytes.len() as u64).saturating_sub(length);
        match state.write(file, offset, bytes, growth) {
            Ok(()) => Ok(file),
            Err(errno) => Err(state.fail("write", &at, errno)),
        }
    }
}

impl Volume for SimVolume {
    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn present(&self) -> Result<(), DiskError> {
        let mut state = self.stick.call("look for drive", "")?;
        match state.name() == self.facts.mount {
            true => Ok(()),
            false => Err(state.fail("look for drive", "", Errno::NODEV)),
        }
    }

    fn room(&self) -> Result<u64, DiskError> {
        Ok(self.stick.call("measure room on", "")?.room)
    }

    fn make_dir(&self, at: &RelName) -> Result<(), DiskError> {
        let at = at.to_string();
        self.stick.writing("make folder", &at)?.medium.make_folder(&at);
        Ok(())
    }

    fn list(&self, at: &RelName, most: usize) -> Result<Vec<Entry>, DiskError> {
        let at = at.to_string();
        let state = self.stick.call("list", &at)?;
        let kind = |folder| if folder { EntryKind::Folder } else { EntryKind::File };
        let entries = state.medium.memory().entries(&at).into_iter().take(most);
        Ok(entries
            .map(|(name, folder)| Entry { name: name.into_bytes(), kind: kind(folder) })
            .collect())
    }

    fn lengths(&self, at: &RelName, most: usize) -> Result<Lengths, DiskError> {
        let at = at.to_string();
        let state = self.stick.call("list", &at)?;
        let memory = state.medium.memory();
        let files = memory.entries(&at).into_iter().filter(|(_, folder)| !folder).take(most);
        let length = |name: &str| memory.length(&format!("{at}/{name}")).unwrap_or(0);
        Ok(files.map(|(name, _)| (length(&name), name)).map(|(n, s)| (s.into_bytes(), n)).collect())
    }

    fn length(&self, at: &RelName) -> Result<Option<u64>, DiskError> {
        let at = at.to_string();
        Ok(self.stick.call("look at", &at)?.medium.memory().length(&at))
    }

    fn create(&self, at: &RelName) -> Result<Box<dyn Sink>, DiskError> {
        let at = at.to_string();
        let mut state = self.stick.writing("create", &at)?;
        let above = at.rsplit_once('/').map_or("", |(above, _)| above);
        if state.medium.memory().number(&at).is_some() {
            return Err(state.fail("create", &at, Errno::EXIST));
        }
        if !state.medium.memory().has_folder(above) {
            return Err(state.fail("create", &at, Errno::NOENT));
        }
        let file = state.medium.create(&at);
        drop(state);
        Ok(Box::new(SimSink { stick: self.stick.clone(), at, file, offset: 0 }))
    }

    fn write_synced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        let file = self.write_over(at, offset, bytes)?;
        // The sync is a call of its own: much may happen between it and the write.
        match self.stick.writing("sync", &at.to_string()) {
            Ok(mut state) => {
                state.medium.hand_over(Some(file));
                state.medium.flush();
                Ok(())
            }
            Err(error) => {
                self.stick.state().lose_pages(Some(file));
                Err(error)
            }
        }
    }

    fn write_unsynced(&self, at: &RelName, offset: u64, bytes: &[u8]) -> Result<(), DiskError> {
        self.write_over(at, offset, bytes).map(drop)
    }

    fn flush(&self) -> Result<(), DiskError> {
        self.sync_all()?;
        let mut state = self.stick.call("flush drive", "")?;
        state.changes();
        state.medium.flush();
        Ok(())
    }

    fn sync_all(&self) -> Result<(), DiskError> {
        match self.stick.call("sync drive", "") {
            Ok(mut state) => {
                state.changes();
                state.medium.hand_over(None);
                Ok(())
            }
            Err(error) => {
                self.stick.state().lose_pages(None);
                Err(error)
            }
        }
    }

    fn read(
        &self,
        at: &RelName,
        offset: u64,
        from: ReadFrom,
    ) -> Result<Box<dyn Source>, DiskError> {
        let at = at.to_string();
        let mut state = self.stick.call("open", &at)?;
        let bytes = match from {
            ReadFrom::Anywhere => state.medium.memory().file(&at, Junk::Zeros),
            ReadFrom::Medium => state.medium.as_the_medium_has_it(&at),
        };
        match bytes {
            Some(bytes) => {
                drop(state);
                let offset = (offset as usize).min(bytes.len());
                Ok(Box::new(SimSource { stick: self.stick.clone(), at, bytes, offset }))
            }
            None => Err(state.fail("open", &at, Errno::NOENT)),
        }
    }
}

struct SimSink {
    stick: Stick,
    at: String,
    file: u32,
    offset: u64,
}

impl Sink for SimSink {
    fn write(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        let mut state = self.stick.writing("write", &self.at)?;
        if let Err(errno) = state.write(self.file, self.offset, bytes, bytes.len() as u64) {
            return Err(state.fail("write", &self.at, errno));
        }
        self.offset += bytes.len() as u64;
        Ok(())
    }
}

struct SimSource {
    stick: Stick,
    at: String,
    bytes: Vec<u8>,
    offset: usize,
}

impl Source for SimSource {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, DiskError> {
        drop(self.stick.call("read", &self.at)?);
        let rest = &self.bytes[self.offset..];
        let got = rest.len().min(into.len());
        into[..got].copy_from_slice(&rest[..got]);
        self.offset += got;
        Ok(got)
    }
}
