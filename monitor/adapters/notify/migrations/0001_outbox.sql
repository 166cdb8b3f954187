-- What has to be told outside: who is told, what waits, what was laid aside.

-- `cursor` is the last journalled event that was looked at for this destination. Times in µs.
CREATE TABLE destinations (
    name              TEXT PRIMARY KEY,
    kind              TEXT NOT NULL,
    configured        INTEGER NOT NULL,
    cursor            INTEGER NOT NULL,
    gone_since        INTEGER,
    failures          INTEGER NOT NULL DEFAULT 0,
    failing_since     INTEGER,
    not_before        INTEGER NOT NULL DEFAULT 0,
    last_delivered_at INTEGER,
    last_error        TEXT
);

-- One event for one destination; a dead one (`died_at`) is kept for a person.
CREATE TABLE letters (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    destination TEXT NOT NULL,
    event_id    TEXT NOT NULL,
    alert_id    TEXT NOT NULL,
    type        TEXT NOT NULL,
    subject     TEXT NOT NULL,
    body        BLOB NOT NULL,
    queued_at   INTEGER NOT NULL,
    attempts    INTEGER NOT NULL DEFAULT 0,
    next_at     INTEGER NOT NULL,
    last_error  TEXT,
    died_at     INTEGER,
    UNIQUE (destination, event_id)
);
CREATE INDEX letters_waiting ON letters (destination, attempts, id) WHERE died_at IS NULL;
CREATE INDEX letters_of_alert ON letters (destination, alert_id, id) WHERE died_at IS NULL;
CREATE INDEX letters_dead ON letters (destination, id) WHERE died_at IS NOT NULL;

-- The latest word about an alert that is not told yet: in quiet hours, or from a backlog.
CREATE TABLE holds (
    destination TEXT NOT NULL,
    alert_id    TEXT NOT NULL,
    event_id    TEXT NOT NULL,
    type        TEXT NOT NULL,
    subject     TEXT NOT NULL,
    body        BLOB NOT NULL,
    release_at  INTEGER NOT NULL,
    PRIMARY KEY (destination, alert_id)
);

-- Which alerts a destination was told of and hears the rest of; the last handing-on it was told of.
CREATE TABLE told (
    destination TEXT NOT NULL,
    alert_id    TEXT NOT NULL,
    at          INTEGER NOT NULL,
    escalation  TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (destination, alert_id)
);

-- What an alertmanager believes to be firing, until it has confirmed the end.
CREATE TABLE firing (
    destination TEXT NOT NULL,
    labels      TEXT NOT NULL,
    annotations TEXT NOT NULL,
    starts_at   TEXT NOT NULL,
    ends_at     TEXT,
    PRIMARY KEY (destination, labels)
);

-- What a person asked for beside the running program, which does it and has it audited.
CREATE TABLE requests (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    asked   TEXT NOT NULL,
    subject TEXT NOT NULL,
    person  TEXT NOT NULL,
    reason  TEXT NOT NULL
);
