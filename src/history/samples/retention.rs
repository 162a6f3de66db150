//! How long samples are kept: up to their age, and up to the size the file may have.
//!
//! The oldest minutes are given up first, a few at a time; their hours stay until they are past their
//! age themselves. Freed pages are used again, and the file is never rebuilt. It begins before the file
//! is full: a completely full one could not even delete.

use rusqlite::Connection;

use crate::history::samples::days;
use crate::history::samples::held::{HOUR_MS, MINUTE_MS, wall};
use crate::history::samples::table::{first_id, minute_and_signal};
use crate::moment::Wall;

/// Share of the size limit, in percent, that is filled before the oldest minutes are given up.
const FILLED_PERCENT_MAX: i64 = 90;
/// The smallest file that is of any use.
const PAGES_MIN: i64 = 256;
/// Minutes given up at once. More than one for each that is written is enough, and keeps a clock that
/// was set wrong for an hour from emptying the file.
const MINUTES_AT_ONCE: usize = 2;

/// So much of the newest samples is kept when the file is nearly full, and hours without samples go instead: they
/// would fill a small file in time, and no sample would have room in it.
const MINUTES_KEPT: i64 = 6 * 60;

/// So many pages are free before minutes are given up to make room on the disk: with them the file goes
/// on for an hour at a large site without growing.
const PAGES_FREE: i64 = 8_192;
/// A smaller file grows all the same: it could never have that many free, and would lose each minute as soon as it
/// is written. What it takes of the disk until then, events do not need.
const PAGES_TO_MAKE_ROOM_MIN: i64 = 2 * PAGES_FREE;

/// Minutes that were given up before they were past their age.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::history) struct MadeRoom {
    /// Where the first of them begins.
    pub(in crate::history) from: Wall,
    /// Where the last of them ends.
    pub(in crate::history) to: Wall,
    /// What was short: the size the file may have, or free space on the disk.
    pub(in crate::history) cause: &'static str,
}

impl MadeRoom {
    /// Those that were given up before together with those after them, for want of what the later ones were.
    pub(in crate::history) fn both(before: Option<MadeRoom>, after: Option<MadeRoom>) -> Option<MadeRoom> {
        let (Some(first), Some(last)) = (before, after) else { return before.or(after) };
        Some(MadeRoom { from: first.from.min(last.from), to: first.to.max(last.to), cause: last.cause })
    }
}

/// Gives up the oldest minutes when they begin before `oldest_kept`, when the file is nearly full, or
/// to make room for the next ones; returns those that went before their age.
pub(super) fn trim(
    db: &mut Connection,
    oldest_kept: Wall,
    pages_max: i64,
    make_room: bool,
) -> rusqlite::Result<Option<MadeRoom>> {
    let transaction = db.transaction()?;
    let oldest_minute = oldest_kept.as_millisecond().div_euclid(MINUTE_MS);
    let mut made_room = None;
    for _ in 0..MINUTES_AT_ONCE {
        let (used, free) = pages(&transaction)?;
        let makes_room = make_room && used + free >= PAGES_TO_MAKE_ROOM_MIN && free < PAGES_FREE;
        let is_nearly_full = used > pages_max / 100 * FILLED_PERCENT_MAX;
        let ends = "SELECT (SELECT min(id) FROM minute), (SELECT max(id) FROM minute)";
        let ends: (Option<i64>, Option<i64>) =
            transaction.prepare_cached(ends)?.query_row([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let minute = |id: Option<i64>| id.map(|id| minute_and_signal(id).0);
        let (Some(first), Some(last)) = (minute(ends.0), minute(ends.1)) else { break };
        let is_past_its_age = first < oldest_minute;
        if !(is_past_its_age || is_nearly_full || makes_room) {
            break;
        }
        let few_are_left = is_nearly_full && !is_past_its_age && last - first < MINUTES_KEPT;
        // What fills the file then is hours.
        if few_are_left && let Some(hour) = Oldest::read(&transaction)?.without_samples() {
            give_up_hour(&transaction, hour)?;
            let early =
                MadeRoom { from: wall(hour * HOUR_MS), to: wall((hour + 1) * HOUR_MS), cause: "max_size" };
            made_room = MadeRoom::both(made_room, Some(early));
            continue;
        }
        transaction.prepare_cached("DELETE FROM minute WHERE id < ?1")?.execute([first_id(first + 1)])?;
        if !is_past_its_age {
            let begin = |minute: i64| wall(minute.saturating_mul(MINUTE_MS));
            let cause = if is_nearly_full { "max_size" } else { "free_space" };
            let early = MadeRoom { from: begin(first), to: begin(first + 1), cause };
            made_room = MadeRoom::both(made_room, Some(early));
        }
    }
    trim_hours(&transaction, oldest_kept)?;
    transaction
        .prepare_cached("DELETE FROM late_minute WHERE minute < (SELECT min(id) >> 10 FROM minute)")?
        .execute([])?;
    transaction.commit()?;
    Ok(made_room)
}

/// The oldest hours of any signal.
pub(super) struct Oldest {
    /// That has a minute left.
    pub(super) sampled: Option<i64>,
    /// That is summed up.
    pub(super) summed_up: Option<i64>,
}

impl Oldest {
    pub(super) fn read(db: &Connection) -> rusqlite::Result<Self> {
        // Hours are keyed by signal: asked for of all at once, each of them would be looked at.
        let oldest = "SELECT (SELECT min(id) >> 10 FROM minute),
            (SELECT min(oldest) FROM (SELECT (SELECT min(hour) FROM hour WHERE signal = id) AS oldest FROM signal))";
        db.prepare_cached(oldest)?.query_row([], |row| {
            let minute: Option<i64> = row.get(0)?;
            let sampled = minute.map(|minute| (minute * MINUTE_MS).div_euclid(HOUR_MS));
            Ok(Oldest { sampled, summed_up: row.get(1)? })
        })
    }

    /// The oldest hour, when none of its minutes is left: they would not be found without it.
    fn without_samples(&self) -> Option<i64> {
        self.summed_up.filter(|hour| self.sampled.is_none_or(|sampled| *hour < sampled))
    }
}

fn give_up_hour(db: &Connection, hour: i64) -> rusqlite::Result<()> {
    db.prepare_cached("DELETE FROM hour WHERE signal IN (SELECT id FROM signal) AND hour = ?1")?
        .execute([hour])?;
    days::give_up(db, hour)
}

/// Gives up the oldest hour when it is over before `oldest_kept`, and none of its minutes is left. One at a time, for the same reason as minutes.
fn trim_hours(db: &Connection, oldest_kept: Wall) -> rusqlite::Result<()> {
    let first_kept = oldest_kept.as_millisecond().div_euclid(HOUR_MS);
    let oldest = Oldest::read(db)?.without_samples().filter(|hour| *hour < first_kept);
    oldest.map_or(Ok(()), |hour| give_up_hour(db, hour))
}

/// Sets the hard stop on the file's size, and returns it in pages.
pub(super) fn limit_size(db: &Connection, max_size_bytes: u64) -> rusqlite::Result<i64> {
    let page_bytes: u32 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    let pages = i64::try_from(max_size_bytes / u64::from(page_bytes.max(1))).unwrap_or(i64::MAX);
    // SQLite numbers pages with 32 bits.
    let pages = pages.clamp(PAGES_MIN, i64::from(u32::MAX) - 1);
    db.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))?;
    Ok(pages)
}

/// What is in use of the file, in bytes.
pub(super) fn used_bytes(db: &Connection) -> rusqlite::Result<u64> {
    let (used, _) = pages(db)?;
    bytes(db, used)
}

/// How large it grows before the oldest minutes make room, in bytes.
pub(super) fn filled_bytes_max(db: &Connection, pages_max: i64) -> rusqlite::Result<u64> {
    bytes(db, pages_max / 100 * FILLED_PERCENT_MAX)
}

fn bytes(db: &Connection, pages: i64) -> rusqlite::Result<u64> {
    let page_bytes: u32 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    Ok(u64::try_from(pages).unwrap_or(0).saturating_mul(page_bytes.into()))
}

/// Pages in use, and pages free to be used again.
fn pages(db: &Connection) -> rusqlite::Result<(i64, i64)> {
    let all: i64 = db.pragma_query_value(None, "page_count", |row| row.get(0))?;
    let free: i64 = db.pragma_query_value(None, "freelist_count", |row| row.get(0))?;
    Ok((all - free, free))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::history::samples::layout::LAYOUT;
    use crate::history::samples::store::OpenMinutes;

    /// A history with minutes of one signal, each of so many bytes.
    fn history(minutes: i64, bytes: i64) -> Connection {
        let db = Connection::open_in_memory().unwrap();
        db.pragma_update(None, "page_size", LAYOUT.page_bytes).unwrap();
        LAYOUT.migrations.iter().for_each(|step| db.execute_batch(step).unwrap());
        db.pragma_update(None, "foreign_keys", false).unwrap();
        for minute in 0..minutes {
            let insert = "INSERT INTO minute (id, samples, coding, offsets) VALUES (?1, 1, 0, zeroblob(?2))";
            db.execute(insert, (first_id(minute), bytes)).unwrap();
        }
        db
    }

    /// So many minutes are left after a while in which the disk is short of room.
    fn left_when_short(db: &mut Connection) -> i64 {
        for _ in 0..50 {
            trim(db, Wall::MIN, i64::from(u32::MAX), true).unwrap();
        }
        db.query_row("SELECT count(*) FROM minute", [], |row| row.get(0)).unwrap()
    }

    #[test]
    fn a_day_of_which_an_hour_is_given_up_is_given_up_as_a_whole() {
        let mut db = history(0, 0);
        db.execute("INSERT INTO signal (id, name) VALUES (3, 'h2s-1.concentration')", []).unwrap();
        for hour in 0..48 {
            let insert = "INSERT INTO hour VALUES (3, ?1, 3.0, 3.4, 11500000.0, 3598000, 1000, 3599000, 3.2)";
            db.execute(insert, [hour]).unwrap();
            days::loosen(&db, hour).unwrap();
        }
        let now = OpenMinutes::at(wall(50 * HOUR_MS));
        (0..3).for_each(|_| days::write_next(&db, now).unwrap());
        let count = |db: &Connection, table| {
            let sql = format!("SELECT count(*) FROM {table}");
            db.query_row(&sql, [], |row| row.get::<_, i64>(0)).unwrap()
        };
        assert_eq!((count(&db, "hour"), count(&db, "day"), count(&db, "loose_day")), (48, 2, 0));
        for _ in 0..9 {
            trim(&mut db, wall(5 * HOUR_MS), i64::from(u32::MAX), false).unwrap();
        }
        assert_eq!((count(&db, "hour"), count(&db, "day"), count(&db, "loose_day")), (43, 1, 0));
        let mut left = days::Hours::of(&db, 3).unwrap();
        let first = (0..48).find(|hour| left.get(*hour).unwrap().is_some());
        assert_eq!(first, Some(5));
    }

    #[test]
    fn hours_that_fill_the_file_make_room_for_the_newest_samples() {
        let mut db = history(0, 0);
        db.execute("INSERT INTO signal (id, name) VALUES (0, 'h2s-1.concentration')", []).unwrap();
        let insert = "INSERT INTO hour VALUES (0, ?1, 3.0, 3.4, 11500000.0, 3598000, 1000, 3599000, 3.2)";
        for hour in 0..20_000 {
            db.execute(insert, [hour]).unwrap();
        }
        let begins = 20_000 * HOUR_MS / MINUTE_MS;
        let insert = "INSERT INTO minute (id, samples, coding, offsets) VALUES (?1, 1, 0, zeroblob(60))";
        for minute in begins..begins + 300 {
            db.execute(insert, [first_id(minute)]).unwrap();
        }
        let (pages_max, _) = pages(&db).unwrap();
        let count = |db: &Connection, table| {
            let sql = format!("SELECT count(*) FROM {table}");
            db.query_row(&sql, [], |row| row.get::<_, i64>(0)).unwrap()
        };
        let made_room = trim(&mut db, Wall::MIN, pages_max, false).unwrap().unwrap();
        assert_eq!((made_room.from, made_room.to), (wall(0), wall(2 * HOUR_MS)));
        for _ in 0..3_000 {
            trim(&mut db, Wall::MIN, pages_max, false).unwrap();
        }
        let (used, _) = pages(&db).unwrap();
        assert!(used <= pages_max / 100 * FILLED_PERCENT_MAX, "{used} of {pages_max}");
        let hours = count(&db, "hour");
        assert!((15_500..18_500).contains(&hours), "{hours} hours are left");
        assert_eq!(count(&db, "minute"), 300);
    }

    #[test]
    fn a_young_history_keeps_its_minutes_although_the_disk_is_short_of_room() {
        assert_eq!(left_when_short(&mut history(20, 2_000)), 20);
    }

    #[test]
    fn a_larger_one_makes_room_for_an_hour_and_keeps_the_rest() {
        let mut db = history(40, 1 << 19);
        let left = left_when_short(&mut db);
        let (used, free) = pages(&db).unwrap();
        assert!((PAGES_FREE..PAGES_FREE + 1_200).contains(&free) && left > 20, "{left} left, {used} {free}");
    }
}
