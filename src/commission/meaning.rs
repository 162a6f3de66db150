//! What registers may mean: every width, sign, word order and byte order, and which of them fits what
//! the device's display shows.
//!
//! The standard carries registers high byte first and says nothing of values wider than one (Application
//! Protocol V1.1b3, section 4.2): how a device lays them out is its own choice. Pure.

use crate::signal::{Answer, Order, Place, Raw, Table, ValueType, decode};

/// A scale of more decimals than this is not looked for.
const DECIMALS_MAX: u8 = 6;

/// The types that registers may hold.
pub const TYPES: [ValueType; 8] = [
    ValueType::U16,
    ValueType::I16,
    ValueType::U32,
    ValueType::I32,
    ValueType::F32,
    ValueType::U64,
    ValueType::I64,
    ValueType::F64,
];

/// One thing that registers may mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meaning {
    /// Where it lies and how it is laid out.
    pub place: Place,
    /// The number that is then there.
    pub number: f64,
}

/// Every meaning of `words`, which stand from `start` on in `table`: by address, then by width.
pub fn meanings(table: Table, start: u16, words: &[u16]) -> Vec<Meaning> {
    let mut found = Vec::new();
    for address in (start..=u16::MAX).take(words.len()) {
        for value_type in TYPES {
            found.extend(orders(value_type).filter_map(|(word_order, byte_order)| {
                let place = Place { table, address, bit: None, value_type, word_order, byte_order };
                match decode(&place, start, Answer::Registers(words))? {
                    Raw::Number(number) => Some(Meaning { place, number }),
                    Raw::Flag(_) => None,
                }
            }));
        }
    }
    found
}

/// The orders of words and bytes that make a difference to a type, as it stands first.
pub fn orders(value_type: ValueType) -> impl Iterator<Item = (Order, Order)> {
    let words: &[Order] =
        if value_type.width() > 1 { &[Order::HighFirst, Order::LowFirst] } else { &[Order::HighFirst] };
    let bytes = [Order::HighFirst, Order::LowFirst];
    bytes.into_iter().flat_map(move |byte| words.iter().map(move |word| (*word, byte)))
}

/// What a display shows: a number and how exactly it is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The number.
    pub number: f64,
    /// One unit of its last place: a display may round or cut off.
    pub last_place: f64,
}

impl Shown {
    /// A number as it stands on a display, such as `12.3`: without an exponent, and not zero, which
    /// would fit wherever nothing is.
    pub fn parse(text: &str) -> Option<Shown> {
        let plain = text.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
        let number: f64 = text.parse().ok().filter(|_| plain)?;
        let decimals = text.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let last_place = 10_f64.powi(-i32::try_from(decimals).ok()?);
        (number.is_finite() && number != 0.0).then_some(Shown { number, last_place })
    }

    fn fits(&self, number: f64) -> bool {
        // A hair more, so that 0.1 and its like are not lost to their own binary form.
        (number - self.number).abs() <= self.last_place * (1.0 + 1e-9)
    }
}

/// A meaning that fits what a display shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// What the registers mean.
    pub meaning: Meaning,
    /// An integer that holds so many decimals: 123 for 12.3 has one.
    pub decimals: u8,
}

impl Fit {
    /// The number on the display.
    pub fn number(&self) -> f64 {
        self.meaning.number / 10_f64.powi(self.decimals.into())
    }

    /// The lines of the site file that read it so.
    pub fn site_lines(&self) -> Vec<String> {
        let Place { table, address, value_type, word_order, byte_order, .. } = self.meaning.place;
        let mut lines = vec![
            format!("table = \"{}\"", table.word()),
            format!("address = {address}"),
            format!("type = \"{}\"", value_type.word()),
        ];
        let swapped = [("word_order", word_order), ("byte_order", byte_order)];
        let swapped = swapped.into_iter().filter(|(_, order)| *order == Order::LowFirst);
        lines.extend(swapped.map(|(key, _)| format!("{key} = \"low_first\"")));
        if self.decimals > 0 {
            let ten_to = 10_u64.pow(self.decimals.into());
            lines.push(format!("scale = {{ from = [0, {ten_to}], to = [0, 1] }}"));
        }
        lines
    }

    /// The likelier come first: what needs no scale, no swapped bytes, and lies nearest.
    fn unlikeliness(&self, shown: &Shown) -> (bool, u8, bool, f64) {
        let Place { word_order, byte_order, value_type, .. } = self.meaning.place;
        let swapped = u8::from(byte_order == Order::LowFirst) * 2 + u8::from(word_order == Order::LowFirst);
        let wide = value_type.width() > 1 && !is_float(value_type);
        (
            byte_order == Order::LowFirst,
            self.decimals.saturating_add(swapped),
            wide,
            (self.number() - shown.number).abs(),
        )
    }
}

/// The meanings that fit what a display shows, likeliest first.
pub fn fits(meanings: &[Meaning], shown: &Shown) -> Vec<Fit> {
    let mut found: Vec<Fit> = Vec::new();
    for meaning in meanings {
        let scales = if is_float(meaning.place.value_type) { 0..=0 } else { 0..=DECIMALS_MAX };
        // Small numbers fit anything once they are divided often enough.
        let enough = |fit: &Fit| fit.decimals == 0 || meaning.number.abs() >= 10.0;
        let as_fit = scales.map(|decimals| Fit { meaning: *meaning, decimals });
        found.extend(as_fit.filter(|fit| shown.fits(fit.number()) && enough(fit)).take(1));
    }
    found.sort_by(|one, other| {
        one.unlikeliness(shown).partial_cmp(&other.unlikeliness(shown)).unwrap_or(std::cmp::Ordering::Equal)
    });
    found
}

const fn is_float(value_type: ValueType) -> bool {
    matches!(value_type, ValueType::F32 | ValueType::F64)
}

/// The characters of registers, high byte first; a dot where there is none that can be shown.
pub fn text(words: &[u16]) -> String {
    let shown = |byte: u8| if byte.is_ascii_graphic() || byte == b' ' { char::from(byte) } else { '.' };
    words.iter().flat_map(|word| word.to_be_bytes()).map(shown).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// 3.217 as binary32 is 0x404DE354 (Python's `struct.pack('>f', 3.217)`).
    const HIGH: [u16; 2] = [0x404D, 0xE354];

    fn best(words: &[u16], shown: &str) -> Option<Fit> {
        fits(&meanings(Table::Input, 40, words), &Shown::parse(shown).unwrap()).first().copied()
    }

    #[test]
    fn a_float_is_found_under_whatever_order_the_device_lays_it_out() {
        let [a, b] = HIGH;
        let (sa, sb) = (a.swap_bytes(), b.swap_bytes());
        for (words, word_order, byte_order) in [
            ([a, b], Order::HighFirst, Order::HighFirst),
            ([b, a], Order::LowFirst, Order::HighFirst),
            ([sa, sb], Order::HighFirst, Order::LowFirst),
            ([sb, sa], Order::LowFirst, Order::LowFirst),
        ] {
            let fit = best(&words, "3.22").unwrap();
            let place = fit.meaning.place;
            assert_eq!(
                (place.value_type, place.word_order, place.byte_order),
                (ValueType::F32, word_order, byte_order)
            );
            assert_eq!((place.address, fit.decimals), (40, 0));
        }
    }

    #[test]
    fn an_integer_is_found_with_its_decimals_and_told_for_the_site_file() {
        let fit = best(&[0, 123], "12.3").unwrap();
        assert_eq!((fit.meaning.place.address, fit.decimals), (41, 1));
        let lines = [
            "table = \"input\"",
            "address = 41",
            "type = \"u16\"",
            "scale = { from = [0, 10], to = [0, 1] }",
        ];
        assert_eq!(fit.site_lines(), lines);
        let negative = best(&[0xFFFF, 0xFF85], "-12.3").unwrap();
        assert_eq!((negative.meaning.place.value_type, negative.decimals), (ValueType::I16, 1));
    }

    #[test]
    fn the_lines_for_a_swapped_float_name_its_order() {
        let lines = best(&[HIGH[1], HIGH[0]], "3.217").unwrap().site_lines();
        assert_eq!(lines[2..], ["type = \"f32\"", "word_order = \"low_first\""]);
    }

    #[test]
    fn a_display_that_rounds_or_cuts_off_is_understood_and_nothing_further_away() {
        let shown = Shown::parse("12.3").unwrap();
        assert!(shown.fits(12.4) && shown.fits(12.2) && shown.fits(12.399));
        assert!(!shown.fits(12.41) && !shown.fits(12.19));
        for nonsense in ["", "0", "0.00", "1e3", "twelve", "nan", "inf", "1.2.3"] {
            assert_eq!(Shown::parse(nonsense), None, "{nonsense}");
        }
    }

    #[test]
    fn every_meaning_is_there_once_and_wide_ones_only_where_they_have_room() {
        let all = meanings(Table::Holding, 65_534, &[1, 2]);
        // Two registers alone, each in two byte orders and two signs; one pair of three types, four orders.
        assert_eq!(all.len(), 2 * 4 + 3 * 4);
        assert!(all.iter().all(|meaning| meaning.place.end() <= 65_536));
        assert_eq!(meanings(Table::Holding, 0, &[0; 4]).len(), 4 * 4 + 3 * 3 * 4 + 3 * 4);
    }

    #[test]
    fn characters_are_shown_and_what_is_none_is_a_dot() {
        assert_eq!(text(&[0x4832, 0x5300, 0x0A7E]), "H2S..~");
    }
}
