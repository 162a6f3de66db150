PRAGMA application_id = 0x53736b48;
PRAGMA user_version = 1;
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
CREATE INDEX span_by_time ON span (to_ms, from_ms);
CREATE TABLE reason (
    bit  INTEGER PRIMARY KEY,
    word TEXT NOT NULL
) STRICT;
CREATE VIEW samples AS SELECT
    signal.name AS signal, strftime('%Y-%m-%dT%H:%M:%fZ', time_ms / 1000.0, 'unixepoch') AS time, value,
    (SELECT group_concat(word, ' ') FROM reason WHERE reasons & bit) AS reasons
    FROM sample JOIN signal ON signal.id = sample.signal;
INSERT INTO signal VALUES (1, 'h2s-1.concentration'), (2, 'door.open');
