//! The third layout: numbers of any width, decimals, the views that unpack them in plain SQL, and what
//! somebody needs to know who copies the history elsewhere.
//!
//! A technician reads samples with nothing but the stock `sqlite3` shell, which knows no function of
//! ours: the views fetch the bytes round a number with the table `byte`, shift and mask them as
//! [`super::bits`] does, and turn the key into a value as [`super::coding`] does. Rows of the second
//! layout are of the same form, with widths of whole bytes. `docs/history.md` tells the same to people.

/// The number of one byte of a blob; 0 beyond its end.
macro_rules! byte {
    ($blob:literal, $($at:literal),+) => {
        concat!(
            "coalesce((SELECT number FROM byte WHERE code = substr(", $blob, ", ", $($at,)+ ", 1)), 0)"
        )
    };
}

/// Two bytes of a blob from a place on, as one number.
macro_rules! two_bytes {
    ($blob:literal, $($at:literal),+) => {
        concat!("((", byte!($blob, $($at),+), " << 8) | ", byte!($blob, $($at,)+ " + 1"), ")")
    };
}

/// Four bytes of a blob from a place on, as one number.
macro_rules! four_bytes {
    ($blob:literal, $($at:literal),+) => {
        concat!("((", two_bytes!($blob, $($at),+), " << 16) | ", two_bytes!($blob, $($at,)+ " + 2"), ")")
    };
}

/// Eight bytes of a blob from a place on, as one number.
macro_rules! eight_bytes {
    ($blob:literal, $($at:literal),+) => {
        concat!("((", four_bytes!($blob, $($at),+), " << 32) | ", four_bytes!($blob, $($at,)+ " + 4"), ")")
    };
}

/// What leads from the second layout to the third. Nothing that lies in the file is touched. For whoever
/// copies the history elsewhere, a file gets a name of its own, and minutes that are written out of their
/// order are noted. Without its codings and names a history says nothing, and they lie on a page or two: so
/// they are there twice, far from one another.
pub(super) const ANY_WIDTH_AND_DECIMALS: &str = concat!(
    "
    CREATE TABLE origin (token TEXT NOT NULL) STRICT;
    INSERT INTO origin VALUES (lower(hex(randomblob(16))));
    CREATE TABLE late_minute (number INTEGER PRIMARY KEY AUTOINCREMENT, minute INTEGER NOT NULL) STRICT;
    CREATE TABLE coding_again (
        id   INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        current_from_0 REAL, current_from_1 REAL, current_to_0 REAL, current_to_1 REAL,
        scale_from_0   REAL, scale_from_1   REAL, scale_to_0   REAL, scale_to_1   REAL
    ) STRICT;
    INSERT INTO coding_again SELECT * FROM coding;
    CREATE TRIGGER coding_twice AFTER INSERT ON coding
        BEGIN
            DELETE FROM coding_again WHERE id = NEW.id;
            INSERT INTO coding_again SELECT * FROM coding WHERE id = NEW.id;
        END;
    CREATE TABLE signal_again (id INTEGER PRIMARY KEY, name TEXT NOT NULL, hold_ms INTEGER NOT NULL) STRICT;
    INSERT INTO signal_again SELECT id, name, hold_ms FROM signal;
    CREATE TRIGGER signal_twice AFTER INSERT ON signal
        BEGIN
            DELETE FROM signal_again WHERE id = NEW.id;
            INSERT INTO signal_again VALUES (NEW.id, NEW.name, NEW.hold_ms);
        END;
    CREATE TRIGGER signal_held_twice AFTER UPDATE ON signal WHEN NEW.hold_ms <> OLD.hold_ms
        BEGIN
            DELETE FROM signal_again WHERE id = NEW.id;
            INSERT INTO signal_again VALUES (NEW.id, NEW.name, NEW.hold_ms);
        END;

    DROP VIEW samples;
    DROP VIEW sample_keys;

    CREATE VIEW sample_keys AS SELECT
        id, nth, coding,
        (id >> 10) * 60000 + CASE WHEN samples >= 5 AND length(times) <= 4 + samples THEN
                ",
    two_bytes!("times", "1"),
    " + nth * ",
    two_bytes!("times", "3"),
    " - (1 << time_bits) / 2 + ((",
    two_bytes!("times", "5 + nth * time_bits / 8"),
    " >> (16 - nth * time_bits % 8 - time_bits)) & ((1 << time_bits) - 1))
            ELSE ",
    two_bytes!("times", "1 + 2 * nth"),
    " END AS time_ms,
        CASE
            WHEN bits = 0 THEN base
            WHEN bits = 64 THEN ",
    eight_bytes!("offsets", "1 + 8 * nth"),
    "
            WHEN nth * bits % 8 + bits <= 16 THEN base + ((",
    two_bytes!("offsets", "1 + nth * bits / 8"),
    " >> (16 - nth * bits % 8 - bits)) & ((1 << bits) - 1))
            WHEN nth * bits % 8 + bits <= 32 THEN base + ((",
    four_bytes!("offsets", "1 + nth * bits / 8"),
    " >> (32 - nth * bits % 8 - bits)) & ((1 << bits) - 1))
            ELSE base + ((",
    eight_bytes!("offsets", "1 + nth * bits / 8"),
    " >> (64 - nth * bits % 8 - bits)) & ((1 << bits) - 1))
        END AS key,
        CASE WHEN runs IS NULL THEN 0 ELSE coalesce((
            SELECT flags FROM (SELECT
                ",
    four_bytes!("runs", "1 + 8 * entry.number"),
    " AS first,
                ",
    four_bytes!("runs", "5 + 8 * entry.number"),
    " AS flags
                FROM byte AS entry WHERE 8 * entry.number < length(runs))
            WHERE first <= nth ORDER BY first DESC LIMIT 1), 0) END AS flags
        FROM (SELECT
            minute.id AS id, nth, minute.samples AS samples, minute.coding AS coding,
            coalesce(minute.base, minute.lo) AS base, minute.runs AS runs,
            pace.times AS times, 8 * (length(pace.times) - 4) / minute.samples AS time_bits,
            minute.offsets AS offsets, 8 * length(minute.offsets) / minute.samples AS bits
            FROM minute
            JOIN minute AS pace
                ON pace.id = minute.id - (minute.id & 1023) + coalesce(minute.clock, minute.id & 1023)
            JOIN (SELECT high.number * 256 + low.number AS nth FROM byte AS high CROSS JOIN byte AS low)
                ON nth < minute.samples);

    CREATE VIEW samples AS SELECT
        sample_keys.id AS id, signal.name AS signal,
        strftime('%Y-%m-%dT%H:%M:%fZ', time_ms / 1000.0, 'unixepoch') AS time,
        CASE WHEN flags >> 31 THEN NULL ELSE CASE kind
            WHEN 'flag' THEN key
            WHEN 'counts' THEN scale_to_0 + (
                current_to_0 + (key - current_from_0) / (current_from_1 - current_from_0)
                    * (current_to_1 - current_to_0)
                - scale_from_0) / (scale_from_1 - scale_from_0) * (scale_to_1 - scale_to_0)
            -- Rounded to the nearest binary32: 2^29 + 1 leaves 24 of the 53 bits of a binary64.
            WHEN 'decimal' THEN key / scale_from_1 * 536870913.0
                - (key / scale_from_1 * 536870913.0 - key / scale_from_1)
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
"
);
