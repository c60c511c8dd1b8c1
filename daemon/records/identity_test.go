package records

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rearguard/daemon/records/disk"
	"rearguard/sensors"
)

// lived is a records file that was closed in good order, with one reading an
// hour; it gives what SQLite left at its path after each hour, log included.
func lived(t *testing.T, path string, hours int) {
	t.Helper()
	s, err := Open(context.Background(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for h := range hours {
		at := day0.Add(time.Duration(h) * time.Hour)
		commit(t, s, &Batch{Clock: at, Readings: []sensors.Reading{reading("a", sensors.Temperature, at, at, 20, 20)}})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	body, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, body, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// doubtAfter is what is doubted when records are opened again after something
// was done to their files.
func doubtAfter(t *testing.T, path string) string {
	t.Helper()
	s, err := Open(context.Background(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	return s.Trouble().Doubt
}

func TestRecordsThatAreNotThoseOfLastTime(t *testing.T) {
	for name, c := range map[string]struct {
		change func(t *testing.T, path string)
		want   []string
	}{
		"nothing":                    {func(*testing.T, string) {}, nil},
		"nothing was noted":          {func(t *testing.T, path string) { remove(t, path+".last") }, nil},
		"the first start":            {func(t *testing.T, path string) { remove(t, path); remove(t, path+".last") }, nil},
		"missing":                    {remove, []string{"were missing or empty and are new", "until 2 March 2026 05:00 UTC", "restore the newest backup to "}},
		"empty":                      {func(t *testing.T, path string) { truncate(t, path) }, []string{"were missing or empty and are new"}},
		"those of somebody else":     {func(t *testing.T, path string) { remove(t, path); elsewhere(t, path) }, []string{"are others than those kept there until 2 March 2026 05:00 UTC"}},
		"an old backup":              {func(t *testing.T, path string) { copyFile(t, path+".backup", path) }, []string{"are older than last time", "end on 1 March 2026 09:00 UTC", "went on to 2 March 2026 05:00 UTC"}},
		"what was noted is damaged":  {func(t *testing.T, path string) { truncate(t, path+".last") }, nil},
		"the note of an older start": {func(t *testing.T, path string) { copyFile(t, path+".last.old", path+".last") }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "records.db")
			lived(t, path, 10)
			copyFile(t, path, path+".backup")
			copyFile(t, path+".last", path+".last.old")
			lived(t, path, 30)
			c.change(t, path)
			// It is doubted until somebody adopts it, also after another start.
			for range 2 {
				got := doubtAfter(t, path)
				if (got == "") != (len(c.want) == 0) {
					t.Fatalf("doubt: %q", got)
				}
				for _, words := range c.want {
					if !strings.Contains(got, words) {
						t.Errorf("it says %q, want %q", got, words)
					}
				}
			}
			s, err := Open(t.Context(), path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			noted, unread := os.ReadFile(path + ".last")
			commit(t, s, &Batch{Clock: day0.Add(30 * time.Hour), Adopt: true})
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if got := doubtAfter(t, path); got != "" {
				t.Errorf("adopted, and yet %q", got)
			}
			if unread != nil {
				return
			}
			// A loss of power before anything was noted anew.
			if err := os.WriteFile(path+".last", noted, 0o600); err != nil {
				t.Fatal(err)
			}
			if got := doubtAfter(t, path); got != "" && len(c.want) > 0 {
				t.Errorf("adopted, and after a loss of power %q", got)
			}
		})
	}
}

// With the disk all that lies beside the file can be lost, but not the note that
// somebody else keeps.
func TestRecordsAreComparedWithANoteOfThem(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "records.db")
	lived(t, path, 10)
	copyFile(t, path, path+".backup")
	lived(t, path, 30)
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Tend(ctx); err != nil {
		t.Fatal(err)
	}
	note, sound := s.Noted()
	if err := s.Compare(ctx, note); err != nil || !sound || s.Trouble().Doubt != "" {
		t.Fatalf("the file is not as its own note says: %v, %q", err, s.Trouble().Doubt)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(t *testing.T, path string)
		want   string
	}{
		"lost":          {remove, "were missing or empty and are new, and those kept there until 2 March 2026 05:00 UTC are gone"},
		"others":        {func(t *testing.T, path string) { remove(t, path); elsewhere(t, path) }, "are others than those kept there until 2 March 2026 05:00 UTC"},
		"an old backup": {func(t *testing.T, path string) { copyFile(t, path+".backup", path) }, "are older than last time"},
	} {
		t.Run(name, func(t *testing.T) {
			c.change(t, path)
			remove(t, path+".last")
			if got := doubtAfter(t, path); got != "" {
				t.Fatalf("doubted without the note: %q", got)
			}
			if name == "lost" {
				remove(t, path) // it is new in the life in which the note comes
				remove(t, path+".last")
			}
			s, err := Open(ctx, path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if err := s.Compare(ctx, note); err != nil || !strings.Contains(s.Trouble().Doubt, c.want) {
				t.Errorf("it says %q (%v), want %q", s.Trouble().Doubt, err, c.want)
			}
			if _, sound := s.Noted(); sound {
				t.Error("what is doubted would be noted in place of the right one")
			}
			// Once it is adopted, a note of before that says nothing more, and its own
			// says nothing against it.
			commit(t, s, &Batch{Clock: note.Clock.Add(time.Hour), Adopt: true})
			if err := s.Tend(ctx); err != nil {
				t.Fatal(err)
			}
			own, sound := s.Noted()
			for _, n := range []disk.Last{note, own} {
				if err := s.Compare(ctx, n); err != nil || !sound || s.Trouble().Doubt != "" {
					t.Errorf("adopted, and yet %q by %+v (%v)", s.Trouble().Doubt, n, err)
				}
			}
		})
	}
}

// The right file is put back while another was used and doubted: nothing is
// doubted any more.
func TestRestoredRecordsAreNotDoubted(t *testing.T) {
	path := filepath.Join(t.TempDir(), "records.db")
	lived(t, path, 10)
	copyFile(t, path, path+".backup")
	remove(t, path)
	if doubtAfter(t, path) == "" {
		t.Fatal("new records are not doubted")
	}
	copyFile(t, path+".backup", path)
	if got := doubtAfter(t, path); got != "" {
		t.Errorf("the right file is back, and yet %q", got)
	}
}

// A log that is lost or damaged in the middle takes the newest commits with it.
// SQLite opens such a file without a word.
func TestLostOrDamagedLog(t *testing.T) {
	for name, damage := range map[string]func(wal []byte) []byte{
		"whole":                 func(wal []byte) []byte { return wal },
		"lost":                  func([]byte) []byte { return nil },
		"damaged in the middle": func(wal []byte) []byte { wal[len(wal)/2] ^= 0x40; return wal },
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "records.db")
			s, err := Open(t.Context(), path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for m := range 50 {
				at := day0.Add(time.Duration(m) * time.Minute)
				commit(t, s, &Batch{Clock: at, Readings: []sensors.Reading{reading("a", sensors.Temperature, at, at, 20, 20)}})
			}
			if err := s.Tend(t.Context()); err != nil {
				t.Fatal(err)
			}
			// What a kill would leave behind.
			left := filepath.Join(t.TempDir(), "records.db")
			copyFile(t, path, left)
			copyFile(t, path+".last", left+".last")
			wal, err := os.ReadFile(path + "-wal")
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(left+"-wal", damage(wal), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			got := doubtAfter(t, left)
			if name == "whole" && got != "" || name != "whole" && !strings.Contains(got, "the records at "+left) {
				t.Errorf("doubt: %q", got)
			}
		})
	}
}

// The file is deleted, or another put in its place, while it is in use: that
// is noticed, and what it held is there after an orderly stop.
func TestRecordsDeletedWhileInUse(t *testing.T) {
	for name, replaced := range map[string]bool{"deleted": false, "replaced": true} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "records.db")
			s, err := Open(t.Context(), path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			commit(t, s, batchNumber(1))
			if err := s.Tend(t.Context()); err != nil || s.Trouble() != (Trouble{}) {
				t.Fatalf("%v, %+v", err, s.Trouble())
			}
			remove(t, path)
			saved := path
			if replaced {
				elsewhere(t, path)
				saved = path + ".rescued"
			}
			if err := s.Tend(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := s.Trouble().Doubt; !strings.Contains(got, "was "+name+" while rearguard runs") {
				t.Errorf("doubt: %q", got)
			}
			commit(t, s, batchNumber(2))
			want := scanAll(t, s.Reader, day0, day0.AddDate(1, 0, 0))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			r, err := OpenReader(t.Context(), saved)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if got := scanAll(t, r, day0, day0.AddDate(1, 0, 0)); len(got) != len(want) {
				t.Errorf("%d of %d readings are left", len(got), len(want))
			}
			if !replaced {
				if got := doubtAfter(t, path); got != "" {
					t.Errorf("the records are back, and yet %q", got)
				}
			}
		})
	}
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}

func truncate(t *testing.T, path string) {
	t.Helper()
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
}

// elsewhere puts records of another place at path.
func elsewhere(t *testing.T, path string) {
	t.Helper()
	other := filepath.Join(t.TempDir(), "other.db")
	lived(t, other, 40)
	copyFile(t, other, path)
}
