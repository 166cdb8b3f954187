-- From when on the record is whole.

-- Before this moment events and notes may be gone; one row at most, none before the first pruning.
CREATE TABLE pruned (
    only          INTEGER PRIMARY KEY CHECK (only = 1),
    events_before INTEGER NOT NULL
);
