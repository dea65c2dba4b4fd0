//! A hash of any value. Never random.

use std::hash::{DefaultHasher, Hash, Hasher};

/// A number for what a process draws by chance: equal only where everything that it is drawn from is equal, so that
/// worlds without any other difference are one.
pub(crate) fn mix(of: &impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    of.hash(&mut hasher);
    hasher.finish()
}
