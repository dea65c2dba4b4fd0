//! The bytes of messages that the scan has just read, so that their copies are written without reading and hashing the
//! card again. Never the only place of a message: what is not here is read from the card.

use super::Catalogue;
use crate::model::Identity;
use crate::model::limits::MESSAGE_CACHE_BYTES;
use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

/// Messages in memory, by content, `MESSAGE_CACHE_BYTES` at most. One for all who scan and copy at the same time.
#[derive(Default)]
pub struct MessageCache(Mutex<Cached>);

#[derive(Default)]
struct Cached {
    messages: HashMap<Identity, Arc<[u8]>>,
    /// The contents, the first to be dropped in front.
    order: VecDeque<Identity>,
    bytes: usize,
}

impl MessageCache {
    /// Adds a message that was read and hashed. Those that came first make room for it.
    pub fn add(&self, identity: Identity, bytes: Arc<[u8]>) {
        let mut cached = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let length = bytes.len();
        if length > MESSAGE_CACHE_BYTES || cached.messages.contains_key(&identity) {
            return;
        }
        while cached.bytes + length > MESSAGE_CACHE_BYTES {
            let Some(first) = cached.order.pop_front() else { break };
            cached.bytes -= cached.messages.remove(&first).map_or(0, |dropped| dropped.len());
        }
        cached.bytes += length;
        cached.order.push_back(identity);
        cached.messages.insert(identity, bytes);
    }

    /// The bytes of a message, if they are here.
    pub fn get(&self, identity: &Identity) -> Option<Arc<[u8]>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).messages.get(identity).cloned()
    }

    /// Drops everything, once nobody is likely to need it.
    pub fn clear(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Cached::default();
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
}
