-- Trials of the way to people: a test of one person's channels, or a drill of
-- everybody's. What became of each message is noted as the outbox notes it,
-- which does not keep its rows for ever.
CREATE TABLE drill (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	-- A drill of everybody, or a test.
	whole  INTEGER NOT NULL CHECK (whole IN (0, 1)),
	-- The period of the schedule, which has one drill at most; null for one that
	-- a person started.
	period TEXT UNIQUE,
	who    TEXT NOT NULL,
	began  INTEGER NOT NULL
) STRICT;
CREATE INDEX drill_by_time ON drill (whole, began);

-- One message to one person by one channel. Its row in the outbox bears the
-- negative of its id as occurrence: no alarm does.
CREATE TABLE drill_notice (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	drill      INTEGER NOT NULL REFERENCES drill (id),
	person     TEXT NOT NULL,
	channel    TEXT NOT NULL,
	taken_at   INTEGER,
	failure    TEXT NOT NULL DEFAULT '',
	given_up   INTEGER NOT NULL DEFAULT 0,
	arrived_at INTEGER,
	arrived_by TEXT NOT NULL DEFAULT '',
	UNIQUE (drill, person, channel)
) STRICT;

CREATE TRIGGER outbox_tells_drills AFTER UPDATE OF state, last_error ON outbox WHEN new.occurrence < 0
BEGIN
	UPDATE drill_notice SET
		taken_at = CASE new.state WHEN 'delivered' THEN new.done_at ELSE taken_at END,
		failure = new.last_error,
		given_up = new.state = 'dead'
	WHERE id = -new.occurrence;
END;
