//! Random numbers that are the same in every run and on every machine.

/// Random numbers from a seed (SplitMix64: Steele, Lea, Flood 2014).
#[derive(Clone)]
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly spread over −1 to 1.
    pub(crate) fn bipolar(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// A generator of its own for one voice, so that the length of one voice does not shift the
    /// noise of the next.
    pub(crate) fn fork(&mut self) -> Random {
        Random(self.next())
    }
}
