//! Whole numbers of equal width, packed one behind the other, the most significant bit first.
//!
//! How wide they are is written nowhere: it follows from how many they are and how many bytes they take.
//! So a row of an earlier layout, whose numbers had one, two, four or eight bytes, is read the same way.
//! What the numbers mean is [`super::row`]'s business.

/// The width of numbers that take a whole 64 bits.
pub(super) const WHOLE_BITS: usize = 64;

/// The widest numbers that are packed: with up to seven bits before it, each still lies within eight
/// bytes. Wider ones take [`WHOLE_BITS`].
const PACKED_BITS_MAX: usize = 56;

/// The width of so many numbers of which `greatest` is the greatest. What would be left of the last
/// byte is shared out among them, or else few numbers could have taken as many bytes at another width.
pub(super) fn bits_for(greatest: u64, numbers: usize) -> usize {
    let needed = (u64::BITS - greatest.leading_zeros()).try_into().unwrap_or(WHOLE_BITS);
    if needed > PACKED_BITS_MAX {
        return WHOLE_BITS;
    }
    (8 * (numbers * needed).div_ceil(8)).checked_div(numbers).unwrap_or(0)
}

/// The width of so many numbers that take these bytes; `None` when no such numbers do.
pub(super) fn bits_each(bytes: &[u8], numbers: usize) -> Option<usize> {
    let bits = (8 * bytes.len()).checked_div(numbers)?;
    let known = bits <= PACKED_BITS_MAX || bits == WHOLE_BITS;
    (known && bytes.len() == (numbers * bits).div_ceil(8)).then_some(bits)
}

/// Packs numbers of this width; what stands above it in one of them must be 0.
pub(super) fn pack(numbers: impl Iterator<Item = i64>, bits: usize) -> Vec<u8> {
    if bits == WHOLE_BITS {
        return numbers.flat_map(i64::to_be_bytes).collect();
    }
    let (mut bytes, mut held, mut held_bits) = (Vec::new(), 0_u64, 0);
    for number in numbers {
        held = held << bits | number.cast_unsigned();
        held_bits += bits;
        while held_bits >= 8 {
            held_bits -= 8;
            bytes.push(low_byte(held >> held_bits));
        }
    }
    if held_bits > 0 {
        bytes.push(low_byte(held << (8 - held_bits)));
    }
    bytes
}

/// The number in this place, of those that [`bits_each`] has found.
pub(super) fn number_at(bytes: &[u8], bits: usize, place: usize) -> i64 {
    if bits == 0 {
        return 0;
    }
    let first_bit = place * bits;
    let from = &bytes[first_bit / 8..];
    let window = from.first_chunk().copied().unwrap_or_else(|| {
        let mut window = [0; 8];
        window[..from.len()].copy_from_slice(from);
        window
    });
    (u64::from_be_bytes(window) << (first_bit % 8) >> (WHOLE_BITS - bits)).cast_signed()
}

fn low_byte(number: u64) -> u8 {
    let [.., low] = number.to_be_bytes();
    low
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn numbers_lie_one_behind_the_other_the_most_significant_bit_first() {
        assert_eq!(pack([0b101, 0b011, 0b110].into_iter(), 3), [0b1010_1111, 0b0000_0000]);
        assert_eq!(pack([0x12, 0x34].into_iter(), 8), [0x12, 0x34]);
        assert_eq!(pack([-1, 7].into_iter(), 64), [[0xff; 8], [0, 0, 0, 0, 0, 0, 0, 7]].concat());
        assert!(pack([0, 0, 0].into_iter(), 0).is_empty());
    }

    #[test]
    fn bytes_that_no_numbers_take_are_refused() {
        assert_eq!(bits_each(&[0; 8], 60), Some(1));
        assert_eq!(bits_each(&[0; 9], 60), None, "a byte too many");
        assert_eq!(bits_each(&[0; 60 * 60 / 8], 60), None, "60 bits are never packed");
        assert_eq!(bits_each(&[0; 8 * 60], 60), Some(64));
        assert_eq!(bits_each(&[0; 9 * 60], 60), None);
        assert_eq!(bits_each(&[], 0), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_numbers_come_back(shift in 0..=63_u32, numbers in prop::collection::vec(any::<u64>(), 1..200)) {
            let numbers: Vec<i64> = numbers.iter().map(|number| (number >> shift).cast_signed()).collect();
            let greatest = numbers.iter().map(|number| number.cast_unsigned()).max().unwrap_or(0);
            let bits = bits_for(greatest, numbers.len());
            let bytes = pack(numbers.iter().copied(), bits);
            prop_assert_eq!(bits_each(&bytes, numbers.len()), Some(bits));
            let read: Vec<i64> = (0..numbers.len()).map(|place| number_at(&bytes, bits, place)).collect();
            prop_assert_eq!(read, numbers);
        }
    }
}
