-- Everything that is kept: what came in, what it led to, and the state to start again from.

-- A delivery's kind is stored as NULL, and its topic as a number from `topics` where it
-- has one: two thirds of the bytes of a row that spells both out.
CREATE TABLE inputs (
    position INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    kind     TEXT,
    topic    NOT NULL,
    payload  BLOB NOT NULL,
    retained INTEGER NOT NULL
);

CREATE TABLE topics (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);

-- An id is derived from its cause, so that one judged twice is kept once.
CREATE TABLE events (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    id       TEXT NOT NULL UNIQUE,
    time     INTEGER NOT NULL,
    aircraft TEXT NOT NULL,
    door     TEXT NOT NULL,
    code     TEXT NOT NULL,
    type     TEXT NOT NULL,
    data     TEXT NOT NULL,
    position INTEGER NOT NULL
);

CREATE TABLE quarantine (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    at       INTEGER NOT NULL,
    reason   TEXT NOT NULL,
    topic    TEXT NOT NULL,
    detail   TEXT NOT NULL,
    payload  BLOB NOT NULL,
    size     INTEGER NOT NULL,
    position INTEGER NOT NULL
);

CREATE TABLE quarantine_totals (
    reason TEXT PRIMARY KEY,
    total  INTEGER NOT NULL
);

CREATE TABLE audit (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    time     INTEGER NOT NULL,
    person   TEXT NOT NULL,
    action   TEXT NOT NULL,
    subject  TEXT NOT NULL,
    reason   TEXT NOT NULL,
    was      TEXT NOT NULL,
    became   TEXT NOT NULL,
    origin   TEXT NOT NULL,
    position INTEGER NOT NULL
);

CREATE TABLE snapshots (
    position INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    digest   BLOB NOT NULL,
    body     BLOB NOT NULL
);
