//! The tables and views of the history file. `docs/history.md` tells what each column means.
//!
//! A row of `minute` bears the number `minute since 1970 * 1024 + signal`, so that rows are appended in
//! the order in which they are written: keyed by signal first, each minute would touch a page per
//! signal, and write a hundred times as much. Hours are keyed by signal, since they are read that way.

use rusqlite::Connection;

use crate::history::file::{Flaw, Layout};
use crate::history::samples::days::WHOLE_DAYS;
use crate::history::samples::holds::WHAT_HELD_BEFORE;
use crate::history::samples::views::ANY_WIDTH_AND_DECIMALS;

/// The most signals whose samples lie in one file: a row's number has ten bits for them.
pub(super) const SIGNALS_MAX: i64 = 1 << SIGNAL_BITS;
/// How far a minute is shifted in the number of its rows.
pub(super) const SIGNAL_BITS: u32 = 10;

pub(super) static LAYOUT: Layout = Layout {
    application_id: 0x5373_6b48, // "SskH"
    // A minute of a small site fills a few of these; with larger ones most of what is written to a disk
    // would be what has been written before.
    page_bytes: Some(1024),
    migrations: &[ROW_A_SAMPLE, ROW_A_MINUTE, ANY_WIDTH_AND_DECIMALS, WHAT_HELD_BEFORE, WHOLE_DAYS],
    check,
};

/// The first layout, before any release. What lies in it is taken over by [`super::old`].
const ROW_A_SAMPLE: &str = "
    CREATE TABLE signal (
        id   INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT;
    CREATE TABLE sample (
        id      INTEGER PRIMARY KEY,
        signal  INTEGER NOT NULL REFERENCES signal (id),
        time_ms INTEGER NOT NULL,
        value   ANY,
        reasons INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE span (
        last_id  INTEGER PRIMARY KEY,
        first_id INTEGER NOT NULL,
        from_ms  INTEGER NOT NULL,
        to_ms    INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE reason (
        bit  INTEGER PRIMARY KEY,
        word TEXT NOT NULL
    ) STRICT;
";

/// The number of one byte of a blob, in SQL.
macro_rules! byte {
    ($blob:literal, $at:literal) => {
        concat!("(SELECT number FROM byte WHERE code = substr(", $blob, ", ", $at, ", 1))")
    };
}

/// The columns that hold a minute of a signal.
macro_rules! row_columns {
    () => {
        "samples INTEGER NOT NULL,
        coding   INTEGER NOT NULL REFERENCES coding (id),
        lo       INTEGER,
        hi       INTEGER,
        base     INTEGER,
        clock    INTEGER,
        times    BLOB,
        runs     BLOB,
        offsets  BLOB NOT NULL"
    };
}

/// The second layout: numbers of one, two, four or eight bytes.
const ROW_A_MINUTE: &str = concat!(
    "
    DROP VIEW IF EXISTS samples;
    DROP TABLE span;
    ALTER TABLE sample RENAME TO old_sample;
    ALTER TABLE signal ADD COLUMN hold_ms INTEGER NOT NULL DEFAULT 0;
    CREATE TABLE coding (
        id   INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        current_from_0 REAL, current_from_1 REAL, current_to_0 REAL, current_to_1 REAL,
        scale_from_0   REAL, scale_from_1   REAL, scale_to_0   REAL, scale_to_1   REAL
    ) STRICT;
    CREATE TABLE minute (id INTEGER PRIMARY KEY, ",
    row_columns!(),
    ") STRICT;
    CREATE TABLE staged (part INTEGER PRIMARY KEY, id INTEGER NOT NULL, ",
    row_columns!(),
    ") STRICT;
    CREATE TABLE open_hour (hour INTEGER PRIMARY KEY) STRICT;
    CREATE TABLE hour (
        signal      INTEGER NOT NULL,
        hour        INTEGER NOT NULL,
        lo          REAL,
        hi          REAL,
        value_ms    REAL NOT NULL,
        measured_ms INTEGER NOT NULL,
        first_ms    INTEGER NOT NULL,
        last_ms     INTEGER NOT NULL,
        last        REAL,
        PRIMARY KEY (signal, hour)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE byte (number INTEGER PRIMARY KEY, code BLOB NOT NULL UNIQUE) STRICT;
    WITH RECURSIVE counted (number) AS
        (SELECT 0 UNION ALL SELECT number + 1 FROM counted WHERE number < 255)
        INSERT INTO byte SELECT number, unhex(printf('%02x', number)) FROM counted;
    CREATE TABLE power (exponent INTEGER PRIMARY KEY, value REAL NOT NULL) STRICT;
    WITH RECURSIVE doubled (exponent, value) AS
        (SELECT 0, 1.0 UNION ALL SELECT exponent + 1, value * 2 FROM doubled WHERE exponent < 971),
        halved (exponent, value) AS
        (SELECT -1, 0.5 UNION ALL SELECT exponent - 1, value / 2 FROM halved WHERE exponent > -1074)
        INSERT INTO power SELECT * FROM halved UNION ALL SELECT * FROM doubled;

    CREATE VIEW sample_keys AS SELECT
        minute.id AS id, nth, minute.coding AS coding, (minute.id >> 10) * 60000 + CASE
            WHEN minute.samples >= 5 AND length(pace.times) = 4 + minute.samples THEN
                ",
    byte!("pace.times", "1"),
    " * 256 + ",
    byte!("pace.times", "2"),
    " + nth * (",
    byte!("pace.times", "3"),
    " * 256 + ",
    byte!("pace.times", "4"),
    ") + ",
    byte!("pace.times", "5 + nth"),
    " - 128
            ELSE ",
    byte!("pace.times", "1 + 2 * nth"),
    " * 256 + ",
    byte!("pace.times", "2 + 2 * nth"),
    " END AS time_ms,
        CASE length(minute.offsets) / minute.samples
            WHEN 0 THEN coalesce(minute.base, minute.lo)
            WHEN 1 THEN coalesce(minute.base, minute.lo) + ",
    byte!("minute.offsets", "1 + nth"),
    "
            WHEN 2 THEN coalesce(minute.base, minute.lo) + (",
    byte!("minute.offsets", "1 + 2 * nth"),
    " << 8) + ",
    byte!("minute.offsets", "2 + 2 * nth"),
    "
            WHEN 4 THEN coalesce(minute.base, minute.lo) + (",
    byte!("minute.offsets", "1 + 4 * nth"),
    " << 24) + (",
    byte!("minute.offsets", "2 + 4 * nth"),
    " << 16) + (",
    byte!("minute.offsets", "3 + 4 * nth"),
    " << 8) + ",
    byte!("minute.offsets", "4 + 4 * nth"),
    "
            WHEN 8 THEN (",
    byte!("minute.offsets", "1 + 8 * nth"),
    " << 56) | (",
    byte!("minute.offsets", "2 + 8 * nth"),
    " << 48) | (",
    byte!("minute.offsets", "3 + 8 * nth"),
    " << 40) | (",
    byte!("minute.offsets", "4 + 8 * nth"),
    " << 32) | (",
    byte!("minute.offsets", "5 + 8 * nth"),
    " << 24) | (",
    byte!("minute.offsets", "6 + 8 * nth"),
    " << 16) | (",
    byte!("minute.offsets", "7 + 8 * nth"),
    " << 8) | ",
    byte!("minute.offsets", "8 + 8 * nth"),
    "
        END AS key,
        CASE WHEN minute.runs IS NULL THEN 0 ELSE coalesce((
            SELECT flags FROM (SELECT
                (",
    byte!("minute.runs", "1 + 8 * entry.number"),
    " << 24) + (",
    byte!("minute.runs", "2 + 8 * entry.number"),
    " << 16) + (",
    byte!("minute.runs", "3 + 8 * entry.number"),
    " << 8) + ",
    byte!("minute.runs", "4 + 8 * entry.number"),
    " AS first, (",
    byte!("minute.runs", "5 + 8 * entry.number"),
    " << 24) + (",
    byte!("minute.runs", "6 + 8 * entry.number"),
    " << 16) + (",
    byte!("minute.runs", "7 + 8 * entry.number"),
    " << 8) + ",
    byte!("minute.runs", "8 + 8 * entry.number"),
    " AS flags FROM byte AS entry WHERE 8 * entry.number < length(minute.runs))
            WHERE first <= nth ORDER BY first DESC LIMIT 1), 0) END AS flags
        FROM minute
        JOIN minute AS pace ON pace.id = minute.id - (minute.id & 1023) + coalesce(minute.clock, minute.id & 1023)
        JOIN (SELECT high.number * 256 + low.number AS nth FROM byte AS high CROSS JOIN byte AS low) AS counted
            ON nth < minute.samples;

    CREATE VIEW samples AS SELECT
        sample_keys.id AS id, signal.name AS signal,
        strftime('%Y-%m-%dT%H:%M:%fZ', time_ms / 1000.0, 'unixepoch') AS time,
        CASE WHEN flags >> 31 THEN NULL ELSE CASE kind
            WHEN 'flag' THEN key
            WHEN 'counts' THEN scale_to_0 + (
                current_to_0 + (key - current_from_0) / (current_from_1 - current_from_0)
                    * (current_to_1 - current_to_0)
                - scale_from_0) / (scale_from_1 - scale_from_0) * (scale_to_1 - scale_to_0)
            WHEN 'single' THEN (CASE WHEN key < 0 THEN -1 ELSE 1 END) * CASE pattern >> 23
                WHEN 0 THEN (pattern & 0x7fffff) * (SELECT value FROM power WHERE exponent = -149)
                ELSE ((pattern & 0x7fffff) + 0x800000)
                    * (SELECT value FROM power WHERE exponent = (pattern >> 23) - 150) END
            WHEN 'double' THEN (CASE WHEN key < 0 THEN -1 ELSE 1 END) * CASE pattern >> 52
                WHEN 0 THEN (pattern & 0xfffffffffffff) * (SELECT value FROM power WHERE exponent = -1074)
                ELSE ((pattern & 0xfffffffffffff) + 0x10000000000000)
                    * (SELECT value FROM power WHERE exponent = (pattern >> 52) - 1075) END
        END END AS value,
        (SELECT group_concat(word, ' ') FROM reason WHERE flags & bit) AS reasons
        FROM (SELECT *, CASE WHEN key < 0 THEN ~key ELSE key END AS pattern FROM sample_keys) AS sample_keys
        JOIN signal ON signal.id = (sample_keys.id & 1023)
        JOIN coding ON coding.id = sample_keys.coding;

    CREATE VIEW hours AS SELECT
        name AS signal, strftime('%Y-%m-%dT%H:00Z', hour * 3600, 'unixepoch') AS time,
        lo AS min, value_ms / nullif(measured_ms, 0) AS mean, hi AS max, measured_ms / 1000.0 AS measured_s
        FROM hour JOIN signal ON signal.id = hour.signal;
"
);

/// Reads what is read at every start, and a row from either end.
fn check(db: &Connection) -> Result<(), Flaw> {
    db.query_row("SELECT count(name) FROM signal", [], |_| Ok(()))?;
    let layout: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if layout == 1 {
        return Ok(());
    }
    let mut ends = db.prepare(
        "SELECT * FROM (SELECT id, offsets FROM minute ORDER BY id DESC LIMIT 1000)
         UNION ALL SELECT * FROM (SELECT id, offsets FROM minute ORDER BY id LIMIT 1000)
         UNION ALL SELECT id, offsets FROM staged UNION ALL SELECT hour, NULL FROM open_hour",
    )?;
    let mut rows = ends.query([])?;
    while rows.next()?.is_some() {}
    db.query_row("SELECT count(kind) FROM coding", [], |_| Ok(()))?;
    Ok(db.query_row("SELECT count(*) FROM (SELECT 1 FROM hour LIMIT 1)", [], |_| Ok(()))?)
}
