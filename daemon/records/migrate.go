package records

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks the file as ours ("RGRD" in ASCII).
const applicationID = 0x52475244

// steps returns the migration texts; the one at index i leads to version i+1.
func steps() ([]string, error) {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	texts := make([]string, len(names))
	for i, name := range names {
		b, err := migrations.ReadFile(name)
		if err != nil {
			return nil, err
		}
		texts[i] = string(b)
	}
	return texts, nil
}

// version reads the schema version of the file, 0 when it is new, and
// refuses a file that is not ours or that is newer than this program.
func version(ctx context.Context, c querier, path string) (have, want int, err error) {
	texts, err := steps()
	if err != nil {
		return 0, 0, err
	}
	want = len(texts)
	var app, tables int
	if err := c.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return 0, want, describe(path, err)
	}
	if err := c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&have); err != nil {
		return 0, want, describe(path, err)
	}
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, want, describe(path, err)
	}
	switch {
	case app == 0 && have == 0 && tables == 0:
		return 0, want, nil
	case app != applicationID:
		return 0, want, fmt.Errorf("%w: %s is an SQLite database of something else (give rearguard a file of its own)", ErrForeign, path)
	case have > want:
		return have, want, fmt.Errorf("%w: %s has schema %d and this program knows up to %d (install the newer program again, or restore a backup from before the upgrade)",
			ErrNewer, path, have, want)
	}
	return have, want, nil
}

// migrate brings the file to the newest version in one transaction: it has
// either all of it or is as it was. It reports whether the file is new.
func migrate(ctx context.Context, c *sql.Conn, path string) (isNew bool, err error) {
	have, want, err := version(ctx, c, path)
	if err != nil || have == want {
		return false, err
	}
	texts, err := steps()
	if err != nil {
		return false, err
	}
	return have == 0, inTransaction(ctx, c, func() error {
		for i := have; i < want; i++ {
			if _, err := c.ExecContext(ctx, texts[i]); err != nil {
				return fmt.Errorf("bring %s from schema %d to %d: %w", path, i, i+1, describe(path, err))
			}
		}
		_, err := c.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, want))
		return describe(path, err)
	})
}

// inTransaction runs f between BEGIN IMMEDIATE and COMMIT on c; when f or the
// commit fails nothing of it remains.
func inTransaction(ctx context.Context, c *sql.Conn, f func() error) error {
	if _, err := c.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f()
	if err == nil {
		_, err = c.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// After some failures SQLite has already rolled back, and then this
		// fails with "no transaction is active": err says what was wrong.
		_, _ = c.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	}
	return err
}
