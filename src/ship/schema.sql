-- What siskin ships into PostgreSQL (10 or later). docs/ship.md tells what each column means.
CREATE SCHEMA IF NOT EXISTS siskin;

-- A file that is shipped from, and how far. A journal or history that was begun anew is another source.
CREATE TABLE IF NOT EXISTS siskin.source (
    id        integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site      text NOT NULL,
    file      text NOT NULL CHECK (file IN ('journal', 'history')),
    token     text NOT NULL,
    done      bigint NOT NULL DEFAULT 0,
    late_done bigint NOT NULL DEFAULT 0,
    shipped   timestamptz NOT NULL DEFAULT now(),
    UNIQUE (site, file, token)
);

CREATE TABLE IF NOT EXISTS siskin.event (
    source    integer NOT NULL REFERENCES siskin.source (id),
    seq       bigint NOT NULL,
    time      timestamptz NOT NULL,
    kind      text NOT NULL,
    subject   text NOT NULL,
    user_name text,
    person    text,
    detail    json NOT NULL,
    text      text NOT NULL,
    hash      text NOT NULL,
    PRIMARY KEY (source, seq)
);
CREATE INDEX IF NOT EXISTS event_by_time ON siskin.event (time);

CREATE TABLE IF NOT EXISTS siskin.signal (
    id   integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site text NOT NULL,
    name text NOT NULL,
    UNIQUE (site, name)
);

CREATE TABLE IF NOT EXISTS siskin.sample (
    signal  integer NOT NULL REFERENCES siskin.signal (id),
    time    timestamptz NOT NULL,
    source  integer NOT NULL REFERENCES siskin.source (id),
    nth     integer NOT NULL,
    value   double precision,
    state   boolean,
    quality text NOT NULL,
    reasons text NOT NULL,
    PRIMARY KEY (signal, time, source, nth)
);

CREATE OR REPLACE VIEW siskin.samples AS
    SELECT site, name AS signal, time, value, state, quality, reasons
    FROM siskin.sample JOIN siskin.signal ON signal.id = sample.signal;

CREATE OR REPLACE VIEW siskin.events AS
    SELECT site, token AS journal, seq, time, kind, subject, user_name, person, detail, text, hash
    FROM siskin.event JOIN siskin.source ON source.id = event.source;
