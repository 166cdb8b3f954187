-- Who may use the service. No password and no secret stands here, only what they are checked against.

-- `key` is the name as it is compared: Ann and ann are one person.
CREATE TABLE people (
    key          TEXT PRIMARY KEY,
    name         TEXT NOT NULL,
    role         TEXT NOT NULL CHECK (role IN ('viewer', 'coordinator', 'administrator')),
    password     TEXT NOT NULL,
    created_at   INTEGER NOT NULL,
    changed_at   INTEGER NOT NULL,
    signed_in_at INTEGER
);

-- A session of a person above (`issuer` empty) or of one whom another provider vouches for.
CREATE TABLE sessions (
    id       TEXT PRIMARY KEY,
    digest   BLOB NOT NULL UNIQUE,
    key      TEXT NOT NULL,
    name     TEXT NOT NULL,
    role     TEXT NOT NULL CHECK (role IN ('viewer', 'coordinator', 'administrator')),
    issuer   TEXT NOT NULL,
    began_at INTEGER NOT NULL,
    used_at  INTEGER NOT NULL,
    ends_at  INTEGER NOT NULL,
    address  TEXT NOT NULL,
    agent    TEXT NOT NULL
);

CREATE INDEX sessions_by_person ON sessions (key);

-- A provider may give a name to somebody else later; here it stays with whom it was first seen.
CREATE TABLE identities (
    issuer  TEXT NOT NULL,
    subject TEXT NOT NULL,
    key     TEXT NOT NULL UNIQUE,
    PRIMARY KEY (issuer, subject)
);

CREATE TABLE tokens (
    id         TEXT PRIMARY KEY,
    key        TEXT NOT NULL UNIQUE,
    name       TEXT NOT NULL,
    digest     BLOB NOT NULL,
    scopes     TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    ends_at    INTEGER,
    used_at    INTEGER
);

CREATE TABLE audit (
    seq     INTEGER PRIMARY KEY,
    time    INTEGER NOT NULL,
    person  TEXT NOT NULL,
    action  TEXT NOT NULL,
    subject TEXT NOT NULL,
    reason  TEXT NOT NULL,
    was     TEXT NOT NULL,
    became  TEXT NOT NULL,
    origin  TEXT NOT NULL,
    hash    BLOB NOT NULL CHECK (typeof(hash) = 'blob' AND length(hash) = 32)
);

CREATE TRIGGER audit_is_not_altered BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is never altered');
END;

-- OR REPLACE would delete without a word.
CREATE TRIGGER audit_only_grows BEFORE INSERT ON audit
WHEN new.seq <= coalesce((SELECT max(seq) FROM audit), 0)
BEGIN
    SELECT RAISE(ABORT, 'the audit only grows at its end');
END;

CREATE TRIGGER audit_is_not_shortened BEFORE DELETE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is never shortened');
END;
