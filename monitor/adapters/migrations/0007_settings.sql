-- The configuration of the last start, key by key: what differs at the next one goes into the audit.
CREATE TABLE settings (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;
