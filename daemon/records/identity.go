package records

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync/atomic"

	"rearguard/daemon/records/damage"
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
	if doubt := s.place.doubt.Load(); doubt != nil {
		t.Doubt = *doubt
	}
	return t
}

// place is the file of the records among others: whether it is the one that
// should be there.
type place struct {
	path string
	// doubt says why it may not be the right one, nil for no doubt; opened is
	// the file as it was opened, noted what stands beside it; isNew is set when
	// Open created it.
	doubt  atomic.Pointer[string]
	opened os.FileInfo
	noted  disk.Last
	isNew  bool
	// lossy is set when a loss of power may take the last moments.
	lossy bool
	// rivals are the notes that speak against the file.
	rivals disk.Notes
}

// identify compares the opened file with what was noted beside it, and says
// why it is to be doubted, empty for no reason.
func (p *place) identify(ctx context.Context, q Querier, found *damage.Found) (doubt string, err error) {
	if p.opened, err = os.Stat(p.path); err != nil {
		return "", err
	}
	now, err := p.standing(ctx, q)
	if err != nil {
		return "", err
	}
	last, err := disk.ReadLast(p.path)
	switch {
	case err == nil:
		doubt = p.against(&now, last)
	case !errors.Is(err, fs.ErrNotExist):
		found.NoteOther(err.Error())
	}
	return cmp.Or(now.doubt, doubt), nil
}

// standing is how far a file has come, why it is doubted, and the notes over
// which it was last adopted.
type standing struct {
	disk.Last
	doubt string
	over  *disk.Notes
}

func (p *place) standing(ctx context.Context, q Querier) (now standing, err error) {
	var clock sql.NullInt64
	var over []byte
	err = q.QueryRowContext(ctx, `SELECT id, commits, doubt, adopted_over, (SELECT time FROM clock) FROM identity`).
		Scan(&now.ID, &now.Commits, &now.doubt, &over, &clock)
	now.Clock = FromMillis(clock)
	if err == nil {
		now.over, err = disk.ParseNotes(over)
	}
	return now, describe(p.path, err)
}

// against is what a note says against the file, empty for nothing: what was
// noted before somebody adopted the file was known then.
func (p *place) against(now *standing, noted disk.Last) string {
	if now.over.Cover(noted) {
		return ""
	}
	doubt := disk.Doubt(p.path, p.isNew, now.Last, noted, p.lossy)
	if doubt != "" {
		p.rivals.Add(noted)
	}
	return doubt
}

// Doubt keeps in the file why it may not be the right one, until a Batch
// adopts it. Until then what was noted of the right one stays beside it.
func (s *Store) Doubt(ctx context.Context, why string) error {
	s.place.doubt.Store(&why)
	return s.change(ctx, func(ctx context.Context) error {
		_, err := s.conn.ExecContext(ctx, `UPDATE identity SET doubt = ?`, why)
		return err
	})
}

// adopt takes the file for the right one, as far as it can be read.
func (p *place) adopt(ctx context.Context, c *sql.Conn) error {
	over, err := p.rivals.Text()
	if err != nil {
		return err
	}
	if _, err := c.ExecContext(ctx, `UPDATE identity SET doubt = '', adopted_over = ?`, string(over)); err != nil {
		return err
	}
	_, err = c.ExecContext(ctx, `UPDATE quarantine SET accepted = 1`)
	return err
}

// Tend looks after the file: it puts damaged chunks out of the way, notices
// when the file was deleted or replaced, and notes beside it how far it has
// come. It is to be called now and then.
func (s *Store) Tend(ctx context.Context) error {
	if err := quarantine(ctx, s); err != nil {
		return fmt.Errorf("put damaged history out of the way: %w", err)
	}
	if why := s.place.astray(); why != "" {
		s.place.doubt.Store(&why)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	return s.place.noteLast(ctx, s.conn)
}

// Compare doubts the file if it is not the one of which a note was found
// elsewhere, or not as far.
func (s *Store) Compare(ctx context.Context, found disk.Last) error {
	var now standing
	err := s.look(ctx, func(q Querier) (err error) {
		now, err = s.place.standing(ctx, q)
		return err
	})
	if err != nil {
		return err
	}
	if doubt := s.place.against(&now, found); doubt != "" && now.doubt == "" {
		return s.Doubt(ctx, doubt)
	}
	return nil
}

// Noted is how far the file had come when that was last noted beside it, false
// while it is doubted.
func (s *Store) Noted() (disk.Last, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.place.noted, s.place.noted.ID != "" && s.place.doubt.Load() == nil
}

// noteLast notes beside the file how far it has come, unless it is doubted.
func (p *place) noteLast(ctx context.Context, c *sql.Conn) error {
	if p.doubt.Load() != nil {
		return nil
	}
	now, err := p.standing(ctx, c)
	if err != nil || now.Last == p.noted {
		return err
	}
	if err := disk.WriteLast(p.path, now.Last); err != nil {
		return fmt.Errorf("note how far the records have come: %w", describe(p.path, err))
	}
	p.noted = now.Last
	return nil
}

// astray says what became of the file that is open if it is no longer the one
// of its name.
func (p *place) astray() string {
	info, err := os.Stat(p.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("the file of the records, %s, was deleted while rearguard runs: restart rearguard, which writes them back as it stops; killing it would lose them", p.path)
	case err == nil && !os.SameFile(info, p.opened):
		return fmt.Sprintf("the file of the records, %s, was replaced while rearguard runs: restart rearguard to use the new file; what it holds now it writes beside it as it stops", p.path)
	}
	return ""
}

// rescue copies the records if their file is no longer the one of its name. It
// returns the copy and where that belongs, both empty for nothing to do.
func (p *place) rescue(ctx context.Context, c *sql.Conn) (part, to string, err error) {
	if p.astray() == "" {
		return "", "", nil
	}
	to = p.path
	if _, err := os.Stat(p.path); err == nil {
		to += ".rescued"
	}
	part = to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", "", err
	}
	if _, err := c.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return "", "", fmt.Errorf("copy the records, whose file was deleted or replaced, to %s: %w", to, describe(p.path, err))
	}
	return part, to, disk.Sync(part)
}
