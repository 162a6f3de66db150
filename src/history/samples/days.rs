//! Days: the hours of a UTC day of a signal in one row, written once the day is over.
//!
//! Whoever asks for months or years reads a row a day, where the hours singly would be twenty-four. It is nothing
//! but what `hour` holds, and can be made again from it: a day whose hours change has its rows taken away first,
//! and stands in `loose_day` until they are written anew. What is in no such row is read from `hour`.

use rusqlite::{CachedStatement, Connection, Error, OptionalExtension};

use crate::history::samples::held::{HOUR_MS, Held, Stretch, Totals};
use crate::history::samples::hours;
use crate::history::samples::store::OpenMinutes;
use crate::history::samples::table::{Number, has_table};

/// The fifth layout. Days that are over already stay as they are.
pub(super) const WHOLE_DAYS: &str = "
    CREATE TABLE day (id INTEGER PRIMARY KEY, hours BLOB NOT NULL) STRICT;
    CREATE TABLE loose_day (day INTEGER PRIMARY KEY) STRICT;
";

/// Hours in a day.
const HOURS: i64 = 24;
/// Minutes in a day.
const MINUTES: i64 = 24 * 60;
/// How far a signal is shifted in the number of its rows.
const DAY_BITS: u32 = 22;
/// Days before 1970, and later ones than there is room for, are left as hours.
const DAYS_MAX: i64 = 1 << DAY_BITS;

/// In an hour's first byte: nothing was measured in it.
const NOTHING_MEASURED: u8 = 1 << 0;
/// There is time between its first and its last sample for which nothing was measured.
const IN_PART: u8 = 1 << 1;
/// Its last sample was no measurement.
const ENDS_UNMEASURED: u8 = 1 << 2;

/// In the map of a day's hours.
const FIRST_HOUR: i64 = 1 << 23;

/// The hours of a day, each in its place.
type Day = [Option<Stretch>; 24];

/// An hour is about to change: so is the row of its day.
pub(super) fn loosen(db: &Connection, hour: i64) -> rusqlite::Result<()> {
    let day = hour.div_euclid(HOURS);
    if !(0..DAYS_MAX).contains(&day) {
        return Ok(());
    }
    let loosened = db.prepare_cached("INSERT OR IGNORE INTO loose_day VALUES (?1)")?.execute([day])?;
    if loosened > 0 {
        db.prepare_cached("DELETE FROM day WHERE id IN (SELECT (id << ?1) | ?2 FROM signal)")?
            .execute((DAY_BITS, day))?;
    }
    Ok(())
}

/// An hour was given up: its day is not whole any more, and does not become so.
pub(super) fn give_up(db: &Connection, hour: i64) -> rusqlite::Result<()> {
    loosen(db, hour)?;
    db.prepare_cached("DELETE FROM loose_day WHERE day = ?1")?.execute([hour.div_euclid(HOURS)])?;
    Ok(())
}

/// Writes the rows of the next day that is over and whose hours are summed up, if there is one.
pub(super) fn write_next(db: &Connection, open: OpenMinutes) -> rusqlite::Result<()> {
    let next: Option<i64> = db
        .prepare_cached(
            "SELECT day FROM loose_day WHERE ((day + 1) * ?1 <= ?2 OR day * ?1 > ?3)
             AND NOT EXISTS (SELECT 1 FROM open_hour WHERE hour >= day * ?4 AND hour < (day + 1) * ?4)
             ORDER BY day LIMIT 1",
        )?
        .query_row((MINUTES, open.first(), open.last(), HOURS), |row| row.get(0))
        .optional()?;
    let Some(day) = next else { return Ok(()) };
    let signals: Vec<Number> = db
        .prepare_cached("SELECT id FROM signal")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let mut select = db.prepare_cached(hours::SUMMED_UP)?;
    let mut insert = db.prepare_cached("INSERT OR REPLACE INTO day VALUES (?1, ?2)")?;
    for signal in signals {
        let packed = match hours_of(&mut select, signal, day) {
            Ok(hours) => pack(&hours, day),
            // Whoever asks for these hours is told so; the writer has new ones to write.
            Err(error) if is_no_hour(&error) => None,
            Err(error) => return Err(error),
        };
        if let Some(packed) = packed {
            insert.execute((row_id(signal, day), packed))?;
        }
    }
    db.prepare_cached("DELETE FROM loose_day WHERE day = ?1")?.execute([day])?;
    Ok(())
}

/// The hours of one signal that are summed up, as they are asked for.
pub(super) struct Hours<'db> {
    signal: Number,
    /// None in a file of an earlier layout, that no daemon has opened since.
    days: Option<CachedStatement<'db>>,
    hours: CachedStatement<'db>,
    next_hour: CachedStatement<'db>,
    /// The day that was read last.
    read: Option<(i64, Day)>,
    /// In the days after it, there is nothing before this hour.
    next: i64,
}

impl<'db> Hours<'db> {
    pub(super) fn of(db: &'db Connection, signal: Number) -> rusqlite::Result<Self> {
        let days = match has_table(db, "day")? {
            true => Some(db.prepare_cached("SELECT hours FROM day WHERE id = ?1")?),
            false => None,
        };
        let hours = db.prepare_cached(hours::SUMMED_UP)?;
        let next = db.prepare_cached("SELECT min(hour) FROM hour WHERE signal = ?1 AND hour >= ?2")?;
        Ok(Hours { signal, days, hours, next_hour: next, read: None, next: i64::MIN })
    }

    /// What this hour comes to; `None` when it is open, or has no samples. Hours are asked for in their order.
    pub(super) fn get(&mut self, hour: i64) -> rusqlite::Result<Option<Stretch>> {
        let day = hour.div_euclid(HOURS);
        if self.read.as_ref().is_none_or(|(read, _)| *read != day) {
            if hour < self.next {
                return Ok(None);
            }
            self.read = Some((day, self.day(day)?));
        }
        Ok(self.read.as_ref().and_then(|(_, hours)| hours[place(hour)]))
    }

    fn day(&mut self, day: i64) -> rusqlite::Result<Day> {
        let days = self.days.as_mut().filter(|_| (0..DAYS_MAX).contains(&day));
        let row: Option<Vec<u8>> = match days {
            Some(days) => days.query_row([row_id(self.signal, day)], |row| row.get(0)).optional()?,
            None => None,
        };
        if let Some(hours) = row.and_then(|bytes| unpack(&bytes, day)) {
            return Ok(hours);
        }
        let hours = hours_of(&mut self.hours, self.signal, day)?;
        if hours.iter().all(Option::is_none) {
            // A year without samples costs nothing.
            let after = (self.signal, (day + 1) * HOURS);
            let next: Option<i64> = self.next_hour.query_row(after, |row| row.get(0))?;
            self.next = next.unwrap_or(i64::MAX);
        }
        Ok(hours)
    }
}

fn row_id(signal: Number, day: i64) -> i64 {
    signal << DAY_BITS | day
}

/// The place of an hour in its day.
fn place(hour: i64) -> usize {
    usize::try_from(hour.rem_euclid(HOURS)).unwrap_or(0)
}

fn hours_of(summed_up: &mut CachedStatement<'_>, signal: Number, day: i64) -> rusqlite::Result<Day> {
    let mut hours = [None; 24];
    let mut rows = summed_up.query((signal, day * HOURS, (day + 1) * HOURS))?;
    while let Some(row) = rows.next()? {
        let (hour, stretch) = hours::summed_up(row)?;
        hours[place(hour)] = Some(stretch);
    }
    Ok(hours)
}

/// What a row holds is no hour: damage, and none of the disk.
fn is_no_hour(error: &rusqlite::Error) -> bool {
    matches!(error, Error::InvalidColumnType(..) | Error::IntegralValueOutOfRange(..))
}

/// The hours of a day in one row: which there are, a bit for each, the first the highest, and one after the other.
/// `None` for no hours, and for such as no samples come to.
fn pack(hours: &Day, day: i64) -> Option<Vec<u8>> {
    let bit = |hour: &Option<Stretch>| u32::from(hour.is_some());
    let map = hours.iter().fold(0, |map, hour| map << 1 | bit(hour));
    let mut bytes = three_bytes(map.into())?.to_vec();
    for (hour, stretch) in (day * HOURS..).zip(hours) {
        if let Some(stretch) = stretch {
            pack_hour(stretch, hour * HOUR_MS, &mut bytes)?;
        }
    }
    (map != 0).then_some(bytes)
}

fn pack_hour(stretch: &Stretch, hour_ms: i64, bytes: &mut Vec<u8>) -> Option<()> {
    let Stretch { first_ms, last, totals } = is_sound(stretch, hour_ms).then_some(stretch)?;
    let flag = |is_set: bool, flag: u8| if is_set { flag } else { 0 };
    let in_part = totals.measured_ms != last.since_ms - first_ms;
    bytes.push(
        flag(totals.extremes.is_none(), NOTHING_MEASURED)
            | flag(in_part, IN_PART)
            | flag(last.value.is_none(), ENDS_UNMEASURED),
    );
    bytes.extend(three_bytes(first_ms - hour_ms)?);
    bytes.extend(three_bytes(last.since_ms - hour_ms)?);
    if in_part {
        bytes.extend(three_bytes(totals.measured_ms)?);
    }
    if let Some((least, greatest)) = totals.extremes {
        bytes.extend([least, greatest, totals.value_ms].into_iter().flat_map(f64::to_be_bytes));
    }
    bytes.extend(last.value.into_iter().flat_map(f64::to_be_bytes));
    Some(())
}

/// Whether samples of this hour can come to that.
fn is_sound(stretch: &Stretch, hour_ms: i64) -> bool {
    let Stretch { first_ms, last, totals } = stretch;
    let is_in_hour = hour_ms <= *first_ms && *first_ms <= last.since_ms && last.since_ms < hour_ms + HOUR_MS;
    // What is no number is neither less nor greater than another.
    let values = match totals.extremes {
        Some((least, greatest)) => least <= greatest && !totals.value_ms.is_nan(),
        None => totals.value_ms == 0.0,
    };
    is_in_hour
        && (0..=last.since_ms.saturating_sub(*first_ms)).contains(&totals.measured_ms)
        && values
        && !last.value.is_some_and(f64::is_nan)
}

fn three_bytes(ms: i64) -> Option<[u8; 3]> {
    let [0, high, middle, low] = u32::try_from(ms).ok()?.to_be_bytes() else { return None };
    Some([high, middle, low])
}

/// The hours that lie in a row; `None` when it is damaged.
fn unpack(mut bytes: &[u8], day: i64) -> Option<Day> {
    let map = take_ms(&mut bytes)?;
    let mut hours = [None; 24];
    for ((nth, hour), place) in (0..).zip(day * HOURS..).zip(&mut hours) {
        if map << nth & FIRST_HOUR != 0 {
            *place = Some(unpack_hour(hour * HOUR_MS, &mut bytes)?);
        }
    }
    (map != 0 && bytes.is_empty()).then_some(hours)
}

fn unpack_hour(hour_ms: i64, bytes: &mut &[u8]) -> Option<Stretch> {
    let ([flags], rest) = bytes.split_first_chunk()?;
    *bytes = rest;
    let has = |flag: u8| flags & flag != 0;
    let (first_ms, last_ms) = (hour_ms + take_ms(bytes)?, hour_ms + take_ms(bytes)?);
    let measured_ms = if has(IN_PART) { take_ms(bytes)? } else { last_ms - first_ms };
    let mut totals = Totals { measured_ms, ..Totals::default() };
    if !has(NOTHING_MEASURED) {
        totals.extremes = Some((take_number(bytes)?, take_number(bytes)?));
        totals.value_ms = take_number(bytes)?;
    }
    let value = if has(ENDS_UNMEASURED) { None } else { Some(take_number(bytes)?) };
    let stretch = Stretch { first_ms, last: Held { since_ms: last_ms, value }, totals };
    (*flags < ENDS_UNMEASURED << 1 && is_sound(&stretch, hour_ms)).then_some(stretch)
}

fn take_ms(bytes: &mut &[u8]) -> Option<i64> {
    let ([high, middle, low], rest) = bytes.split_first_chunk()?;
    *bytes = rest;
    Some(u32::from_be_bytes([0, *high, *middle, *low]).into())
}

fn take_number(bytes: &mut &[u8]) -> Option<f64> {
    let (number, rest) = bytes.split_first_chunk()?;
    *bytes = rest;
    Some(f64::from_be_bytes(*number))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const DAY: i64 = 20_000;

    fn any_hour(hour: i64) -> impl Strategy<Value = Option<Stretch>> {
        let hour_ms = HOUR_MS * (DAY * HOURS + hour);
        let number =
            || prop_oneof![any::<i16>().prop_map(|n| f64::from(n) / 10.0), Just(-0.0), Just(f64::INFINITY)];
        let extremes = prop::option::of((number(), number(), number()));
        let ms = || 0..HOUR_MS;
        prop::option::of((ms(), ms(), ms(), any::<bool>(), extremes, prop::option::of(number()))).prop_map(
            move |hour| {
                let (one, other, part, through, extremes, value) = hour?;
                let (first, last) = (one.min(other), one.max(other));
                let measured_ms = if through { last - first } else { part.min(last - first) };
                let totals = match extremes {
                    Some((one, other, value_ms)) => {
                        Totals { extremes: Some((one.min(other), one.max(other))), value_ms, measured_ms }
                    }
                    None => Totals { measured_ms, ..Totals::default() },
                };
                let last = Held { since_ms: hour_ms + last, value };
                Some(Stretch { first_ms: hour_ms + first, last, totals })
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn hours_come_back_from_the_row_of_their_day(hours in (0..HOURS).map(any_hour).collect::<Vec<_>>()) {
            let hours: Day = std::array::from_fn(|hour| hours[hour]);
            match pack(&hours, DAY) {
                Some(bytes) => {
                    prop_assert!((0..bytes.len()).all(|end| unpack(&bytes[..end], DAY).is_none()));
                    prop_assert_eq!(unpack(&bytes, DAY), Some(hours));
                    prop_assert_eq!(unpack(&[&bytes[..], &[0]].concat(), DAY), None);
                }
                None => prop_assert_eq!(hours, [None; 24]),
            }
        }

        #[test]
        fn what_is_no_row_of_a_day_is_refused_or_is_hours(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = unpack(&bytes, 20_000);
        }
    }

    #[test]
    fn hours_that_no_samples_come_to_are_in_no_row() {
        let hour_ms = DAY * HOURS * HOUR_MS;
        let last = Held { since_ms: hour_ms + 3_599_000, value: Some(3.2) };
        let totals = Totals { extremes: Some((3.0, 3.4)), value_ms: 11_500_000.0, measured_ms: 3_598_000 };
        let sound = Stretch { first_ms: hour_ms + 1_000, last, totals };
        let packed = |stretch: Stretch| {
            let mut hours = [None; 24];
            hours[0] = Some(stretch);
            pack(&hours, DAY)
        };
        let bytes = packed(sound).unwrap_or_default();
        assert_eq!(bytes.len(), 3 + 1 + 3 + 3 + 4 * 8);
        let of = |extremes, value_ms, measured_ms| Stretch {
            totals: Totals { extremes, value_ms, measured_ms },
            ..sound
        };
        for unsound in [
            of(Some((3.4, 3.0)), 0.0, 0),
            of(Some((f64::NAN, 3.0)), 0.0, 0),
            of(Some((3.0, 3.4)), f64::NAN, 0),
            of(Some((3.0, 3.4)), 0.0, 3_598_001),
            of(Some((3.0, 3.4)), 0.0, -1),
            Stretch { first_ms: hour_ms - 1, ..sound },
            Stretch { first_ms: hour_ms + 3_599_001, ..sound },
            Stretch { last: Held { since_ms: hour_ms + HOUR_MS, ..last }, ..sound },
        ] {
            assert_eq!(packed(unsound), None, "{unsound:?}");
        }
        // The same in a row: its least value made no number, a flag that there is not, a map without it.
        let with = |at: usize, byte: u8| {
            let mut bytes = bytes.clone();
            bytes[at] = byte;
            unpack(&bytes, DAY)
        };
        assert!(with(0, 0x80).is_some() && with(10, 0x40).is_some());
        assert_eq!([with(0, 0), with(0, 0xc0), with(3, 8), with(10, 0x7f)], [None; 4]);
    }
}
