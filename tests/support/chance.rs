//! Random numbers from a seed: the same seed gives the same history on any machine. There is no other source of
//! randomness.

/// A pseudorandom generator. It is fixed here and not taken from a library, whose next version might draw other
/// numbers: a seed that once found something must find it for ever.
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014; the
    /// constants are from memory, and checked below against the published first values for seed 1234567.
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        stir(self.0)
    }

    /// A number below a bound.
    pub(crate) fn below(&mut self, bound: u64) -> u64 {
        self.bits() % bound.max(1)
    }

    /// A random index into this many things.
    pub(crate) fn index(&mut self, count: usize) -> usize {
        self.below(count as u64) as usize
    }

    /// True once in this many times.
    pub(crate) fn one_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    /// One of several; `None` if there are none.
    pub(crate) fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        from.get(self.index(from.len()))
    }

    /// Another generator, independent of this one.
    pub(crate) fn branch(&mut self) -> Self {
        Self(self.bits())
    }
}

/// The generator's output function.
pub(crate) fn stir(bits: u64) -> u64 {
    let z = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The generator is the published one: its first values for seed 1234567, from memory.
pub(crate) fn check() {
    let mut chance = Chance::new(1_234_567);
    let first = [chance.bits(), chance.bits(), chance.bits()];
    let published =
        [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423];
    assert_eq!(first, published, "the generator is not the one that the seeds belong to");
}
