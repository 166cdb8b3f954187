-- The questions that the history is asked: when, on which aircraft and door, by which rule.
-- A row's seq stands at the end of every index by itself and settles equal times.
CREATE INDEX events_by_time ON events (time);
CREATE INDEX events_by_door ON events (aircraft, door, time);
CREATE INDEX events_by_aircraft ON events (aircraft, time);
CREATE INDEX events_by_code ON events (code, time);
