-- The audit as a chain: each row is bound to the one before it, and none is altered.

-- What the oldest row is bound to: the last one that was pruned away, or nothing (0 and zeros).
CREATE TABLE audit_anchor (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    seq  INTEGER NOT NULL,
    hash BLOB NOT NULL CHECK (typeof(hash) = 'blob' AND length(hash) = 32)
);
INSERT INTO audit_anchor VALUES (1, 0, zeroblob(32));

-- What was kept before is chained as it is found; `audit_link` is the writer's own function.
CREATE TABLE audit_chained (
    seq      INTEGER PRIMARY KEY AUTOINCREMENT,
    time     INTEGER NOT NULL,
    person   TEXT NOT NULL,
    action   TEXT NOT NULL,
    subject  TEXT NOT NULL,
    reason   TEXT NOT NULL,
    was      TEXT NOT NULL,
    became   TEXT NOT NULL,
    origin   TEXT NOT NULL,
    position INTEGER NOT NULL,
    hash     BLOB NOT NULL CHECK (typeof(hash) = 'blob' AND length(hash) = 32)
);
WITH RECURSIVE chained AS (
    SELECT 0 AS seq, 0 AS time, '' AS person, '' AS action, '' AS subject, '' AS reason, '' AS was, '' AS became,
           '' AS origin, 0 AS position, zeroblob(32) AS hash
    UNION ALL
    SELECT audit.*, audit_link(chained.hash, audit.seq, audit.time, audit.person, audit.action, audit.subject,
                               audit.reason, audit.was, audit.became, audit.origin, audit.position)
    FROM chained JOIN audit ON audit.seq = (SELECT min(seq) FROM audit WHERE seq > chained.seq)
)
INSERT INTO audit_chained SELECT * FROM chained WHERE seq > 0;
DROP TABLE audit;
ALTER TABLE audit_chained RENAME TO audit;

CREATE TRIGGER audit_is_not_altered BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is not altered');
END;
-- OR REPLACE would delete without a word.
CREATE TRIGGER audit_only_grows BEFORE INSERT ON audit
WHEN new.seq <= max(coalesce((SELECT max(seq) FROM audit), 0), (SELECT seq FROM audit_anchor))
BEGIN
    SELECT RAISE(ABORT, 'the audit only grows at its end');
END;
-- Pruning moves the anchor first.
CREATE TRIGGER audit_is_not_deleted BEFORE DELETE ON audit
WHEN old.seq > (SELECT seq FROM audit_anchor)
BEGIN
    SELECT RAISE(ABORT, 'the audit is not deleted, but for its oldest rows by pruning');
END;
CREATE TRIGGER audit_anchor_follows BEFORE UPDATE ON audit_anchor
WHEN new.seq <= old.seq OR NOT EXISTS (SELECT 1 FROM audit WHERE seq = new.seq AND hash = new.hash)
BEGIN
    SELECT RAISE(ABORT, 'the anchor of the audit goes to one of its rows');
END;
CREATE TRIGGER audit_anchor_stays BEFORE DELETE ON audit_anchor
BEGIN
    SELECT RAISE(ABORT, 'the anchor of the audit stays');
END;
CREATE TRIGGER audit_anchor_is_one BEFORE INSERT ON audit_anchor
BEGIN
    SELECT RAISE(ABORT, 'the audit has one anchor');
END;
