-- The time of the engine when a person last took the file for the right one.
ALTER TABLE identity ADD COLUMN adopted INTEGER;
