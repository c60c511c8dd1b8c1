-- Times are integers: milliseconds since 1970-01-01T00:00:00Z.

-- A series is one quantity of one sensor. Rows are never changed or deleted.
CREATE TABLE series (
	id       INTEGER PRIMARY KEY,
	sensor   TEXT NOT NULL,
	quantity TEXT NOT NULL,
	UNIQUE (sensor, quantity)
) STRICT;

-- Readings of days that are not yet rolled. Rows arrive in order of time, so
-- this key appends. A null raw or value stands for "not a number".
CREATE TABLE hot (
	time    INTEGER NOT NULL,
	series  INTEGER NOT NULL,
	arrival INTEGER NOT NULL,
	raw     REAL,
	value   REAL,
	flag    INTEGER NOT NULL,
	PRIMARY KEY (time, series)
) STRICT, WITHOUT ROWID;

-- One compressed row per series and UTC day (days since 1970-01-01).
-- The rowid keeps the blobs out of the index.
CREATE TABLE chunk (
	id          INTEGER PRIMARY KEY,
	day         INTEGER NOT NULL,
	series      INTEGER NOT NULL REFERENCES series (id),
	readings    INTEGER NOT NULL,
	min_arrival INTEGER NOT NULL,
	max_arrival INTEGER NOT NULL,
	data        BLOB NOT NULL
) STRICT;
CREATE UNIQUE INDEX chunk_by_day ON chunk (day, series);
CREATE INDEX chunk_by_arrival ON chunk (min_arrival, max_arrival);

-- What was done and what happened to the link, in the order of the engine.
CREATE TABLE journal (
	seq     INTEGER PRIMARY KEY AUTOINCREMENT,
	arrival INTEGER NOT NULL,
	kind    TEXT NOT NULL,
	who     TEXT NOT NULL,
	body    TEXT NOT NULL
) STRICT;
CREATE INDEX journal_by_arrival ON journal (arrival);
CREATE TRIGGER journal_is_not_changed BEFORE UPDATE ON journal
BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_is_not_deleted BEFORE DELETE ON journal
BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;

-- The engine's clock at the last commit.
CREATE TABLE clock (
	one  INTEGER PRIMARY KEY CHECK (one = 1),
	time INTEGER NOT NULL
) STRICT;

CREATE TABLE state (
	name TEXT PRIMARY KEY,
	body BLOB NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE cohort (
	id   TEXT PRIMARY KEY,
	body TEXT NOT NULL CHECK (json_valid(body))
) STRICT, WITHOUT ROWID;

-- A keeper's count (count itself is the name of an SQL function).
CREATE TABLE tally (
	id     INTEGER PRIMARY KEY,
	cohort TEXT NOT NULL,
	time   INTEGER NOT NULL,
	body   TEXT NOT NULL CHECK (json_valid(body))
) STRICT;

-- The present life cycle of every alarm that is not closed.
CREATE TABLE alarm (
	condition       TEXT NOT NULL,
	room            TEXT NOT NULL,
	subject         TEXT NOT NULL,
	occurrence      INTEGER NOT NULL,
	priority        INTEGER NOT NULL,
	active          INTEGER NOT NULL,
	raised_at       INTEGER,
	cleared_at      INTEGER,
	acknowledged_at INTEGER,
	acknowledged_by TEXT NOT NULL,
	state           TEXT NOT NULL CHECK (json_valid(state)),
	PRIMARY KEY (condition, room, subject)
) STRICT, WITHOUT ROWID;

-- Every occurrence there ever was, as it last stood.
CREATE TABLE occurrence (
	id              INTEGER PRIMARY KEY,
	condition       TEXT NOT NULL,
	room            TEXT NOT NULL,
	subject         TEXT NOT NULL,
	priority        INTEGER NOT NULL,
	active          INTEGER NOT NULL,
	closed          INTEGER NOT NULL,
	raised_at       INTEGER,
	cleared_at      INTEGER,
	acknowledged_at INTEGER,
	acknowledged_by TEXT NOT NULL,
	state           TEXT NOT NULL CHECK (json_valid(state))
) STRICT;
CREATE INDEX occurrence_by_time ON occurrence (raised_at);

CREATE TABLE alarm_transition (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	occurrence INTEGER NOT NULL,
	condition  TEXT NOT NULL,
	room       TEXT NOT NULL,
	subject    TEXT NOT NULL,
	time       INTEGER NOT NULL,
	from_state TEXT NOT NULL,
	to_state   TEXT NOT NULL,
	who        TEXT NOT NULL,
	reason     TEXT NOT NULL
) STRICT;
CREATE INDEX alarm_transition_by_time ON alarm_transition (time);
CREATE TRIGGER alarm_transition_is_not_changed BEFORE UPDATE ON alarm_transition
BEGIN SELECT raise(ABORT, 'the alarm transitions are append-only'); END;
CREATE TRIGGER alarm_transition_is_not_deleted BEFORE DELETE ON alarm_transition
BEGIN SELECT raise(ABORT, 'the alarm transitions are append-only'); END;

CREATE TABLE outbox (
	id         INTEGER PRIMARY KEY AUTOINCREMENT,
	key        TEXT NOT NULL UNIQUE,
	occurrence INTEGER NOT NULL,
	channel    TEXT NOT NULL,
	recipient  TEXT NOT NULL,
	payload    TEXT NOT NULL CHECK (json_valid(payload)),
	created_at INTEGER NOT NULL,
	due_at     INTEGER NOT NULL,
	attempts   INTEGER NOT NULL DEFAULT 0,
	state      TEXT NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'delivered', 'dead', 'superseded')),
	done_at    INTEGER,
	last_error TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX outbox_due ON outbox (due_at, id) WHERE state = 'pending';
CREATE INDEX outbox_totals ON outbox (channel, state);
