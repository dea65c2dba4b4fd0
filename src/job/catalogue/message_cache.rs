//! The bytes of messages that the scan has just read, so that their copies are written without reading and hashing the
//! card again; and how far a scan may be ahead of the drives that take them from here. Never the only place of a
//! message: what is not here is read from the card.

use super::Catalogue;
use crate::model::Identity;
use crate::model::limits::MESSAGE_CACHE_BYTES;
use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Messages in memory, by content, `MESSAGE_CACHE_BYTES` at most. One for all who scan and copy at the same time.
#[derive(Default)]
pub struct MessageCache {
    cached: Mutex<Cached>,
    /// The scan has recorded more or has ended, or a drive has taken more or has ended.
    changed: Condvar,
}

#[derive(Default)]
struct Cached {
    messages: HashMap<Identity, Arc<[u8]>>,
    /// The contents, the first to be dropped in front.
    order: VecDeque<Identity>,
    bytes: usize,
    /// All bytes ever added.
    added: u64,
    /// As many of them are of messages that the catalogue has.
    recorded: u64,
    /// Portions that the scan has recorded.
    portions: u64,
    /// A scan is under way that drives follow.
    is_scanning: bool,
    drives: Vec<DriveProgress>,
}

/// How far a drive has followed the scan.
#[derive(Default)]
struct DriveProgress {
    /// Portions and bytes recorded when its last run began.
    begun: (u64, u64),
    /// Bytes that it has taken, or passed over; `None` once it takes no more.
    taken: Option<u64>,
}

impl MessageCache {
    fn lock(&self) -> MutexGuard<'_, Cached> {
        self.cached.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a message that was read and hashed. Those that came first make room for it.
    pub fn add(&self, identity: Identity, bytes: Arc<[u8]>) {
        let mut cached = self.lock();
        let length = bytes.len();
        if length > MESSAGE_CACHE_BYTES || cached.messages.contains_key(&identity) {
            return;
        }
        while cached.bytes + length > MESSAGE_CACHE_BYTES {
            let Some(first) = cached.order.pop_front() else { break };
            cached.bytes -= cached.messages.remove(&first).map_or(0, |dropped| dropped.len());
        }
        cached.bytes += length;
        cached.added += length as u64;
        cached.order.push_back(identity);
        cached.messages.insert(identity, bytes);
    }

    /// The bytes of a message, if they are here.
    pub fn get(&self, identity: &Identity) -> Option<Arc<[u8]>> {
        self.lock().messages.get(identity).cloned()
    }

    /// Drops everything, once nobody is likely to need it.
    pub fn clear(&self) {
        let mut cached = self.lock();
        (cached.messages, cached.order, cached.bytes) = Default::default();
    }

    /// Begins a scan that so many drives follow, each with one of these.
    pub fn begin_scan(self: &Arc<Self>, drives: usize) -> (ScanFollowed, Vec<ScanFollower>) {
        let mut cached = self.lock();
        let from = cached.added;
        cached.is_scanning = true;
        let new = || DriveProgress { begun: (0, from), taken: Some(from) };
        cached.drives = std::iter::repeat_with(new).take(drives).collect();
        drop(cached);
        let follower = |number| ScanFollower { cache: Arc::clone(self), number };
        (ScanFollowed { cache: Arc::clone(self) }, (0..drives).map(follower).collect())
    }

    /// Waits until so many more bytes push out nothing that the quickest drive has yet to take. Never for a drive that
    /// has ended, nor for one that is slower than another; not at all if no drive follows.
    pub(in crate::job) fn wait_for_room(&self, bytes: u64) {
        let is_ahead = |cached: &mut Cached| {
            let quickest = cached.drives.iter().filter_map(|drive| drive.taken).max();
            let left = quickest.map_or(0, |taken| cached.added - taken);
            cached.is_scanning && left > 0 && left + bytes > MESSAGE_CACHE_BYTES as u64
        };
        let waited = self.changed.wait_while(self.lock(), is_ahead);
        drop(waited.unwrap_or_else(PoisonError::into_inner));
    }

    /// The catalogue has everything that was added.
    pub(in crate::job) fn portion_recorded(&self) {
        let mut cached = self.lock();
        cached.recorded = cached.added;
        cached.portions += 1;
        drop(cached);
        self.changed.notify_all();
    }
}

/// A scan that drives follow; it ends with the value, whatever happens.
pub struct ScanFollowed {
    cache: Arc<MessageCache>,
}

impl Drop for ScanFollowed {
    fn drop(&mut self) {
        self.cache.lock().is_scanning = false;
        self.cache.changed.notify_all();
    }
}

/// A drive that follows a scan; the scan waits for it no longer once it is dropped.
pub struct ScanFollower {
    cache: Arc<MessageCache>,
    number: usize,
}

impl ScanFollower {
    /// A run over all that is recorded begins, once the first portion is: what has just arrived goes before what was
    /// known. Returns whether the scan will record more.
    pub fn begin_run(&self) -> bool {
        let is_first = |cached: &mut Cached| cached.is_scanning && cached.portions == 0;
        let waited = self.cache.changed.wait_while(self.cache.lock(), is_first);
        let mut cached = waited.unwrap_or_else(PoisonError::into_inner);
        let begun = (cached.portions, cached.recorded);
        cached.drives[self.number].begun = begun;
        cached.is_scanning
    }

    /// That run is over: waits until more is recorded, or the scan has ended.
    pub fn wait_for_more(&self) {
        let mut cached = self.cache.lock();
        let (portions, bytes) = cached.drives[self.number].begun;
        cached.drives[self.number].taken = Some(bytes);
        self.cache.changed.notify_all();
        let is_same = |cached: &mut Cached| cached.is_scanning && cached.portions == portions;
        let waited = self.cache.changed.wait_while(cached, is_same);
        drop(waited.unwrap_or_else(PoisonError::into_inner));
    }
}

impl Drop for ScanFollower {
    fn drop(&mut self) {
        self.cache.lock().drives[self.number].taken = None;
        self.cache.changed.notify_all();
    }
}

impl Catalogue {
    /// The messages in memory.
    pub fn messages(&self) -> &Arc<MessageCache> {
        &self.messages
    }

    /// Uses the messages that others, who scan or copy at the same time, have in memory.
    pub fn share_messages(&mut self, messages: &Arc<MessageCache>) {
        self.messages = Arc::clone(messages);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn message(number: usize, length: usize) -> (Identity, Arc<[u8]>) {
        let mut bytes = vec![b'.'; length];
        bytes.splice(.., number.to_le_bytes().into_iter().chain(vec![b'.'; length]));
        bytes.truncate(length.max(8));
        (Identity::of(&bytes), bytes.into())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        /// Whatever is added, the bytes in memory stay below the bound, the latest message is there, and what is there
        /// is what was added.
        #[test]
        fn the_latest_messages_are_there_and_the_bound_holds(
            lengths in prop::collection::vec(8..MESSAGE_CACHE_BYTES / 3, 1..24),
        ) {
            let cache = MessageCache::default();
            let mut added = Vec::new();
            for (number, length) in lengths.into_iter().enumerate() {
                let (identity, bytes) = message(number, length);
                cache.add(identity, Arc::clone(&bytes));
                added.push((identity, bytes));
                let there: Vec<_> = added.iter().map(|(of, _)| cache.get(of)).collect();
                let held: usize = there.iter().flatten().map(|bytes| bytes.len()).sum();
                prop_assert!(held <= MESSAGE_CACHE_BYTES);
                let first = there.iter().position(Option::is_some).unwrap();
                let mut those = there.iter().zip(&added);
                prop_assert!(those.by_ref().take(first).all(|(there, _)| there.is_none()));
                prop_assert!(those.all(|(there, (_, bytes))| there.as_ref() == Some(bytes)));
            }
            cache.clear();
            prop_assert!(added.iter().all(|(of, _)| cache.get(of).is_none()));
        }
    }

    /// Adds messages, four times as many as there is room for, as a scan does.
    fn scan(cache: &MessageCache, recorded: &Mutex<Vec<Identity>>) {
        for portion in 0..16 {
            let new: Vec<_> = (0..8).map(|n| message(portion * 8 + n, 256 << 10)).collect();
            cache.wait_for_room(new.iter().map(|(_, bytes)| bytes.len() as u64).sum());
            let identities = new.iter().map(|(identity, _)| *identity).collect::<Vec<_>>();
            new.into_iter().for_each(|(identity, bytes)| cache.add(identity, bytes));
            recorded.lock().unwrap().extend(identities);
            cache.portion_recorded();
        }
    }

    /// Follows a scan to its end; how many messages were recorded, and how many of them were in memory.
    fn follow(
        cache: &MessageCache,
        drive: &ScanFollower,
        recorded: &Mutex<Vec<Identity>>,
    ) -> (usize, usize) {
        let (mut taken, mut there) = (0, 0);
        loop {
            let is_scanning = drive.begin_run();
            let all = recorded.lock().unwrap().clone();
            there += all[taken..].iter().filter(|of| cache.get(of).is_some()).count();
            taken = all.len();
            if !is_scanning {
                return (taken, there);
            }
            drive.wait_for_more();
        }
    }

    /// A drive that hangs, or ends at once, takes part and changes nothing.
    #[test]
    fn the_quickest_drive_finds_everything_in_memory() {
        let (cache, recorded) = (Arc::new(MessageCache::default()), Mutex::default());
        let (scanning, mut drives) = cache.begin_scan(3);
        let (quickest, hung) = (drives.remove(0), drives.remove(0));
        drop(drives);
        std::thread::scope(|scope| {
            let follower = scope.spawn(|| follow(&cache, &quickest, &recorded));
            scan(&cache, &recorded);
            drop(scanning);
            assert_eq!(follower.join().unwrap(), (128, 128));
        });
        drop(hung);
    }

    #[test]
    fn a_scan_waits_for_no_drive_that_has_ended() {
        for drives in 0..3 {
            let (cache, recorded) = (Arc::new(MessageCache::default()), Mutex::default());
            let (scanning, drives) = cache.begin_scan(drives);
            std::thread::scope(|scope| {
                scope.spawn(|| scan(&cache, &recorded));
                drop(drives);
            });
            drop(scanning);
            // Nor does one that no drive follows.
            scan(&cache, &recorded);
        }
    }
}
