-- Which file this is, how often it was committed to, and why it is doubted
-- that it is the right one (empty for no doubt).
CREATE TABLE identity (
	one     INTEGER PRIMARY KEY CHECK (one = 1),
	id      TEXT NOT NULL,
	commits INTEGER NOT NULL,
	doubt   TEXT NOT NULL DEFAULT ''
) STRICT;
INSERT INTO identity (one, id, commits) VALUES (1, lower(hex(randomblob(16))), 0);

-- Chunks that cannot be decoded, with their bytes. Accepted is set once a
-- person has taken note.
CREATE TABLE quarantine (
	id          INTEGER PRIMARY KEY,
	day         INTEGER NOT NULL,
	series      INTEGER NOT NULL,
	readings    INTEGER NOT NULL,
	min_arrival INTEGER NOT NULL,
	max_arrival INTEGER NOT NULL,
	data        BLOB NOT NULL,
	accepted    INTEGER NOT NULL DEFAULT 0
) STRICT;

-- CRC-32C of what stands in the row, null in older ones.
ALTER TABLE journal ADD COLUMN sum INTEGER;
ALTER TABLE state ADD COLUMN sum INTEGER;

-- Up to when something is only kept in short, and how much of it went.
CREATE TABLE condensed (
	what   TEXT PRIMARY KEY,
	before INTEGER NOT NULL,
	went   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
-- How often a closed occurrence called for a person whose steps are gone.
ALTER TABLE occurrence ADD COLUMN calls INTEGER NOT NULL DEFAULT 0;

-- Only what is older may go, and of the journal only what no person did.
DROP TRIGGER journal_is_not_deleted;
CREATE TRIGGER journal_is_not_deleted BEFORE DELETE ON journal
WHEN old.who <> '' OR old.arrival >= coalesce((SELECT before FROM condensed WHERE what = 'journal'), old.arrival)
BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
DROP TRIGGER alarm_transition_is_not_deleted;
CREATE TRIGGER alarm_transition_is_not_deleted BEFORE DELETE ON alarm_transition
WHEN old.time >= coalesce((SELECT before FROM condensed WHERE what = 'steps'), old.time)
BEGIN SELECT raise(ABORT, 'the alarm transitions are append-only'); END;
