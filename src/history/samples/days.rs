//! Days: the hours of a UTC day of a signal in one row, written once the day is over.
//!
//! Whoever asks for months or years reads a row a day, where the hours singly would be twenty-four. It is nothing
//! but what `hour` holds, and can be made again from it: a day whose hours change has its rows taken away first,
//! and stands in `loose_day` until they are written anew. What is in no such row is read from `hour`.

use rusqlite::{CachedStatement, Connection, OptionalExtension};

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

/// In an hour's first byte, above the number of the hour: nothing was measured in it.
const NOTHING_MEASURED: u8 = 1 << 5;
/// There is time between its first and its last sample for which nothing was measured.
const IN_PART: u8 = 1 << 6;
/// Its last sample was no measurement.
const ENDS_UNMEASURED: u8 = 1 << 7;

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
        if let Some(packed) = pack(&hours_of(&mut select, signal, day)?) {
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
    /// The day that was read last.
    read: Option<(i64, Day)>,
}

impl<'db> Hours<'db> {
    pub(super) fn of(db: &'db Connection, signal: Number) -> rusqlite::Result<Self> {
        let days = match has_table(db, "day")? {
            true => Some(db.prepare_cached("SELECT hours FROM day WHERE id = ?1")?),
            false => None,
        };
        Ok(Hours { signal, days, hours: db.prepare_cached(hours::SUMMED_UP)?, read: None })
    }

    /// What this hour comes to; `None` when it is open, or has no samples.
    pub(super) fn get(&mut self, hour: i64) -> rusqlite::Result<Option<Stretch>> {
        let day = hour.div_euclid(HOURS);
        if self.read.as_ref().is_none_or(|(read, _)| *read != day) {
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
        match row.and_then(|bytes| unpack(&bytes, day)) {
            Some(hours) => Ok(hours),
            None => hours_of(&mut self.hours, self.signal, day),
        }
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

/// The hours of a day in one row; `None` for no hours, and for such as no sums come to.
fn pack(hours: &Day) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    for (hour, stretch) in (0_u8..).zip(hours) {
        if let Some(stretch) = stretch {
            pack_hour(hour, stretch, &mut bytes)?;
        }
    }
    (!bytes.is_empty()).then_some(bytes)
}

fn pack_hour(hour: u8, stretch: &Stretch, bytes: &mut Vec<u8>) -> Option<()> {
    let Stretch { first_ms, last, totals } = stretch;
    let (first_ms, last_ms) = (first_ms.rem_euclid(HOUR_MS), last.since_ms.rem_euclid(HOUR_MS));
    let flag = |is_set: bool, flag: u8| if is_set { flag } else { 0 };
    let measured_through = totals.measured_ms == last_ms - first_ms;
    let flags = flag(totals.extremes.is_none(), NOTHING_MEASURED)
        | flag(!measured_through, IN_PART)
        | flag(last.value.is_none(), ENDS_UNMEASURED);
    bytes.push(hour | flags);
    bytes.extend(three_bytes(first_ms)?);
    bytes.extend(three_bytes(last_ms)?);
    if !measured_through {
        bytes.extend(three_bytes(totals.measured_ms)?);
    }
    if let Some((least, greatest)) = totals.extremes {
        bytes.extend([least, greatest, totals.value_ms].into_iter().flat_map(f64::to_be_bytes));
    }
    bytes.extend(last.value.into_iter().flat_map(f64::to_be_bytes));
    Some(())
}

fn three_bytes(ms: i64) -> Option<[u8; 3]> {
    let [0, high, middle, low] = u32::try_from(ms).ok()?.to_be_bytes() else { return None };
    Some([high, middle, low])
}

fn unpack(mut bytes: &[u8], day: i64) -> Option<Day> {
    let mut hours = [None; 24];
    while let Some((first, rest)) = bytes.split_first() {
        bytes = rest;
        let has = |flag: u8| first & flag != 0;
        let hour = first & (NOTHING_MEASURED - 1);
        let hour_ms = (day * HOURS + i64::from(hour)) * HOUR_MS;
        let (first_ms, last_ms) = (take_ms(&mut bytes)?, take_ms(&mut bytes)?);
        let measured_ms = if has(IN_PART) { take_ms(&mut bytes)? } else { last_ms - first_ms };
        let mut totals = Totals { measured_ms, ..Totals::default() };
        if !has(NOTHING_MEASURED) {
            totals.extremes = Some((take_number(&mut bytes)?, take_number(&mut bytes)?));
            totals.value_ms = take_number(&mut bytes)?;
        }
        let value = if has(ENDS_UNMEASURED) { None } else { Some(take_number(&mut bytes)?) };
        let last = Held { since_ms: hour_ms + last_ms, value };
        *hours.get_mut(usize::from(hour))? = Some(Stretch { first_ms: hour_ms + first_ms, last, totals });
    }
    Some(hours)
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

    fn any_hour(hour: usize) -> impl Strategy<Value = Option<Stretch>> {
        let start_ms = HOUR_MS * i64::try_from(hour).unwrap_or(0);
        let number =
            || prop_oneof![any::<i16>().prop_map(|n| f64::from(n) / 10.0), Just(-0.0), Just(f64::INFINITY)];
        let extremes = prop::option::of((number(), number(), number()));
        let ms = || 0..HOUR_MS;
        prop::option::of((ms(), ms(), ms(), any::<bool>(), extremes, prop::option::of(number()))).prop_map(
            move |hour| {
                let (one, other, part, through, extremes, value) = hour?;
                let (first, last) = (one.min(other), one.max(other));
                let measured_ms = if through { last - first } else { part };
                let totals = match extremes {
                    Some((least, greatest, value_ms)) => {
                        Totals { extremes: Some((least, greatest)), value_ms, measured_ms }
                    }
                    None => Totals { measured_ms, ..Totals::default() },
                };
                let last = Held { since_ms: start_ms + last, value };
                Some(Stretch { first_ms: start_ms + first, last, totals })
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn hours_come_back_from_the_row_of_their_day(hours in (0..24_usize).map(any_hour).collect::<Vec<_>>()) {
            let hours: Day = std::array::from_fn(|hour| hours[hour]);
            match pack(&hours) {
                Some(bytes) => prop_assert_eq!(unpack(&bytes, 0), Some(hours)),
                None => prop_assert_eq!(hours, [None; 24]),
            }
        }

        #[test]
        fn what_is_no_row_of_a_day_is_refused_or_is_hours(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = unpack(&bytes, 20_000);
        }
    }

    #[test]
    fn an_hour_that_is_cut_off_or_that_no_day_has_is_refused() {
        let last = Held { since_ms: 3_599_000, value: Some(3.2) };
        let totals = Totals { extremes: Some((3.0, 3.4)), value_ms: 11_500_000.0, measured_ms: 3_598_000 };
        let mut hours = [None; 24];
        hours[0] = Some(Stretch { first_ms: 1_000, last, totals });
        let bytes = pack(&hours).unwrap_or_default();
        assert_eq!(bytes.len(), 1 + 3 + 3 + 4 * 8);
        assert!((1..bytes.len()).all(|end| unpack(&bytes[..end], 0).is_none()));
        let hour_24 = [&[24], &bytes[1..]].concat();
        assert_eq!(unpack(&hour_24, 0), None);
    }
}
