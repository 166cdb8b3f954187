-- What could not be seen, and when nobody was looking.

-- What a place (a door, or '-' for its aircraft) was deaf to from then on, as a JSON list of
-- [code, why, signal, …]. `gone` marks an aircraft that had left: of such a place nothing has
-- to be known for longer than the retention.
CREATE TABLE deafness (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    at       INTEGER NOT NULL,
    aircraft TEXT NOT NULL,
    door     TEXT NOT NULL,
    deaf_to  TEXT NOT NULL,
    gone     INTEGER NOT NULL,
    position INTEGER NOT NULL
);
CREATE INDEX deafness_by_place ON deafness (aircraft, door, at);
CREATE INDEX deafness_by_time ON deafness (at);

-- Every start of the monitor; `silent_since` is the last moment that was recorded before it.
CREATE TABLE starts (
    position     INTEGER PRIMARY KEY,
    at           INTEGER NOT NULL,
    silent_since INTEGER
);
