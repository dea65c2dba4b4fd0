//! A number from whatever makes it. Never asks for chance.

use std::hash::{DefaultHasher, Hash, Hasher};

/// A number for what a process draws by chance: equal only where all that it is drawn from is equal, so that worlds
/// that differ by nothing else are one.
pub(crate) fn mix(of: &impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    of.hash(&mut hasher);
    hasher.finish()
}
