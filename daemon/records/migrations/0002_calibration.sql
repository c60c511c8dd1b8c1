-- value = gain * raw + offset holds from from_time until the next row of the
-- same sensor and quantity.
CREATE TABLE calibration (
	sensor    TEXT NOT NULL,
	quantity  TEXT NOT NULL,
	from_time INTEGER NOT NULL,
	offset    REAL NOT NULL,
	gain      REAL NOT NULL,
	details   TEXT NOT NULL CHECK (json_valid(details)),
	PRIMARY KEY (sensor, quantity, from_time)
) STRICT, WITHOUT ROWID;
