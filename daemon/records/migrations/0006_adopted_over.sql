-- The notes over which a person last took the file for the right one, as JSON:
-- what they said against the file was known then.
ALTER TABLE identity ADD COLUMN adopted_over TEXT NOT NULL DEFAULT '[]';
