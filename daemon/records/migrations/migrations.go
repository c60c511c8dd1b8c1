// Package migrations brings the file of the records to the newest schema. Each
// text leads one version on.
package migrations

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"rearguard/daemon/records/failure"
)

//go:embed *.sql
var files embed.FS

// ApplicationID marks the file as ours ("RGRD" in ASCII).
const ApplicationID = 0x52475244

// Querier reads the file.
type Querier interface {
	// QueryRowContext is that of database/sql.
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// Texts returns the migration texts; the one at index i leads to version i+1.
func Texts() ([]string, error) {
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		return nil, err
	}
	list := make([]string, len(names))
	for i, name := range names {
		b, err := files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		list[i] = string(b)
	}
	return list, nil
}

// Version reads the schema version of the file, 0 when it is new, and the
// newest there is. It refuses a file that is not ours or that is newer than this
// program.
func Version(ctx context.Context, q Querier, path string) (have, want int, err error) {
	list, err := Texts()
	if err != nil {
		return 0, 0, err
	}
	want = len(list)
	var app, tables int
	for _, one := range []struct {
		query string
		into  *int
	}{
		{"PRAGMA application_id", &app},
		{"PRAGMA user_version", &have},
		{"SELECT count(*) FROM sqlite_schema", &tables},
	} {
		if err := q.QueryRowContext(ctx, one.query).Scan(one.into); err != nil {
			return 0, want, failure.Describe(path, err)
		}
	}
	switch {
	case app == 0 && have == 0 && tables == 0:
		return 0, want, nil
	case app != ApplicationID:
		return 0, want, fmt.Errorf("%w: %s is an SQLite database of something else (give rearguard a file of its own)", failure.ErrForeign, path)
	case have > want:
		return have, want, fmt.Errorf("%w: %s has schema %d and this program knows up to %d (install the newer program again, or restore a backup from before the upgrade)",
			failure.ErrNewer, path, have, want)
	}
	return have, want, nil
}

// Apply brings the file on from a version to the newest, within a transaction.
func Apply(ctx context.Context, c *sql.Conn, path string, have int) error {
	list, err := Texts()
	if err != nil {
		return err
	}
	for i := have; i < len(list); i++ {
		if _, err := c.ExecContext(ctx, list[i]); err != nil {
			return fmt.Errorf("bring %s from schema %d to %d: %w", path, i, i+1, failure.Describe(path, err))
		}
	}
	_, err = c.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", ApplicationID, len(list)))
	return failure.Describe(path, err)
}
