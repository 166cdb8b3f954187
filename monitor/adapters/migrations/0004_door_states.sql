-- How each door stood, and what is asked of a line of time.

-- From `at` on, until the door's next row; 'unknown' also where nothing was judged of it.
CREATE TABLE door_states (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    at       INTEGER NOT NULL,
    aircraft TEXT NOT NULL,
    door     TEXT NOT NULL,
    state    TEXT NOT NULL,
    slide    TEXT NOT NULL,
    position INTEGER NOT NULL
);
CREATE INDEX door_states_by_place ON door_states (aircraft, door, at);
CREATE INDEX door_states_by_aircraft ON door_states (aircraft, at);
CREATE INDEX door_states_by_time ON door_states (at);

-- Which alerts stood at a moment: the last change of each place before it.
CREATE INDEX events_by_place ON events (aircraft, door, code, time);
