//! Numbers that look random and are the same in every run.

/// A generator by G. Marsaglia's xorshift with a multiplication (Vigna, "An experimental exploration of Marsaglia's xorshift
/// generators, scrambled", 2016).
#[derive(Clone, Debug)]
pub(crate) struct Chance(u64);

impl Chance {
    /// The `n`th of the sequences.
    pub(crate) fn sequence(n: u64) -> Chance {
        let mut chance =
            Chance(0x9e37_79b9_7f4a_7c15 ^ (n + 1).wrapping_mul(0xbf58_476d_1ce4_e5b9));
        for _ in 0..8 {
            chance.next();
        }
        chance
    }
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }
    /// From 0 up to `n`, without it.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next()) * n.max(1) as u128) >> 64) as usize
    }
    /// From 0 to 1.
    pub(crate) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
    /// A number from `from` up to, but without, `to`.
    pub(crate) fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.share()
    }
    /// In an order that looks random.
    pub(crate) fn shuffle<T>(&mut self, of: &mut [T]) {
        for i in (1..of.len()).rev() {
            let other = self.below(i + 1);
            of.swap(i, other);
        }
    }
}
