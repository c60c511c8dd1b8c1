-- What one person is told of an occurrence must not depend on how many people
-- are.
DROP INDEX outbox_by_occurrence;
CREATE INDEX outbox_by_occurrence ON outbox (occurrence, recipient);
