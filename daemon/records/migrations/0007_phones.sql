-- Phones that subscribed to messages on our page. Their address at a push
-- service and their keys are sealed by a key that is not in this file; the
-- fingerprint is a hash of the address. Of a phone that is gone only the hash is
-- left, of one that was removed not even that.
CREATE TABLE phone (
	id          INTEGER PRIMARY KEY,
	device      TEXT NOT NULL UNIQUE,
	person      TEXT NOT NULL,
	name        TEXT NOT NULL,
	state       TEXT NOT NULL CHECK (state IN ('subscribed', 'gone', 'removed')),
	fingerprint TEXT UNIQUE,
	sealed      BLOB,
	since       INTEGER NOT NULL,
	taken_at    INTEGER,
	failed_at   INTEGER,
	failure     TEXT NOT NULL DEFAULT '',
	test        TEXT NOT NULL DEFAULT '',
	tested_at   INTEGER,
	seen_at     INTEGER,
	CHECK (state = 'subscribed' OR sealed IS NULL),
	CHECK (state <> 'removed' OR fingerprint IS NULL)
) STRICT;
