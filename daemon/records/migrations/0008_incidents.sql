-- Incidents that have ended, each as it was at its end. Until then they are part
-- of the state of the engine.
CREATE TABLE incident (
	number   INTEGER PRIMARY KEY,
	began_at INTEGER NOT NULL,
	ended_at INTEGER NOT NULL,
	room     TEXT NOT NULL,
	priority INTEGER NOT NULL,
	state    TEXT NOT NULL
) STRICT;

CREATE INDEX incident_ended ON incident (ended_at, number);
