-- What is asked of the outbox every second must not depend on how much has
-- been delivered.

-- The priority of the alarm; 0 in older rows that are done.
ALTER TABLE outbox ADD COLUMN priority INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET priority = coalesce(json_extract(payload, '$.priority'), 0) WHERE state = 'pending';

DROP INDEX outbox_due;
DROP INDEX outbox_totals;
CREATE INDEX outbox_pending ON outbox (channel, recipient, priority DESC, due_at, id, attempts) WHERE state = 'pending';
CREATE INDEX outbox_failed ON outbox (id) WHERE state = 'pending' AND attempts > 0;
CREATE INDEX outbox_dead ON outbox (done_at) WHERE state = 'dead';
CREATE INDEX outbox_by_occurrence ON outbox (occurrence);
CREATE INDEX outbox_by_time ON outbox (created_at);

-- How many notices came to which end since the records began, also of those
-- that are no longer kept.
CREATE TABLE outbox_total (
	channel TEXT NOT NULL,
	state   TEXT NOT NULL,
	count   INTEGER NOT NULL,
	PRIMARY KEY (channel, state)
) STRICT, WITHOUT ROWID;
INSERT INTO outbox_total SELECT channel, state, count(*) FROM outbox GROUP BY channel, state;
CREATE TRIGGER outbox_is_counted AFTER INSERT ON outbox
BEGIN
	INSERT INTO outbox_total VALUES (new.channel, new.state, 1) ON CONFLICT DO UPDATE SET count = count + 1;
END;
CREATE TRIGGER outbox_is_recounted AFTER UPDATE OF state ON outbox WHEN new.state <> old.state
BEGIN
	UPDATE outbox_total SET count = count - 1 WHERE channel = old.channel AND state = old.state;
	INSERT INTO outbox_total VALUES (new.channel, new.state, 1) ON CONFLICT DO UPDATE SET count = count + 1;
END;
