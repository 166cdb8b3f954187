-- The runs of procedures that have ended, and the drills that they ran in.

-- `document` is what was told of the run at its end; `drill` is the permit's id, empty outside a drill.
CREATE TABLE procedure_runs (
    seq       INTEGER PRIMARY KEY AUTOINCREMENT,
    run_id    TEXT NOT NULL UNIQUE,
    began_at  INTEGER NOT NULL,
    ended_at  INTEGER NOT NULL,
    aircraft  TEXT NOT NULL,
    door      TEXT NOT NULL,
    procedure TEXT NOT NULL,
    drill     TEXT NOT NULL,
    document  TEXT NOT NULL,
    position  INTEGER NOT NULL
);
CREATE INDEX procedure_runs_by_time ON procedure_runs (began_at);
CREATE INDEX procedure_runs_by_aircraft ON procedure_runs (aircraft, began_at);
CREATE INDEX procedure_runs_by_drill ON procedure_runs (drill, began_at) WHERE drill <> '';

-- `doors` is a JSON list, empty for the whole aircraft; `ended_at` is empty while the drill runs.
CREATE TABLE drills (
    seq       INTEGER PRIMARY KEY AUTOINCREMENT,
    permit_id TEXT NOT NULL UNIQUE,
    name      TEXT NOT NULL,
    procedure TEXT NOT NULL,
    aircraft  TEXT NOT NULL,
    doors     TEXT NOT NULL,
    by        TEXT NOT NULL,
    began_at  INTEGER NOT NULL,
    until     INTEGER NOT NULL,
    ended_at  INTEGER,
    simulated INTEGER NOT NULL,
    position  INTEGER NOT NULL
);
CREATE INDEX drills_by_time ON drills (began_at);

-- What nobody sent: starts, connections, people's actions. A few among millions of readings.
CREATE INDEX inputs_of_our_own ON inputs (position) WHERE kind IS NOT NULL;
