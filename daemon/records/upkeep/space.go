package upkeep

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"

	"rearguard/daemon/records"
	"rearguard/daemon/records/disk"
)

// Bounds of giving space back.
const (
	// freeLeast is how many free pages are worth it, and freeShare the part of
	// the file from which on they are.
	freeLeast = 1024
	freeShare = 0.25
	// freeStep is how many pages go in one transaction.
	freeStep = 256
	// vacuumMost is how many used bytes of an older file are written anew in
	// one go. Commits wait for that, in memory.
	vacuumMost = 256 << 20
)

// space is how much of the file is used, in pages.
type space struct {
	size, pages, free int64
	// incremental is set when free pages can be given back a few at a time.
	incremental bool
}

func (s *space) worth() bool {
	return s.free >= freeLeast && float64(s.free) >= freeShare*float64(s.pages)
}

func spaceOf(ctx context.Context, s *records.Store) (at space, err error) {
	err = s.Read(ctx, func(q records.Querier) error {
		var mode int
		err := q.QueryRowContext(ctx, `SELECT (SELECT page_size FROM pragma_page_size), (SELECT page_count FROM pragma_page_count),
			(SELECT freelist_count FROM pragma_freelist_count), (SELECT auto_vacuum FROM pragma_auto_vacuum)`).Scan(&at.size, &at.pages, &at.free, &mode)
		at.incremental = mode == 2
		return err
	})
	return at, err
}

// Shrink gives the disk back what a large part of the file no longer uses, in
// short transactions. A file of an older version is first written anew, if it
// uses little and there is room for it.
func Shrink(ctx context.Context, s *records.Store) error {
	at, err := spaceOf(ctx, s)
	if err != nil || !at.worth() {
		return err
	}
	if !at.incremental {
		return vacuum(ctx, s, at)
	}
	for at.free > 0 && ctx.Err() == nil {
		err := s.Write(ctx, func(ctx context.Context, c *sql.Conn) error {
			return run(ctx, c, fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, freeStep))
		})
		if err != nil {
			return fmt.Errorf("give space back: %w", err)
		}
		before := at.free
		if at, err = spaceOf(ctx, s); err != nil {
			return err
		}
		if at.free >= before {
			break // others use it up as fast
		}
	}
	return s.Alone(ctx, truncateLog)
}

// vacuum writes the file anew, from when on Shrink can go in small steps.
func vacuum(ctx context.Context, s *records.Store, at space) error {
	used := (at.pages - at.free) * at.size
	room, err := disk.Free(filepath.Dir(s.Path()))
	// The copy and the log hold it once each.
	if err != nil || used > vacuumMost || room < 3*used || at.free < at.pages/2 {
		return err
	}
	return s.Alone(ctx, func(ctx context.Context, c *sql.Conn) error {
		if _, err := c.ExecContext(ctx, `VACUUM`); err != nil {
			return fmt.Errorf("write the records anew: %w", err)
		}
		return truncateLog(ctx, c)
	})
}

// truncateLog moves the log into the file, which only then becomes smaller.
// While somebody reads, a part of the log stays; the next commits move it.
func truncateLog(ctx context.Context, c *sql.Conn) error {
	return run(ctx, c, `PRAGMA wal_checkpoint(TRUNCATE)`)
}

// run carries out a pragma that works while its rows are read.
func run(ctx context.Context, c *sql.Conn, pragma string) error {
	rows, err := c.QueryContext(ctx, pragma)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
	}
	return rows.Err()
}
