package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"rearguard/daemon/records/disk"
)

// Trouble is what a person must know about the records that does not keep them
// from being written.
type Trouble struct {
	// Damage says what of them cannot be read, Doubt why they may not be the
	// right ones; empty for nothing.
	Damage, Doubt string
}

// Trouble gives what is known now, without touching the file.
func (s *Store) Trouble() Trouble {
	t := Trouble{Damage: s.damage.Text()}
	if doubt := s.doubt.Load(); doubt != nil {
		t.Doubt = *doubt
	}
	return t
}

// identify compares the opened file with what was noted beside it, and reads
// what is known to be damaged in it.
func (s *Store) identify(ctx context.Context, sync Synchronous) error {
	var err error
	if s.opened, err = os.Stat(s.path); err != nil {
		return err
	}
	now, doubt, err := s.standing(ctx)
	if err != nil {
		return err
	}
	if doubt == "" {
		last, err := disk.ReadLast(s.path)
		switch {
		case err == nil:
			doubt = disk.Doubt(s.path, s.isNew, now, last, sync != Full)
		case errors.Is(err, fs.ErrNotExist):
		default:
			s.damage.NoteOther(err.Error())
		}
	}
	if doubt != "" {
		return s.Doubt(ctx, doubt)
	}
	return nil
}

// standing is how far the file has come, and why it is doubted.
func (s *Store) standing(ctx context.Context) (now disk.Last, doubt string, err error) {
	var clock sql.NullInt64
	err = s.conn.QueryRowContext(ctx, `SELECT id, commits, doubt, (SELECT time FROM clock) FROM identity`).
		Scan(&now.ID, &now.Commits, &doubt, &clock)
	now.Clock = fromMillis(clock)
	return now, doubt, describe(s.path, err)
}

// Doubt keeps in the file why it may not be the right one, until a Batch
// adopts it. Until then what was noted of the right one stays beside it.
func (s *Store) Doubt(ctx context.Context, why string) error {
	s.doubt.Store(&why)
	return s.change(ctx, func(ctx context.Context) error {
		_, err := s.conn.ExecContext(ctx, `UPDATE identity SET doubt = ?`, why)
		return err
	})
}

// adopt takes the file for the right one, as far as it can be read.
func (s *Store) adopt(ctx context.Context) error {
	if _, err := s.conn.ExecContext(ctx, `UPDATE identity SET doubt = ''`); err != nil {
		return err
	}
	_, err := s.conn.ExecContext(ctx, `UPDATE quarantine SET accepted = 1`)
	return err
}

// adopted does what follows once adopt is committed.
func (s *Store) adopted() {
	s.damage.Accept()
	s.doubt.Store(nil)
}

// Tend looks after the file: it puts damaged chunks out of the way, notices
// when the file was deleted or replaced, and notes beside it how far it has
// come. It is to be called now and then.
func (s *Store) Tend(ctx context.Context) error {
	if err := s.quarantine(ctx); err != nil {
		return fmt.Errorf("put damaged history out of the way: %w", err)
	}
	if why := s.astray(); why != "" {
		s.doubt.Store(&why)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	return s.noteLast(ctx)
}

// noteLast notes beside the file how far it has come, unless it is doubted.
func (s *Store) noteLast(ctx context.Context) error {
	if s.doubt.Load() != nil {
		return nil
	}
	now, _, err := s.standing(ctx)
	if err != nil || now == s.noted {
		return err
	}
	if err := disk.WriteLast(s.path, now); err != nil {
		return fmt.Errorf("note how far the records have come: %w", describe(s.path, err))
	}
	s.noted = now
	return nil
}

// astray says what became of the file that is open if it is no longer the one
// of its name.
func (s *Store) astray() string {
	info, err := os.Stat(s.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("the file of the records, %s, was deleted while rearguard runs: restart rearguard, which writes them back as it stops; killing it would lose them", s.path)
	case err == nil && !os.SameFile(info, s.opened):
		return fmt.Sprintf("the file of the records, %s, was replaced while rearguard runs: restart rearguard to use the new file; what it holds now it writes beside it as it stops", s.path)
	}
	return ""
}

// rescue copies the records if their file is no longer the one of its name. It
// returns the copy and where that belongs, both empty for nothing to do.
func (s *Store) rescue(ctx context.Context) (part, to string, err error) {
	if s.opened == nil || s.conn == nil || s.astray() == "" {
		return "", "", nil
	}
	to = s.path
	if _, err := os.Stat(s.path); err == nil {
		to += ".rescued"
	}
	part = to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", "", err
	}
	if _, err := s.conn.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return "", "", fmt.Errorf("copy the records, whose file was deleted or replaced, to %s: %w", to, describe(s.path, err))
	}
	return part, to, disk.Sync(part)
}
