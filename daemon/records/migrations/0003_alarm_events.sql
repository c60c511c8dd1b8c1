-- What made an alarm change, whether it called for a person or told that it is
-- over, and the priority it had then; empty and 0 in older rows.
ALTER TABLE alarm_transition ADD COLUMN event TEXT NOT NULL DEFAULT '';
ALTER TABLE alarm_transition ADD COLUMN annunciate INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarm_transition ADD COLUMN cleared INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarm_transition ADD COLUMN priority INTEGER NOT NULL DEFAULT 0;
