package records

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"

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

func (s *Store) space(ctx context.Context) (space, error) {
	var at space
	var mode int
	err := s.db.QueryRowContext(ctx, `SELECT (SELECT page_size FROM pragma_page_size), (SELECT page_count FROM pragma_page_count),
		(SELECT freelist_count FROM pragma_freelist_count), (SELECT auto_vacuum FROM pragma_auto_vacuum)`).Scan(&at.size, &at.pages, &at.free, &mode)
	at.incremental = mode == 2
	return at, describe(s.path, err)
}

// Shrink gives the disk back what a large part of the file no longer uses, in
// short transactions. A file of an older version is first written anew, if it
// uses little and there is room for it.
func (s *Store) Shrink(ctx context.Context) error {
	at, err := s.space(ctx)
	if err != nil || !at.worth() {
		return err
	}
	if !at.incremental {
		return s.vacuum(ctx, at)
	}
	for at.free > 0 && ctx.Err() == nil {
		err := s.change(ctx, func(ctx context.Context) error {
			return eachRow(ctx, s.conn, func(*sql.Rows) error { return nil }, fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, freeStep))
		})
		if err != nil {
			return fmt.Errorf("give space back: %w", err)
		}
		before := at.free
		if at, err = s.space(ctx); err != nil {
			return err
		}
		if at.free >= before {
			break // others use it up as fast
		}
	}
	return s.checkpoint(ctx)
}

// vacuum writes the file anew, from when on Shrink can go in small steps.
func (s *Store) vacuum(ctx context.Context, at space) error {
	used := (at.pages - at.free) * at.size
	room, err := disk.Free(filepath.Dir(s.path))
	// The copy and the log hold it once each.
	if err != nil || used > vacuumMost || room < 3*used || at.free < at.pages/2 {
		return err
	}
	s.rolling.Lock()
	defer s.rolling.Unlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if _, err := s.conn.ExecContext(context.WithoutCancel(ctx), `VACUUM`); err != nil {
		return fmt.Errorf("write the records anew: %w", describe(s.path, err))
	}
	return describe(s.path, s.truncateLog(ctx))
}

// checkpoint moves the log into the file, which only then becomes smaller.
func (s *Store) checkpoint(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	return describe(s.path, s.truncateLog(ctx))
}

func (s *Store) truncateLog(ctx context.Context) error {
	// While somebody reads, a part of the log stays; the next commits move it.
	return eachRow(ctx, s.conn, func(*sql.Rows) error { return nil }, `PRAGMA wal_checkpoint(TRUNCATE)`)
}
