//! A small seeded source of chance, so that every simulated fault can be had again from its seed.
//!
//! `SplitMix64` (Steele, Lea, Flood: "Fast splittable pseudorandom number generators", 2014). It is
//! for simulation alone; nothing here is fit for secrets.

/// A stream of pseudo-random numbers that follows from its seed.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// The stream of this seed.
    pub const fn new(seed: u64) -> Self {
        Random(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    /// True with this probability. A chance of one or more draws nothing, so that a rule that always
    /// holds does not change what a rule beside it draws.
    pub fn happens(&mut self, chance: f64) -> bool {
        chance >= 1.0 || chance > 0.0 && self.fraction() < chance
    }

    /// A number from 0 to just below 1, in steps of 2^-32.
    fn fraction(&mut self) -> f64 {
        let high_half = u32::try_from(self.bits() >> 32).unwrap_or(u32::MAX);
        f64::from(high_half) / 4_294_967_296.0
    }

    /// Flips each bit of `bytes` with the probability `bit_error_rate`; returns how many it flipped.
    pub fn flip_bits(&mut self, bytes: &mut [u8], bit_error_rate: f64) -> u64 {
        let mut flipped = 0;
        for byte in bytes {
            for bit in 0..8 {
                if self.happens(bit_error_rate) {
                    *byte ^= 1 << bit;
                    flipped += 1;
                }
            }
        }
        flipped
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_of_a_seed_is_the_published_one() {
        // The usual check sequence for the seed 1234567; from memory.
        let mut random = Random::new(1_234_567);
        let drawn: Vec<u64> = (0..3).map(|_| random.bits()).collect();
        assert_eq!(drawn, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn chances_of_nothing_and_of_certainty_are_exact() {
        let mut random = Random::new(7);
        assert!((0..1000).all(|_| !random.happens(0.0) && random.happens(1.0)));
    }

    #[test]
    fn bits_are_flipped_as_often_as_the_rate_says() {
        let mut bytes = vec![0; 10_000];
        let flipped = Random::new(42).flip_bits(&mut bytes, 0.01);
        let ones: u32 = bytes.iter().map(|byte| byte.count_ones()).sum();
        assert_eq!(u64::from(ones), flipped);
        assert!((700..900).contains(&flipped), "800 expected of 80,000 bits, got {flipped}");
    }
}
