//! Chance from a number: the same number, the same history, on any machine. Never asks anything else for chance.

use std::hash::{DefaultHasher, Hash, Hasher};

/// A source of chance, fixed here: a number that once found something must find it for ever.
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014.
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        stir(self.0)
    }

    /// A number below a bound.
    pub(crate) fn below(&mut self, bound: usize) -> usize {
        (self.bits() % bound.max(1) as u64) as usize
    }
}

pub(crate) fn stir(bits: u64) -> u64 {
    let z = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number for what a process draws by chance: equal only where all that it is drawn from is equal, so that worlds
/// that differ by nothing else are one.
pub(crate) fn mix(of: &impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    of.hash(&mut hasher);
    hasher.finish()
}

/// The generator is the published one: its first values for seed 1234567, from memory.
pub(crate) fn check() {
    let mut chance = Chance::new(1_234_567);
    let first = [chance.bits(), chance.bits(), chance.bits()];
    let published =
        [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423];
    assert_eq!(first, published, "the generator is not the one that the numbers belong to");
}
